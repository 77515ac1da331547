# ruff: noqa: S608 - the SQL of these tests is put together from the names of our own tables
"""Tamper evidence: whatever is changed in a logbook by something else is found, with the attempt it belongs to."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import struct
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from bringup.commands.main import main
from bringup.core.deviations import Decision, Observation, Photo, Rework, Severity, Target
from bringup.core.words import AttemptResult, StepOutcome
from bringup.errors import CommandError, ExitCode, LogbookError
from bringup.logbook import chain, migrations
from bringup.logbook.additions import opened, write
from bringup.logbook.audit import Audit, audit
from bringup.logbook.breaking_off import mark_broken_off
from bringup.logbook.chain import COVERED, NOT_COVERED, Chain
from bringup.logbook.deviation_statements import (
    Entered,
    disposition_statement,
    observation_statements,
    part_statement,
    photo_statement,
    picture_statement,
    reference_statement,
    rework_statement,
    withdrawal_statement,
)
from bringup.logbook.encoding import Cell, encode_row, link_hash, row_hash, seed
from bringup.logbook.filters import Filters
from bringup.logbook.opening import open_for_writing
from bringup.logbook.queries import attempts
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.tables import MIGRATIONS
from bringup.logbook.version import CHAINED
from bringup.runner.records import LineText, PollSample
from tests.logbook_samples import MEASURE, NOON, add_attempt, filled_logbook, ohms, start, volts

ORDERED = [table for table, key in COVERED.items() if not key]


def audited(path: Path, asked: str | None = None) -> Audit:
    return read(path, lambda connection: audit(connection, asked))


def write_all_kinds(path: Path) -> dict[str, str]:
    """Fill a logbook so that every covered table has several rows; one attempt is broken off by somebody else."""
    ids = filled_logbook(path)
    write_deviations(path, ids)
    with LogbookRecord.open(path, simulated=False) as record:
        ids["long"] = record.begin(start("MBL-0004"))
        for number in range(4):
            record.sample(MEASURE, "VIN current", "A", NOON, 106.0 + number, 0.08 + number / 1000, "+8.12E-2")
            record.event("override", f"reason {number}", at=NOON, monotonic=107.0, data={"why": "same leads"})
            record.note(f"note {number}", at=NOON, step=MEASURE)
        record.polls([PollSample(106.0 + number, 1, 24.0, 0.08, on=True, mode="voltage") for number in range(4)])
        record.line_texts([LineText(MEASURE, "console", NOON, 106.0 + number, "ready\r\n") for number in range(4)])
        record.reading(volts())
    mark_broken_off(path, ids["long"], "killed", off_verified=True, at=NOON)
    return ids


def write_deviations(path: Path, ids: dict[str, str]) -> None:
    """Two of everything that is entered outside of attempts."""
    with opened(path) as logbook:
        readings = [row[0] for row in logbook.connection.execute("SELECT id FROM readings ORDER BY seq LIMIT 2")]
        for number, reading in enumerate(readings):
            entered = Entered("MBL-0001", simulated=False, at=NOON, who=f"ada {number}")
            seen = Observation(f"seen {number}", Severity.MUST, Target.DESIGN, (reading,))
            rework = Rework(f"R{number}", "", "10 kΩ", "too high", ("3V3",))
            digest = hashlib.sha256(bytes([number])).hexdigest()
            write(
                logbook,
                [
                    rework_statement(entered, rework, follows=ids["0001"]),
                    *observation_statements(entered, seen, "Mooring buoy logger", "B"),
                    picture_statement(digest, "png", (number + 1, 2), 1),
                    part_statement(digest, 0, bytes([number])),
                    photo_statement(entered, Photo(f"top {number}.png"), digest),
                    disposition_statement(entered, Decision.WAIVER, f"as agreed {number}", reading),
                    reference_statement(entered, "known to be good", ids["0001"], withdrawn=bool(number)),
                    withdrawal_statement(entered, "note", f"{number:032}", "another unit"),
                ],
            )


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("audit") / "whole.db"
    write_all_kinds(path)
    return path


@pytest.fixture
def path(tmp_path: Path, whole: Path) -> Path:
    copy = tmp_path / "bringup.db"
    copy.write_bytes(whole.read_bytes())
    return copy


def tamper(path: Path, *statements: str) -> None:
    """Change the file as somebody with a database browser would, whom no rule of the tables stops."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute("PRAGMA ignore_check_constraints = ON")
        for statement in statements:
            assert connection.execute(statement).rowcount != 0, f"nothing was changed by {statement}"
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def first(path: Path) -> tuple[str, str, str | None]:
    """What the audit names first: what happened, the table, the attempt."""
    found = audited(path)
    assert not found.sound
    return found.findings[0].what, found.findings[0].table, found.findings[0].attempt


def test_every_table_is_covered_or_says_why_not(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert tables == {*COVERED, *NOT_COVERED}
    assert not set(COVERED) & set(NOT_COVERED)


def test_columns_added_to_covered_tables_later_have_no_default(path: Path) -> None:
    """A NULL is left out of the hash, so that older rows keep theirs; a default would change them all."""
    with closing(sqlite3.connect(path)) as connection:
        for table in COVERED:
            (made,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = ?", (table,)).fetchone()
            original = next(text for each in MIGRATIONS for text in each.statements if f"CREATE TABLE {table} " in text)
            for row in connection.execute(f"PRAGMA table_info({table})"):
                if f" {row[1]} " not in original:
                    assert (row[3], row[4]) == (0, None), f"{table}.{row[1]} in {made}"


def test_a_logbook_that_only_bringup_wrote_is_sound(path: Path) -> None:
    found = audited(path)
    assert found.findings == ()
    assert found.attempts == 6
    with closing(sqlite3.connect(path)) as connection:
        rows = sum(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in COVERED)
        assert all(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] > 1 for table in COVERED)
    assert (found.rows, found.old_rows) == (rows, 0)


def test_the_hash_of_a_row_can_be_recomputed_from_the_description(path: Path) -> None:
    """By hand, from the text at the top of encoding.py alone."""

    def net(content: bytes) -> bytes:
        return str(len(content)).encode() + b":" + content + b","

    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        row = connection.execute("SELECT * FROM samples ORDER BY seq LIMIT 1").fetchone()
        entry = connection.execute("SELECT * FROM chain WHERE covers = 'samples' ORDER BY seq LIMIT 1").fetchone()
        before = connection.execute("SELECT link FROM chain WHERE seq = ?", (entry["seq"] - 1,)).fetchone()
    cells = {
        "at": b"t2026-11-25T12:00:00.000000Z",
        "attempt": b"t" + row["attempt"].encode(),
        "channel": b"tVIN current",
        "monotonic": b"r" + struct.pack(">d", 106.0),
        "raw": b"t+8.12E-2",
        "step": b"i5",
        "unit": b"tA",
        "value": b"r" + struct.pack(">d", 0.08),
    }
    text = net(b"samples") + b"".join(net(name.encode()) + net(cell) for name, cell in cells.items())
    digest = hashlib.sha256(text).digest()
    assert entry["hash"] == digest
    parts = (before["link"], b"samples", b"", row["attempt"].encode(), b"0", digest)
    assert entry["link"] == hashlib.sha256(b"".join(map(net, parts))).digest()


def test_types_and_neighbouring_columns_are_told_apart() -> None:
    names = ("a", "b")
    cells: list[Cell] = [1, 1.0, "1", b"1"]
    seen = [encode_row("t", names, (cell, None)) for cell in cells] + [encode_row("t", names, (None, 1))]
    seen += [encode_row("t", names, ("x", "y")), encode_row("t", names, ("xy", "")), encode_row("u", names, ("x", "y"))]
    assert len(set(seen)) == len(seen)
    assert encode_row("t", ("b", "a"), (2, 1)) == encode_row("t", ("a", "b"), (1, 2)), "the order of columns is free"


@pytest.mark.parametrize("value", [0.0, -0.0, 5e-324, 1e16, 3, -7, 1.7976931348623157e308])
def test_a_number_is_hashed_as_it_is_stored(tmp_path: Path, value: float) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        record.sample(MEASURE, "VIN current", "A", NOON, 106, value, "")
        record.reading(replace(volts(3.3), lowest=value))
    assert audited(path).findings == ()


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_single_change_is_found_and_names_the_attempt(whole: Path, tmp_path: Path, data: st.DataObject) -> None:
    path = tmp_path / "tampered.db"
    path.write_bytes(whole.read_bytes())
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute("PRAGMA ignore_check_constraints = ON")
        table = data.draw(st.sampled_from(sorted(COVERED)))
        rows = connection.execute(f"SELECT rowid AS place, * FROM {table} ORDER BY rowid").fetchall()
        row = data.draw(st.sampled_from(rows))
        act = data.draw(st.sampled_from(["update", "delete", "insert", "swap"]))
        try:
            concerned = ACTS[act](connection, table, row, data)
        except sqlite3.IntegrityError:
            assume(False)
    found = audited(path)
    assert not found.sound
    named = {finding.attempt for finding in found.findings}
    assert concerned & named, f"{act} in {table}: {found.findings}"
    assert found.findings[0].attempt in concerned


OF_NO_ATTEMPT = ("observation_readings", "pictures", "picture_parts")
"""Tables without a column for it, written outside of attempts here."""


def owners(table: str, *rows: Any) -> set[str | None]:
    """The attempts that rows belong to; of what several share, whichever wrote it."""
    if table in OF_NO_ATTEMPT:
        return {None}
    column = {"attempts": "id", "units": None, "sources": None}.get(table, "attempt")
    return {row[column] for row in rows} if column else ANY_ATTEMPT


class _Anything(set[str | None]):
    def __and__(self, other: object) -> set[str | None]:
        return {each for each in other if each} if isinstance(other, set) else set()

    def __contains__(self, item: object) -> bool:
        return item is not None


ANY_ATTEMPT = _Anything()


def update(connection: sqlite3.Connection, table: str, row: Any, data: st.DataObject) -> set[str | None]:
    names = [name for name in row.keys() if name not in ("place", "seq")]  # noqa: SIM118 - a Row iterates its values
    name = data.draw(st.sampled_from(names))
    kinds = {each[1]: each[2] for each in connection.execute(f"PRAGMA table_info({table})")}
    values: dict[str, st.SearchStrategy[Any]] = {
        "TEXT": st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=5),
        "INTEGER": st.integers(-(2**63), 2**63 - 1),
        "REAL": st.floats(allow_nan=False, allow_infinity=False),
        "BLOB": st.binary(max_size=5),
    }
    value = data.draw(st.none() | values[kinds[name]])
    assume(value != row[name])
    connection.execute(f"UPDATE {table} SET {name} = ? WHERE rowid = ?", (value, row["place"]))
    return owners(table, row)


def delete(connection: sqlite3.Connection, table: str, row: Any, data: st.DataObject) -> set[str | None]:
    del data
    connection.execute(f"DELETE FROM {table} WHERE rowid = ?", (row["place"],))
    return owners(table, row)


def insert(connection: sqlite3.Connection, table: str, row: Any, data: st.DataObject) -> set[str | None]:
    """A row like another one, with a name of its own."""
    names = [name for name in row.keys() if name not in ("place", "seq")]  # noqa: SIM118 - as above
    cells = {name: row[name] for name in names}
    for name in COVERED[table][-1:]:
        cells[name] = data.draw(st.integers(10, 99)) if isinstance(cells[name], int) else "forged"
    marks = ", ".join("?" * len(cells))
    connection.execute(f"INSERT INTO {table} ({', '.join(cells)}) VALUES ({marks})", tuple(cells.values()))
    if table in ("units", "sources"):
        return {None}
    return {"forged"} if table == "attempts" else owners(table, row)


def swap(connection: sqlite3.Connection, table: str, row: Any, data: st.DataObject) -> set[str | None]:
    """The contents of two rows change places; their names stay."""
    rows = connection.execute(f"SELECT rowid AS place, * FROM {table} ORDER BY rowid").fetchall()
    other = data.draw(st.sampled_from(rows))
    names = [name for name in row.keys() if name not in ("place", "seq", *COVERED[table])]  # noqa: SIM118 - as above
    assume(any(row[name] != other[name] for name in names))
    places = ", ".join(f"{name} = ?" for name in names)
    for here, there in ((row, other), (other, row)):
        connection.execute(
            f"UPDATE {table} SET {places} WHERE rowid = ?", (*(there[name] for name in names), here["place"])
        )
    return owners(table, row, other)


ACTS = {"update": update, "delete": delete, "insert": insert, "swap": swap}


@pytest.mark.parametrize("column", ["attempt", "covers", "row", "old", "hash", "link", "origin", "seq"])
def test_a_change_to_the_chain_itself_is_found(path: Path, column: str) -> None:
    new = {"hash": "zeroblob(32)", "link": "zeroblob(32)", "covers": "'notes'", "row": "'x'", "seq": "100000"}
    tamper(path, f"UPDATE chain SET {column} = {new.get(column, f'{column} + 1')} WHERE seq = 40")
    assert not audited(path).sound


@pytest.mark.parametrize("column", ["id", "made", "number"])
def test_a_change_to_the_origin_is_found(path: Path, column: str) -> None:
    tamper(path, f"UPDATE origins SET {column} = {'7' if column == 'number' else f'{column} || 1'}")
    assert not audited(path).sound


@pytest.mark.parametrize("table", ["readings", "notes", "events", "samples", "polls"])
def test_rows_that_change_their_order_are_found(path: Path, table: str) -> None:
    tamper(path, f"UPDATE {table} SET seq = 1000 WHERE seq = 2")
    what, where, _ = first(path)
    assert where == table
    assert what in ("moved", "altered", "inserted", "removed")


def test_attempts_that_change_their_order_are_found(path: Path) -> None:
    tamper(path, "UPDATE attempts SET seq = 1000 WHERE seq = 2")
    assert first(path)[:2] == ("altered", "attempts")


def test_a_row_taken_out_with_its_hash_leaves_a_gap(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        place, number, key = connection.execute(
            "SELECT seq, attempt, row FROM chain WHERE covers = 'readings' ORDER BY seq LIMIT 1"
        ).fetchone()
        (attempt,) = connection.execute("SELECT id FROM attempts WHERE seq = ?", (number,)).fetchone()
    tamper(path, f"DELETE FROM readings WHERE id = '{key}'", f"DELETE FROM chain WHERE seq = {place}")
    found = audited(path)
    assert (found.findings[0].what, found.findings[0].row) == ("removed", f"entry {place} of the chain is missing")
    assert found.findings[0].attempt == attempt


def test_the_first_of_several_changes_is_named_first(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        ids = [row[0] for row in connection.execute("SELECT id FROM attempts ORDER BY seq")]
    tamper(
        path,
        f"UPDATE readings SET value = 3.3 WHERE attempt = '{ids[3]}'",
        f"UPDATE steps SET who = 'eve' WHERE attempt = '{ids[1]}'",
        f"DELETE FROM readings WHERE attempt = '{ids[2]}'",
    )
    assert first(path) == ("altered", "steps", ids[1])


def test_a_tail_cut_off_with_its_hashes_is_found_by_an_anchor_only(path: Path) -> None:
    before = audited(path)
    with closing(sqlite3.connect(path)) as connection:
        (place,) = connection.execute("SELECT max(seq) FROM chain WHERE covers = 'notes'").fetchone()
        (earlier,) = connection.execute("SELECT hex(link) FROM chain WHERE seq = ?", (place - 1,)).fetchone()
        (attempt,) = connection.execute("SELECT id FROM attempts ORDER BY seq DESC LIMIT 1").fetchone()
    tamper(
        path,
        f"DELETE FROM chain WHERE seq >= {place}",
        "DELETE FROM polls",
        "DELETE FROM line_texts",
        "DELETE FROM notes WHERE seq = (SELECT max(seq) FROM notes)",
        f"DELETE FROM readings WHERE attempt = '{attempt}'",
        "DELETE FROM events WHERE kind = 'guardian'",
        f"UPDATE attempts SET result = NULL, ended = NULL, cause = '', off_verified = NULL WHERE id = '{attempt}'",
    )
    after = audited(path)
    assert after.sound
    assert not audited(path, before.anchor).sound
    assert audited(path, earlier.lower()[:16]).sound


def test_an_anchor_is_a_hash(path: Path) -> None:
    for wrong in ("first", "12345", "g" * 64):
        with pytest.raises(CommandError, match="is no hash of a logbook"):
            audited(path, wrong)


def test_an_attempt_has_its_hash_and_it_is_an_anchor(path: Path) -> None:
    told = {attempt.id: attempt.as_json()["anchor"] for attempt in read(path, lambda c: attempts(c, Filters()))}
    with closing(sqlite3.connect(path)) as connection:
        for (attempt,) in connection.execute("SELECT id FROM attempts").fetchall():
            anchor = chain.anchor(connection, attempt)
            assert anchor is not None
            assert audited(path, anchor).sound
            assert told[attempt] == anchor
        assert chain.anchor(connection, "none") is None


def older(path: Path) -> None:
    """Make a logbook as it was before the chain, and bring it up to date."""
    before = tuple(each for each in MIGRATIONS if each.number < CHAINED)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        migrations.bring_up_to_date(connection, path, before)
        connection.execute("INSERT INTO units VALUES ('MBL-0001', 0, 'Mooring buoy logger', 'B', '', '')")
        connection.execute(
            "INSERT INTO notes (id, serial, simulated, at, who, content)"
            " VALUES ('n', 'MBL-0001', 0, '2026-11-25T09:04:05.123456Z', 'ada', 'scratched')"
        )
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start(), [ohms(), volts()], result=AttemptResult.PASSED)


def test_rows_from_before_the_chain_are_marked_and_covered_from_then_on(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    older(path)
    found = audited(path)
    assert found.findings == ()
    assert found.old_rows == 2
    tamper(path, "UPDATE notes SET content = 'immaculate'")
    assert first(path) == ("altered", "notes", None)


def test_two_writers_by_turns_make_one_chain(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as one, LogbookRecord.open(path, simulated=False) as other:
        one.begin(start("MBL-0001"))
        other.begin(start("MBL-0002"))
        for _ in range(3):
            one.reading(volts())
            other.reading(volts())
            other.reading(volts())
    assert audited(path).findings == ()


def test_a_write_that_fails_leaves_no_hash(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        reading = volts()
        record.reading(reading)
        with pytest.raises(LogbookError, match="breaks a rule"):
            record.reading(reading)
        record.reading(volts())
    assert audited(path).findings == ()


def test_a_statement_on_another_table_is_refused(path: Path) -> None:
    with closing(open_for_writing(path).connection) as connection:
        for statement in ("INSERT INTO chain (seq) VALUES (?)", "DELETE FROM readings"):
            with pytest.raises(LogbookError, match="is no part of the chain"):
                Chain(connection).write([(statement, ())], None)


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str]]:
    def ask(path: Path, *arguments: str) -> tuple[int, str]:
        code = main(["audit", "--logbook", str(path), *arguments])
        captured = capsys.readouterr()
        return code, captured.out + captured.err

    return ask


def test_the_command_says_sound_and_prints_the_last_hash(path: Path, said: Callable[..., tuple[int, str]]) -> None:
    code, text = said(path)
    assert code == ExitCode.PASSED
    assert "rows of 6 attempts are as they were written" in text
    assert f"Covered: {', '.join(COVERED)}." in text
    assert f"Last hash: {audited(path).anchor}" in text
    assert "cut off or written anew" in text


def test_the_command_names_the_first_attempt_and_row(path: Path, said: Callable[..., tuple[int, str]]) -> None:
    with closing(sqlite3.connect(path)) as connection:
        attempt, key = connection.execute("SELECT attempt, id FROM readings ORDER BY seq LIMIT 1").fetchone()
    tamper(path, f"UPDATE readings SET value = 3.3 WHERE id = '{key}'")
    code, text = said(path)
    assert code == ExitCode.FAILED
    assert "NOT as it was written. 1 thing differs:" in text
    assert f"first: attempt {attempt[:8]} of MBL-0001: readings, {key}: altered" in text
    code, text = said(path, "--json")
    assert code == ExitCode.FAILED
    finding = {"what": "altered", "table": "readings", "row": key, "attempt": attempt, "serial": "MBL-0001"}
    assert json.loads(text)["findings"] == [finding]


def test_the_command_says_whether_an_anchor_is_in_the_chain(path: Path, said: Callable[..., tuple[int, str]]) -> None:
    anchor = audited(path).anchor
    code, text = said(path, "--anchor", anchor)
    assert code == ExitCode.PASSED
    assert f"The hash {anchor} is in the chain; 0 hashes came after it." in text
    code, text = said(path, "--anchor", "0" * 64)
    assert code == ExitCode.FAILED
    assert "is NOT in the chain" in text
    assert json.loads(said(path, "--json", "--anchor", "0" * 64)[1])["anchor_found"] is False


def test_what_is_no_logbook_is_refused(tmp_path: Path, said: Callable[..., tuple[int, str]]) -> None:
    (tmp_path / "notes.txt").write_text("3V3 looked low. " * 40)
    assert said(tmp_path / "notes.txt")[0] == ExitCode.REFUSED
    assert said(tmp_path / "none.db")[0] == ExitCode.REFUSED


def forge(path: Path, attempt: str | None, *made: tuple[str, tuple[Any, ...]]) -> None:
    """Change rows and write fitting hashes for them, as somebody who has the tool's code can."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("BEGIN")
        assert Chain(connection).write(made, attempt)
        connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def a_reading(path: Path) -> tuple[str, str]:
    """The id and the attempt of a reading in an attempt that has ended."""
    with closing(sqlite3.connect(path)) as connection:
        found: tuple[str, str] = connection.execute("SELECT id, attempt FROM readings ORDER BY seq LIMIT 1").fetchone()
        return found


CHANGES = {
    "readings": "UPDATE readings SET value = 3.3 WHERE id = ?",
    "steps": "UPDATE steps SET result = 'pass', who = 'eve' WHERE attempt = ? AND step = 1",
    "attempts": "UPDATE attempts SET cause = 'none' WHERE id = ?",
    "instruments": "UPDATE instruments SET calibration_due = '2030-01-01' WHERE attempt = ?",
    "attempt_sources": "UPDATE attempt_sources SET sha256 = (SELECT max(sha256) FROM sources) WHERE attempt = ?",
    "units": "UPDATE units SET lot = 'L2' WHERE serial <> ?",
    "notes": "UPDATE notes SET content = 'nothing' WHERE attempt <> ?",
    "sources": "UPDATE sources SET content = content || ? WHERE length(content) < 40",
}


@pytest.mark.parametrize("table", CHANGES)
def test_a_row_changed_with_a_fitting_hash_is_found_without_any_anchor(path: Path, table: str) -> None:
    before = audited(path).anchor
    reading, attempt = a_reading(path)
    forge(path, attempt, (CHANGES[table], (reading if table == "readings" else attempt,)))
    for found in (audited(path), audited(path, before)):
        assert not found.sound
        assert found.findings[0].table == table
        assert ("without a new attempt" if table == "units" else "written again") in found.findings[0].row


@pytest.mark.parametrize("table", ["readings", "samples", "polls", "steps", "instruments"])
def test_a_row_added_to_an_attempt_that_has_ended_is_found(path: Path, table: str) -> None:
    _, attempt = a_reading(path)
    with closing(sqlite3.connect(path)) as connection:
        cursor = connection.execute(f"SELECT * FROM {table} ORDER BY rowid LIMIT 1")
        row = dict(zip((column[0] for column in cursor.description), cursor.fetchone(), strict=True))
    row.pop("seq", None)
    names: dict[str, dict[str, Any]] = {
        "readings": {"id": "forged"},
        "instruments": {"role": "forged"},
        "steps": {"step": 77},
    }
    row |= {"attempt": attempt, **names.get(table, {})}
    marks = ", ".join("?" * len(row))
    statement = f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})"
    forge(path, attempt, (statement, tuple(row.values())))
    assert first(path) == ("inserted", table, attempt)
    assert "written after the attempt had ended" in audited(path).findings[0].row


def test_an_entry_on_the_account_of_another_attempt_is_found(path: Path) -> None:
    """The one that was closed by the guardian may still have been written to; no other one."""
    reading, _ = a_reading(path)
    with closing(sqlite3.connect(path)) as connection:
        (other,) = connection.execute("SELECT attempt FROM events WHERE kind = 'guardian'").fetchone()
        cursor = connection.execute("SELECT * FROM readings WHERE id = ?", (reading,))
        row = dict(zip((column[0] for column in cursor.description), cursor.fetchone(), strict=True))
    row = {name: cell for name, cell in row.items() if name != "seq"} | {"id": "forged"}
    statement = f"INSERT INTO readings ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})"
    forge(path, other, (statement, tuple(row.values())))
    assert first(path)[:2] == ("altered", "readings")
    assert "put to another attempt's account" in audited(path).findings[0].row


def test_an_attempt_closed_by_the_guardian_does_not_change_after_an_anchor(path: Path) -> None:
    anchor = audited(path).anchor
    with closing(sqlite3.connect(path)) as connection:
        (attempt,) = connection.execute("SELECT attempt FROM events WHERE kind = 'guardian'").fetchone()
    forge(path, attempt, ("UPDATE attempts SET result = 'passed' WHERE id = ?", (attempt,)))
    assert audited(path).sound, "its own process may have gone on, for all that the logbook knows"
    found = audited(path, anchor)
    assert (found.findings[0].table, found.findings[0].attempt) == ("attempts", attempt)


def test_another_origin_is_found(path: Path) -> None:
    anchor = audited(path).anchor
    tamper(path, "INSERT INTO origins (number, id, made) VALUES (2, 'ff', '2026-11-25T00:00:00.000000Z')")
    found = audited(path, anchor)
    assert [(each.what, each.table) for each in found.findings] == [("inserted", "origins")]


def test_an_entry_of_another_origin_vouches_for_nothing(path: Path) -> None:
    reading, attempt = a_reading(path)
    anchor = audited(path).anchor
    made = "2026-11-25T00:00:00.000000Z"
    tamper(
        path,
        f"INSERT INTO origins (number, id, made) VALUES (2, 'ff', '{made}')",
        f"UPDATE readings SET value = 3.3 WHERE id = '{reading}'",
    )
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        cursor = connection.execute("SELECT * FROM readings WHERE id = ?", (reading,))
        digest = row_hash("readings", tuple(column[0] for column in cursor.description), cursor.fetchone())
        link = link_hash(seed("ff", made), "readings", reading, attempt, digest, old=False)
        connection.execute(
            "INSERT INTO chain SELECT max(seq) + 1, 2, (SELECT seq FROM attempts WHERE id = ?), 'readings', ?, 0, ?, ?"
            " FROM chain",
            (attempt, reading, digest, link),
        )
    found = audited(path, anchor)
    assert [(each.what, each.table) for each in found.findings] == [
        ("altered", "readings"),
        ("inserted", "chain"),
    ]


def test_rows_from_before_the_chain_come_first_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    older(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        (attempt,) = connection.execute("SELECT id FROM attempts").fetchone()
        connection.execute("INSERT INTO polls (attempt, monotonic, output) VALUES (?, 1.0, 1)", (attempt,))
        cursor = connection.execute("SELECT * FROM polls")
        names = tuple(column[0] for column in cursor.description)
        Chain(connection).append([("polls", None, attempt, row_hash("polls", names, cursor.fetchone()))], old=True)
    assert first(path) == ("inserted", "polls", attempt)
    assert "as if it were from before the hashes" in audited(path).findings[0].row


def test_what_the_tool_writes_late_is_sound(tmp_path: Path) -> None:
    """Left open, closed by somebody else, gone on with all the same, ended, and begun again on the same unit."""
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        attempt = record.begin(start())
        record.step_begun(MEASURE, NOON, 104.0)
        mark_broken_off(path, attempt, "killed", off_verified=True, at=NOON)
        record.reading(volts())
        record.step_ended(MEASURE, StepOutcome.DONE, "pass", at=NOON)
        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=True)
        mark_broken_off(path, attempt, "killed", off_verified=True, at=NOON)
        add_attempt(record, replace(start(), lot="L2", carried={0: attempt}), [ohms(), volts()])
    assert audited(path).findings == ()


@pytest.mark.parametrize("table", [*COVERED, *NOT_COVERED])
def test_a_table_that_is_not_there_is_a_finding(path: Path, table: str, said: Callable[..., tuple[int, str]]) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute(f"DROP TABLE {table}")
    code, text = said(path)
    assert code == ExitCode.FAILED
    assert f"the whole table {table}, or columns of it: removed" in text


@pytest.mark.parametrize(("table", "column"), [("chain", "link"), ("origins", "made"), ("readings", "id")])
def test_a_column_that_is_not_there_is_a_finding(path: Path, table: str, column: str) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(f"ALTER TABLE {table} RENAME COLUMN {column} TO other")
    assert first(path)[:2] == ("removed", table)
