"""How the suite spends its time: byte code kept, and what waits for wall time begun first."""

from __future__ import annotations

import gc
import os
import signal
import sys
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from bringup.logbook.server_address import AnyLogbook
from tests.chromium import Tab, chromium, missing
from tests.postgresql import Cluster, shared_cluster

# A test must not fail because the machine is busy: how long things take is measured in the benchmarks.
# Laws are tried with fewer examples than hypothesis would, each time others: so the suite stays short. With
# BRINGUP_TEST_EXAMPLES=1000 they are tried thoroughly.
EXAMPLES = int(os.environ.get("BRINGUP_TEST_EXAMPLES", "50"))
settings.register_profile(
    "unhurried", max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("unhurried")

# Where a machine sets this (many containers do), each of the processes that the tests start would compile the whole
# package anew, and each of pytest's workers all tests. What is kept stands in __pycache__, as everywhere else.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# A test takes its supply with it: a guardian that cannot verify off must not try on for minutes beside the others.
os.environ.setdefault("BRINGUP_TEST_TRY_FOR", "20")

# Where several workers run, each is told how wide the terminal is; what is printed into a pipe must not depend on it.
os.environ.pop("COLUMNS", None)


def pass_on_no_ignored_hang_up() -> None:
    """Go on ignoring SIGHUP where the suite was started so (nohup), but have no process that it starts do so.

    What is ignored stays ignored in every program started from here; what is caught does not.
    """
    if sys.platform == "win32":
        return
    if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN or os.environ.get("BRINGUP_TEST_NOHUP"):
        os.environ["BRINGUP_TEST_NOHUP"] = "yes"  # for pytest's workers, which are started from here
        signal.signal(signal.SIGHUP, lambda *_: None)


pass_on_no_ignored_hang_up()

WAITING = (
    "test_readme",
    "test_run_command",
    "test_terminal_session",
    "test_guardian",
    "test_going_on",
    "test_logbook_faults",
    "test_program_agreement",
    "test_programs",
    "test_simulate",
    "test_bench_command",
    "test_finishing",
    "test_before_opening",
    "test_guardian_process",
    "test_opening_links",
    "test_visa_link",
    "test_control",
)
"""Modules whose tests start processes or wait for wall time, those that wait longest first."""


@pytest.fixture(scope="session")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """The PostgreSQL server of the whole suite, started when it is asked for first; skips where there is none."""
    base = tmp_path_factory.getbasetemp()
    with shared_cluster(base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base) as made:
        yield made


@pytest.fixture(scope="session", params=["SQLite", "PostgreSQL"])
def engine(request: pytest.FixtureRequest) -> Callable[[Path], AnyLogbook]:
    """What makes of a logbook file what is asked: the file itself, and, once more, a server that it is published to."""
    if request.param == "SQLite":
        return lambda path: path
    cluster: Cluster = request.getfixturevalue("cluster")
    return cluster.published


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Have every worker begin with its share of what waits, in the order of WAITING; the rest keeps its order.

    With `--dist worksteal` each of N workers gets an Nth of the list, from the front, and later takes over from the end
    of somebody else's: what waits would be one worker's alone if it stood in front, and all would wait for it at last.
    """
    place = {name: number for number, name in enumerate(WAITING)}
    waiting = sorted((item for item in items if item.path.stem in place), key=lambda item: place[item.path.stem])
    rest = iter([item for item in items if item.path.stem not in place])
    workers = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    total = len(items)
    dealt: list[pytest.Item] = []
    for number in range(workers):
        share = (total - len(dealt)) // (workers - number)
        mine = waiting[number::workers][:share]
        dealt += [*mine, *islice(rest, share - len(mine))]
    known = set(dealt)
    items[:] = [*dealt, *(item for item in items if item not in known)]


@pytest.fixture(scope="session")
def browser() -> Iterator[Tab]:
    """A page of a headless Chromium, for all tests of this process; without one they are skipped, saying why."""
    if why := missing():
        pytest.skip(why)
    with chromium() as tab:
        yield tab


def pytest_collection_finish() -> None:
    """Spare the garbage collector the thousands of collected tests, which live to the end anyway.

    And have it look at what is made by the ten thousand, nearly all of which goes by itself, more seldom than usual:
    that is an eighth of the processor's time.
    """
    gc.freeze()
    gc.set_threshold(20_000)
