"""Rescue files: which are found, however their logbook's path is spelt; how many rows come in, and what is left out."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterable, Sequence
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, Result
from bringup.logbook import taking_in
from bringup.logbook.audit import audit
from bringup.logbook.earlier import last_attempt
from bringup.logbook.filters import Filters
from bringup.logbook.lines import Line, head_lines, line_of, row_lines
from bringup.logbook.opening import OpenLogbook, open_for_writing
from bringup.logbook.queries import history as told
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.rescue_file import RescueFile
from bringup.logbook.standings import standing
from bringup.logbook.statements import poll_statement
from bringup.runner.records import IRREVERSIBLE_ENDED, AttemptStart, PollSample, UnitHistory
from tests.logbook_samples import NOON, add_attempt, ohms, start, volts


def attempt_lines(connection: sqlite3.Connection, attempt: str) -> list[Line]:
    """Everything that is known of an attempt, as it stands in a rescue file."""
    return [*head_lines(connection, attempt), *row_lines(connection, attempt)]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    (tmp_path / "bench").mkdir()
    return tmp_path / "bench" / "bringup.db"


@pytest.fixture
def lasting(tmp_path: Path) -> Path:
    (tmp_path / "lasting").mkdir()
    return tmp_path / "lasting"


def waiting(folder: Path, logbook: Path, attempt: str, lines: Iterable[Any]) -> Path:
    """Make a rescue file as a dead process leaves it."""
    file = RescueFile.make(folder, logbook, {"attempt": attempt, "serial": "MBL-0001", "made": "now"})
    file.append(lines)
    file.close()
    return file.path


def an_attempt(path: Path) -> str:
    with LogbookRecord.open(path, simulated=False) as record:
        return add_attempt(record, start(), [ohms(), volts()])


def opened(path: Path, lasting: Path | None = None) -> OpenLogbook:
    found = open_for_writing(path, lasting)
    found.connection.close()
    return found


def polls(attempt: str, count: int) -> list[Any]:
    return [
        line_of(poll_statement(attempt, PollSample(1000.0 + number, 1, 24.0, 0.08, on=True))) for number in range(count)
    ]


def count(path: Path, table: str) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608 - a name of ours


@pytest.mark.parametrize("spelt", ["plain", "parent", "link to the folder", "link to the file"])
@pytest.mark.parametrize("again", ["plain", "parent", "link to the folder", "link to the file"])
def test_a_rescue_file_is_found_however_the_path_is_spelt(
    path: Path, lasting: Path, tmp_path: Path, spelt: str, again: str
) -> None:
    (tmp_path / "other").symlink_to(path.parent, target_is_directory=True)
    (tmp_path / "link.db").symlink_to(path)
    spellings = {
        "plain": path,
        "parent": lasting / ".." / "bench" / path.name,
        "link to the folder": tmp_path / "other" / path.name,
        "link to the file": tmp_path / "link.db",
    }
    attempt = an_attempt(path)
    file = waiting(lasting, spellings[spelt], attempt, polls(attempt, 2))
    found = opened(spellings[again], lasting)
    assert "2 rows of it were in a rescue file" in found.taken_in[0]
    assert not file.exists()
    assert count(path, "polls") == 2


def test_a_rescue_file_of_another_logbook_of_that_name_is_told_of(path: Path, lasting: Path, tmp_path: Path) -> None:
    attempt = an_attempt(path)
    file = waiting(lasting, tmp_path / path.name, attempt, polls(attempt, 2))
    found = opened(path, lasting)
    assert found.taken_in == (
        f"the rescue file {file} was left there: it is of another logbook, {tmp_path / path.name}",
    )
    assert found.not_taken_in == ()
    assert file.exists()


def test_many_rows_come_in_within_seconds_and_once(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(taking_in, "SAID_SECONDS", 0.0)
    attempt, many = an_attempt(path), 6000
    waiting(path.parent, path, attempt, polls(attempt, many))
    began = time.process_time()
    found = opened(path)
    assert time.process_time() - began < 6.0, "each compared with each took longer, by far"
    assert f"{many} rows of it were in a rescue file" in found.taken_in[0]
    assert "It took" in found.taken_in[0]
    assert count(path, "polls") == many
    waiting(path.parent, path, attempt, polls(attempt, many))
    assert "nothing was missing" in opened(path).taken_in[0]
    assert count(path, "polls") == many
    assert read(path, audit).sound


def test_another_attempt_writes_while_many_rows_come_in(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(taking_in, "PORTION", 10)
    attempt = an_attempt(path)
    waiting(path.parent, path, attempt, polls(attempt, 35))
    write, sizes = taking_in._write_portion, []

    def writing(into: Any, made: Any, *more: Any) -> int:
        with closing(sqlite3.connect(path, isolation_level=None, timeout=0)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            connection.execute("ROLLBACK")
        sizes.append(len(made))
        return write(into, made, *more)

    monkeypatch.setattr(taking_in, "_write_portion", writing)
    opened(path)
    assert sizes == [10, 10, 10, 5]
    assert count(path, "polls") == 35
    assert read(path, audit).sound


def test_what_was_interrupted_goes_on_the_next_time(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(taking_in, "PORTION", 10)
    attempt = an_attempt(path)
    lines = polls(attempt, 35)
    bad = [*lines[:30], {**lines[30], "row": {**lines[30]["row"], "is_on": 7}}, *lines[31:]]
    file = waiting(path.parent, path, attempt, bad)
    found = opened(path)
    assert "CHECK constraint failed" in found.taken_in[0]
    assert "after 30 rows were); it was left there" in found.taken_in[0]
    assert "nothing runs unattended with this logbook" in found.taken_in[0]
    assert found.not_taken_in == (file,)
    file.unlink()
    waiting(path.parent, path, attempt, lines)
    assert "5 rows of it" in opened(path).taken_in[0]
    assert count(path, "polls") == 35
    assert read(path, audit).sound


def test_a_file_that_cannot_be_taken_in_is_known_to_the_history(path: Path) -> None:
    an_attempt(path)
    file = path.with_name(f"{path.name}.rescue-00000000.jsonl")
    file.write_text('{"rescue": 2}\n')
    with LogbookRecord(open_for_writing(path), simulated=False) as record:
        for serial in ("MBL-0001", "MBL-0002"):
            assert record.history(serial).not_taken_in == (str(file),)
        assert record.history("MBL-0001").first_power_passed
    file.unlink()
    with LogbookRecord(open_for_writing(path), simulated=False) as record:
        assert record.history("MBL-0001").not_taken_in == ()


@pytest.mark.skipif(os.name == "nt", reason="a link to nowhere is a name that cannot be opened")
def test_a_file_that_is_no_file_is_told_of_and_known(path: Path) -> None:
    an_attempt(path)
    folder = path.with_name(f"{path.name}.rescue-00000000.jsonl")
    folder.mkdir()
    found = opened(path)
    assert f"the rescue file {folder} cannot be read" in found.taken_in[0]
    assert found.not_taken_in == (folder,)


def test_an_attempt_copied_to_lines_comes_in_whole(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        attempt = add_attempt(record, start(), [ohms(), volts()], result=AttemptResult.FAILED, trip_at=103.5)
    with closing(sqlite3.connect(path)) as connection:
        lines = list(attempt_lines(connection, attempt))
    new = path.with_name("new.db")
    waiting(path.parent, new, attempt, lines)
    opened(new)
    for table in ("attempts", "steps", "readings", "instruments", "attempt_sources", "sources", "units"):
        assert count(new, table) == count(path, table) > 0
    assert count(new, "events") == count(path, "events") + 1
    assert read(new, audit).sound


def test_an_empty_rescue_file_of_any_logbook_is_removed_from_the_users_folder(path: Path, lasting: Path) -> None:
    other = path.with_name("other.db")
    empty = waiting(lasting, other, "1", [])
    holding = waiting(lasting, other, "2", [{"insert": "events", "row": {}}])
    making = lasting / "other.db.rescue-00000000.jsonl"
    making.write_bytes(b"\0" * 100)  # made, and its first line not written yet
    beside = waiting(path.parent, other, "4", [])
    going = RescueFile.make(lasting, other, {"attempt": "3", "serial": "MBL-0001", "made": "now"})

    opened(path, lasting)

    assert not empty.exists()
    assert all(each.exists() for each in (holding, making, beside, going.path))
    going.close()
    opened(path, lasting)
    assert sorted(lasting.iterdir()) == sorted([holding, making])


def comes_in_late(path: Path, begin: AttemptStart, taken: Sequence[Reading] = (), **more: Any) -> str:
    """Make an attempt that the logbook learns of from a rescue file only; return its id."""
    away = path.with_name("away.db")
    with LogbookRecord.open(away, simulated=False) as record:
        attempt = add_attempt(record, begin, taken, **more)
    with closing(sqlite3.connect(away)) as connection:
        lines = list(attempt_lines(connection, attempt))
    away.unlink()
    waiting(path.parent, path, attempt, lines)
    assert "rows of it were in a rescue file" in opened(path).taken_in[0]
    return attempt


def history(path: Path) -> UnitHistory:
    with LogbookRecord.open(path, simulated=False) as record:
        return record.history("MBL-0001")


def last(path: Path) -> str | None:
    logbook = open_for_writing(path)
    with closing(logbook.connection):
        found = last_attempt(logbook, "MBL-0001", simulated=False)
    return None if found is None else found.id


def here(path: Path, begin: AttemptStart, taken: Sequence[Reading] = (), **more: Any) -> str:
    with LogbookRecord.open(path, simulated=False) as record:
        return add_attempt(record, begin, taken, **more)


HOUR = timedelta(hours=1)
TRIPPED: dict[str, Any] = {"result": AttemptResult.FAILED, "trip_at": 103.5}


def test_an_attempt_from_before_a_trip_vouches_for_nothing_after_it_when_it_comes_in_late(path: Path) -> None:
    trip = here(path, start(at=NOON), **TRIPPED)
    comes_in_late(path, start(at=NOON - HOUR), [ohms()])
    assert history(path) == UnitHistory(known=True)
    assert last(path) == trip


def test_an_attempt_from_after_a_trip_vouches_when_it_comes_in_late(path: Path) -> None:
    here(path, start(at=NOON), **TRIPPED)
    late = comes_in_late(path, start(at=NOON + HOUR), [ohms()])
    after = history(path)
    assert (after.first_power_passed, after.resistance_seen) == (True, frozenset({"3V3"}))
    assert last(path) == late


def test_a_trip_that_comes_in_late_undoes_whatever_was_written_before(path: Path) -> None:
    later = here(path, start(at=NOON), [ohms()])
    assert history(path).first_power_passed
    comes_in_late(path, start(at=NOON - HOUR), **TRIPPED)
    assert history(path) == UnitHistory(known=True)
    assert last(path) == later
    here(path, start(at=NOON + HOUR), [ohms()])
    assert history(path).first_power_passed


@pytest.mark.parametrize("set_back", [timedelta(0), HOUR, timedelta(days=9000)])
def test_a_clock_that_was_set_back_makes_no_trip_vanish_and_none_last_for_ever(path: Path, set_back: timedelta) -> None:
    here(path, start(at=NOON), [ohms()])
    here(path, start(at=NOON - set_back), **TRIPPED)
    assert history(path) == UnitHistory(known=True)
    again = here(path, start(at=NOON - 2 * set_back), [ohms("12V0")])
    after = history(path)
    assert (after.first_power_passed, after.resistance_seen) == (True, frozenset({"12V0"}))
    assert last(path) == again


def test_a_pass_that_comes_in_late_does_not_outrank_a_later_failure(path: Path) -> None:
    here(path, start(at=NOON), [ohms("3V3", Result.FAIL), ohms("5V0")], result=AttemptResult.FAILED)
    comes_in_late(path, start(at=NOON - HOUR), [ohms("3V3"), ohms("5V0", Result.FAIL)])
    assert history(path).resistance_seen == frozenset(), "nor is a failure forgotten"


def test_of_several_that_come_in_late_the_one_begun_last_is_the_last(path: Path) -> None:
    newest = comes_in_late(path, start(at=NOON + HOUR))
    comes_in_late(path, start(at=NOON))
    assert last(path) == newest


@pytest.mark.parametrize(("here_result", "late_result"), [("pass", "fail"), ("fail", "pass"), ("pass", "pass")])
@pytest.mark.parametrize("later", [HOUR, -HOUR])
def test_an_irreversible_step_passed_only_where_nothing_says_otherwise(
    path: Path, here_result: str, late_result: str, later: timedelta
) -> None:
    def ended(place: Path, at: datetime, result: str) -> str:
        with LogbookRecord.open(place, simulated=False) as record:
            attempt = record.begin(start(at=at))
            data = {"name": "fuses", "what": "abc", "result": result}
            record.event(IRREVERSIBLE_ENDED, "fuses", at=at, monotonic=104.0, data=data)
            record.end(AttemptResult.PASSED, "", at=at, off_verified=True)
        return attempt

    ended(path, NOON, here_result)
    away = path.with_name("away.db")
    late = ended(away, NOON + later, late_result)
    with closing(sqlite3.connect(away)) as connection:
        waiting(path.parent, path, late, list(attempt_lines(connection, late)))
    once = history(path).irreversible["fuses"]
    outcome = {NOON: here_result, NOON + later: late_result}
    newest = outcome[max(outcome)]
    assert once.passed == (newest == "pass" and late_result == "pass")


# The first and the last attempt, which `standing` shows and `--continue` goes on from


def first_and_last(path: Path) -> tuple[str, str]:
    """Return which attempts count as the unit's first and last; every question says the same."""
    (unit,) = read(path, lambda connection: standing(connection, Filters()))
    (story,) = read(path, lambda connection: told(connection, "MBL-0001"))
    assert last(path) == unit.last.id == story.last
    return unit.first.id, unit.last.id


def test_a_clock_that_was_set_back_changes_nothing_of_which_attempt_is_the_last(path: Path) -> None:
    before = here(path, start(at=NOON), result=AttemptResult.FAILED)
    after = here(path, start(at=NOON - HOUR))

    assert first_and_last(path) == (before, after)


def test_an_attempt_that_comes_in_late_is_placed_by_the_clock(path: Path) -> None:
    middle = here(path, start(at=NOON))
    early = comes_in_late(path, start(at=NOON - HOUR))
    assert first_and_last(path) == (early, middle)
    later = comes_in_late(path, start(at=NOON + HOUR))
    assert first_and_last(path) == (early, later)


def test_one_that_comes_in_late_after_the_clock_was_set_back_is_neither_first_nor_last(path: Path) -> None:
    before = here(path, start(at=NOON))
    after = here(path, start(at=NOON - 2 * HOUR))
    comes_in_late(path, start(at=NOON - HOUR))

    assert first_and_last(path) == (before, after)


def test_an_attempt_that_only_in_part_came_in_late_gives_way_to_the_next(path: Path) -> None:
    here(path, start(at=NOON))
    opening = comes_in_late(path, start(at=NOON + HOUR), [ohms()])
    after = here(path, start(at=NOON + HOUR / 2))

    assert first_and_last(path)[1] == after != opening
