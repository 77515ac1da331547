"""Room in the write-ahead file: every commit of an attempt writes over what is there, and nobody else notices."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import pytest

from bringup.core.words import AttemptResult
from bringup.logbook import ahead
from bringup.logbook.ahead import PAGES, SPARE, take_room
from bringup.logbook.audit import audit
from bringup.logbook.opening import open_for_writing
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from tests.logbook_samples import start, volts

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
FRAME = 4096 + 24


class Usage(NamedTuple):
    """What the system says of a disk."""

    total: int
    used: int
    free: int


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bringup.db"


def length(path: Path) -> int:
    return Path(f"{path}-wal").stat().st_size


def take(record: LogbookRecord, samples: int) -> None:
    for number in range(samples):
        record.sample(1, "3V3 voltage", "V", NOON, 105.0 + number, 3.3, "+3.3E+00")


def test_the_file_keeps_its_length_however_many_commits_come(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        room = length(path)
        assert room >= PAGES * FRAME
        for _ in range(4):
            take(record, PAGES // 4)
            assert length(path) == room
        assert record.warnings == []


def test_what_made_it_longer_is_not_in_the_logbook(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        before = path.stat().st_size
        record.begin(start())
        with closing(sqlite3.connect(path)) as other:
            assert other.execute("SELECT count(*) FROM sqlite_master WHERE name = 'room'").fetchone() == (0,)
        record.reading(volts())
        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=True)
    assert path.stat().st_size < before + PAGES * 4096 / 4
    assert read(path, audit).sound


def test_a_file_that_is_long_enough_is_left_alone(path: Path) -> None:
    with closing(open_for_writing(path).connection) as connection:
        take_room(connection, path)
        room = length(path)
        take_room(connection, path)
        assert length(path) == room


def test_a_power_cut_meanwhile_leaves_nothing_of_it(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    copy = path.with_name("copy.db")
    back = ahead._roll_back

    def cut(connection: sqlite3.Connection) -> None:
        for ending in ("", "-wal"):
            shutil.copy(f"{path}{ending}", f"{copy}{ending}")
        back(connection)

    monkeypatch.setattr(ahead, "_roll_back", cut)
    with LogbookRecord.open(path, simulated=False) as record:
        attempt = record.begin(start())
    assert length(copy) > PAGES * FRAME / 2, "it was cut while the file grew"
    with closing(sqlite3.connect(copy)) as found:
        assert found.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert found.execute("SELECT count(*) FROM sqlite_master WHERE name = 'room'").fetchone() == (0,)
        assert found.execute("SELECT id FROM attempts").fetchall() == [(attempt,)]


def test_an_attempt_that_is_under_way_in_the_same_logbook_goes_on(path: Path) -> None:
    with (
        LogbookRecord.open(path, simulated=False) as first,
        LogbookRecord.open(path, simulated=False) as second,
    ):
        first.begin(start())
        take(first, 10)
        second.begin(start())
        take(first, 10)
        take(second, 10)
    assert read(path, audit).sound
    with closing(sqlite3.connect(path)) as found:
        assert found.execute("SELECT count(*) FROM samples").fetchone() == (30,)


def test_without_room_on_the_disk_the_file_stays_as_short_as_it_was(path: Path) -> None:
    logbook = open_for_writing(path)
    with closing(logbook.connection) as connection:
        # A bound of SQLite's own, met like the end of a disk.
        connection.execute(f"PRAGMA max_page_count = {PAGES // 2}")
        with pytest.raises(sqlite3.Error, match="full"):
            take_room(connection, path)
        assert length(path) == 0
        assert not connection.in_transaction


def test_an_attempt_without_that_room_begins_and_says_so(path: Path) -> None:
    logbook = open_for_writing(path)
    logbook.connection.execute(f"PRAGMA max_page_count = {PAGES // 2}")
    with LogbookRecord(logbook, simulated=False) as record:
        record.begin(start())
        (warning,) = record.warnings
        assert "2 MiB could not be reserved for the logbook" in warning
        assert "see that its disk has room" in warning
        record.reading(volts())
    assert read(path, audit).sound


def test_what_little_is_left_on_a_disk_is_not_taken(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    free = SPARE * PAGES * 4096 - 1
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(10 * free, 9 * free, free))
    with closing(open_for_writing(path).connection) as connection:
        room = length(path)
        with pytest.raises(OSError, match="No space left"):
            take_room(connection, path)
        assert length(path) == room
