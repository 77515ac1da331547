"""A command that is told to end takes with it what it has made for itself."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from bringup.commands.leaving import leaving_in_order
from bringup.logbook.record import LogbookRecord
from tests.logbook_samples import add_attempt, start, volts

SIGNALS = [number for name in ("SIGTERM", "SIGHUP") if (number := getattr(signal, name, None)) is not None]
SLOWED = """
import sys, time
{patch}
from bringup.commands.main import main
sys.exit(main(sys.argv[1:]))
"""
"""A command that stands still, saying so, once it has made what is to go again."""
MERGING = """
from bringup.logbook import merging
def slow(*_):
    print("there", flush=True); time.sleep(60)
merging._both = slow
"""
EXPORTING = """
from bringup.commands import export_rows
def slow(file, *_):
    file.write_text("half"); print("there", flush=True); time.sleep(60)
export_rows.write_csv = slow
"""


def ended(number: int, patch: str, *arguments: str, temporary: Path) -> int:
    """Start a command, send it a signal once it stands still, and return its exit code."""
    command = [sys.executable, "-c", SLOWED.format(patch=patch), *arguments]
    environment = {**os.environ, "TMPDIR": str(temporary)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as started:
        assert started.stdout is not None
        assert started.stdout.readline() == "there\n"
        started.send_signal(number)
        return started.wait(timeout=20)


def logbook(path: Path) -> Path:
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start(), [volts()])
    return path


@pytest.mark.parametrize("number", SIGNALS)
def test_a_merge_that_is_ended_leaves_no_copy_behind(tmp_path: Path, number: int) -> None:
    other, temporary = logbook(tmp_path / "other.db"), tmp_path / "temporary"
    temporary.mkdir()
    with closing(sqlite3.connect(other, isolation_level=None)) as writer:
        writer.execute("BEGIN IMMEDIATE")  # a write-ahead file lies beside it: it is read through a copy
        writer.execute("UPDATE units SET lot = 'L9'")
        writer.execute("COMMIT")
        code = ended(number, MERGING, "merge", str(other), "--logbook", str(tmp_path / "new.db"), temporary=temporary)

    assert code == 128 + number
    assert list(temporary.iterdir()) == []


@pytest.mark.parametrize("number", SIGNALS)
def test_an_export_that_is_ended_leaves_its_name_free(tmp_path: Path, number: int) -> None:
    path = logbook(tmp_path / "bringup.db")

    code = ended(number, EXPORTING, "export", str(tmp_path / "out.csv"), "--logbook", str(path), temporary=tmp_path)

    assert code == 128 + number
    assert {each.name for each in tmp_path.iterdir()} == {"bringup.db"}


def test_what_is_ignored_stays_so_and_what_was_there_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    number = SIGNALS[-1]
    usual = signal.signal(number, signal.SIG_IGN)
    try:
        with leaving_in_order():
            signal.raise_signal(number)
        signal.signal(number, signal.SIG_DFL)
        with leaving_in_order(), pytest.raises(SystemExit):
            signal.raise_signal(number)
        assert signal.getsignal(number) is signal.SIG_DFL
    finally:
        signal.signal(number, usual)
