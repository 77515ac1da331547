"""How the suite spends its time: byte code kept, and what waits for wall time begun first."""

from __future__ import annotations

import gc
import os
import sys

import pytest
from hypothesis import settings

# A test must not fail because the machine is busy: how long things take is measured in the benchmarks.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")

# Where a machine sets this (many containers do), each of the processes that the tests start would compile the whole
# package anew, and each of pytest's workers all tests. What is kept stands in __pycache__, as everywhere else.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# A test takes its supply with it: a guardian that cannot verify off must not try on for minutes beside the others.
os.environ.setdefault("BRINGUP_TEST_TRY_FOR", "20")

# Where several workers run, each is told how wide the terminal is; what is printed into a pipe must not depend on it.
os.environ.pop("COLUMNS", None)

WAITING = (
    "test_readme",
    "test_run_command",
    "test_terminal_session",
    "test_guardian",
    "test_going_on",
    "test_logbook_faults",
    "test_program_agreement",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the tests of the modules in WAITING first, in that order; everything else keeps its place."""
    place = {name: number for number, name in enumerate(WAITING)}
    items.sort(key=lambda item: place.get(item.path.stem, len(WAITING)))


def pytest_collection_finish() -> None:
    """Spare the garbage collector the thousands of collected tests, which live to the end anyway."""
    gc.freeze()
