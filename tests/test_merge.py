# ruff: noqa: S608 - the SQL of these tests is put together from the names of our own tables
"""Merging logbooks: whatever the order, a kill, a repetition or a copy that went on, nothing is lost or doubled."""

from __future__ import annotations

import itertools
import json
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections import Counter
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import bringup.logbook.merging as module
from bringup.commands.main import main
from bringup.core.deviations import Rework
from bringup.core.words import AttemptResult
from bringup.errors import ExitCode, LogbookError
from bringup.logbook.additions import opened, write
from bringup.logbook.audit import audit
from bringup.logbook.chain import COVERED
from bringup.logbook.deviation_statements import Entered, rework_statement
from bringup.logbook.encoding import row_hash
from bringup.logbook.filters import Filters
from bringup.logbook.merging import Merged, merge
from bringup.logbook.migrations import bring_up_to_date
from bringup.logbook.queries import attempts
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.standings import standing
from bringup.logbook.tables import MIGRATIONS
from tests.logbook_samples import MEASURE, NOON, add_attempt, ohms, start, volts
from tests.test_audit import write_all_kinds

LATER = timedelta(days=30)


def merged(into: Path, *files: Path) -> list[Merged]:
    return list(merge(into, files))


def contents(path: Path) -> dict[str, Counter[bytes]]:
    """Every row, by its hash, however it is numbered."""
    found = {}
    with closing(sqlite3.connect(path)) as connection:
        for table in COVERED:
            cursor = connection.execute(f"SELECT * FROM {table}")
            names = tuple(column[0] for column in cursor.description)
            found[table] = Counter(row_hash(table, names, row) for row in cursor)
    return found


def audits(path: Path) -> bool:
    found = read(path, audit)
    assert not found.findings, found.findings
    return found.sound


def add(path: Path, serial: str, *, days: int, lot: str = "L1", value: float = 3.31) -> str:
    """One attempt with a reading, a sample and an event."""
    with LogbookRecord.open(path, simulated=False) as record:
        begin = replace(start(serial, at=NOON + timedelta(days=days)), lot=lot)
        return add_attempt(record, begin, [ohms(), volts(value)], result=AttemptResult.PASSED)


@pytest.fixture(scope="module")
def benches(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ...]:
    """Three logbooks of three benches that share units and files; the third holds all kinds of rows."""
    folder = tmp_path_factory.mktemp("benches")
    corner, window, quay = (folder / f"{name}.db" for name in ("corner", "window", "quay"))
    add(corner, "MBL-0001", days=1)
    add(corner, "MBL-0005", days=9, lot="L2")
    add(window, "MBL-0001", days=3, lot="L7")
    add(window, "MBL-0006", days=2)
    add(window, "MBL-0005", days=5)
    write_all_kinds(quay)
    return corner, window, quay


def copied(benches: tuple[Path, ...], folder: Path) -> list[Path]:
    return [Path(shutil.copy(bench, folder / bench.name)) for bench in benches]


def test_merging_in_any_order_gives_the_same_logbook(benches: tuple[Path, ...], tmp_path: Path) -> None:
    found = []
    for number, order in enumerate(itertools.permutations(benches)):
        path = tmp_path / f"{number}.db"
        merged(path, *order)
        told = read(path, lambda connection: standing(connection, Filters()))
        found.append((contents(path), [each.as_json() | {"at": ""} for each in told]))
        assert audits(path)

    assert all(each[0] == found[0][0] for each in found)
    # The anchors are of the chains' own links, which are the same wherever they stand.
    assert all(each[1] == found[0][1] for each in found)
    assert sum(found[0][0]["attempts"].values()) == sum(sum(contents(each)["attempts"].values()) for each in benches)


def test_an_own_logbook_takes_in_others_and_goes_on(benches: tuple[Path, ...], tmp_path: Path) -> None:
    corner, window, quay = copied(benches, tmp_path)
    merged(corner, window)
    anchor = read(corner, audit).anchor
    own = add(corner, "MBL-0001", days=40)
    again = merged(corner, quay, window)

    assert audits(corner)
    assert read(corner, lambda connection: audit(connection, anchor)).asked_at is not None
    assert [each.attempts for each in again] == [6, 0]
    last = read(
        corner, lambda connection: attempts(connection, Filters(serial="MBL-0001", simulated=False, only="last"))
    )
    assert [each.id for each in last] == [own]


def test_merging_again_or_back_changes_nothing(benches: tuple[Path, ...], tmp_path: Path) -> None:
    corner, window, _ = copied(benches, tmp_path)
    merged(corner, window)
    before = contents(corner)
    assert [(each.attempts, each.rows) for each in merged(corner, window)] == [(0, 0)]
    merged(window, corner)

    assert [(each.attempts, each.rows) for each in merged(corner, window)] == [(0, 0)]
    assert contents(corner) == before == contents(window)
    assert audits(corner)
    assert audits(window)


def made_older(path: Path) -> None:
    """Take the latest tables and views away, which leaves the file as the version before them left it."""
    with closing(sqlite3.connect(path)) as connection:
        for what in ("VIEW reading_list", "VIEW attempt_list", "TABLE withdrawals", "TABLE kept_out"):
            connection.execute(f"DROP {what}")
        connection.execute("PRAGMA user_version = 11")


def test_a_logbook_of_an_older_version_is_merged_and_left_as_it_is(benches: tuple[Path, ...], tmp_path: Path) -> None:
    corner, window, _ = copied(benches, tmp_path)
    merged(tmp_path / "wanted.db", corner, window)
    made_older(corner)
    before = corner.read_bytes()

    merged(tmp_path / "all.db", corner, window)

    assert contents(tmp_path / "all.db") == contents(tmp_path / "wanted.db")
    assert audits(tmp_path / "all.db")
    assert corner.read_bytes() == before
    assert [(each.attempts, each.rows) for each in merged(tmp_path / "all.db", corner)] == [(0, 0)]


def test_a_logbook_from_before_there_were_hashes_is_refused(benches: tuple[Path, ...], tmp_path: Path) -> None:
    _, window, _ = copied(benches, tmp_path)
    with closing(sqlite3.connect(tmp_path / "old.db", isolation_level=None)) as connection:
        bring_up_to_date(connection, tmp_path / "old.db", MIGRATIONS[:2])

    with pytest.raises(LogbookError, match="has no hashes"):
        merged(window, tmp_path / "old.db")


def test_what_a_merged_logbook_got_since_is_taken_in(benches: tuple[Path, ...], tmp_path: Path) -> None:
    corner, window, _ = copied(benches, tmp_path)
    merged(corner, window)
    add(window, "MBL-0001", days=50, lot="L9")

    assert [each.attempts for each in merged(corner, window)] == [1]
    assert audits(corner)
    with closing(sqlite3.connect(corner)) as connection:
        assert connection.execute("SELECT lot FROM units WHERE serial = 'MBL-0001'").fetchall() == [("L9",)]


def test_after_a_kill_merging_again_ends_with_the_same(
    benches: tuple[Path, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    corner, _, quay = copied(benches, tmp_path)
    whole = tmp_path / "whole.db"
    merged(whole, corner, quay)
    monkeypatch.setattr(module, "PIECE", 20)

    class Killed(BaseException):
        """Stands for the end of the process: nothing after it runs."""

    pieces = 0
    for last in range(1, 30):

        def die(done: int, of: int, last: int = last) -> None:
            nonlocal pieces
            pieces += 1
            if pieces == last:
                raise Killed

        pieces = 0
        path = tmp_path / f"{last}.db"
        try:
            list(merge(path, [corner, quay], told=die))
        except Killed:
            assert audits(path)
            merged(path, corner, quay)
        assert contents(path) == contents(whole)
        if pieces < last:
            break
    assert pieces > 3


def test_a_file_that_somebody_begins_to_write_to_meanwhile_is_refused_and_nothing_torn_is_kept(
    benches: tuple[Path, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    corner, path = copied(benches, tmp_path)[0], tmp_path / "all.db"
    monkeypatch.setattr(module, "PIECE", 20)
    written: list[str] = []

    def write_once(done: int, of: int) -> None:
        assert done <= of
        if not written:
            written.append(add(corner, "MBL-0007", days=11))

    with pytest.raises(LogbookError, match=r"corner\.db: somebody writes to it"):
        list(merge(path, [corner], told=write_once))
    assert written
    assert audits(path)
    merged(path, corner)
    assert contents(path) == contents(corner)
    assert audits(path)


def test_copies_of_one_logbook_that_both_went_on_are_joined(benches: tuple[Path, ...], tmp_path: Path) -> None:
    corner, _, _ = copied(benches, tmp_path)
    laptop = Path(shutil.copy(corner, tmp_path / "laptop.db"))
    add(corner, "MBL-0001", days=60)
    add(laptop, "MBL-0001", days=61)
    one, other = tmp_path / "one.db", tmp_path / "other.db"

    merged(one, corner, laptop)
    merged(other, laptop, corner, laptop)
    assert [(each.attempts, each.conflicts) for each in merged(laptop, corner)] == [(1, ())]

    assert contents(one) == contents(other) == contents(laptop)
    assert all(map(audits, (one, other, laptop)))
    add(laptop, "MBL-0001", days=70)
    assert [each.attempts for each in merged(one, laptop)] == [1]
    assert audits(one)


def test_an_attempt_that_is_here_with_other_content_is_named_and_kept_out(
    benches: tuple[Path, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    corner, _, _ = copied(benches, tmp_path)
    laptop = Path(shutil.copy(corner, tmp_path / "laptop.db"))
    for path, value in ((corner, 3.31), (laptop, 3.32)):
        with LogbookRecord.open(path, simulated=False) as record:
            begun = start("MBL-0009", at=NOON + LATER)
            identity = record.begin(begun)
            record.reading(replace(volts(value), id="11111111-2222-4333-8444-555555555555"))
            record.end(AttemptResult.PASSED, "", at=NOON + LATER, off_verified=True)
    with opened(laptop) as logbook:
        entered = Entered("MBL-0009", simulated=False, at=NOON + LATER, who="bo")
        write(logbook, [rework_statement(entered, Rework("R1", "", "1 kΩ", "why", None), follows=identity)])
    kept = contents(corner)

    assert main(["merge", str(laptop), "--logbook", str(corner), "--json"]) == ExitCode.FAILED
    told = json.loads(capsys.readouterr().out)["merged"][0]["conflicts"]

    assert (told[0]["table"], told[0]["row"], told[0]["serial"]) == ("attempts", identity, "MBL-0009")
    assert "it is here already, with other content" in told[0]["why"]
    assert told[1]["table"] == "reworks"
    assert contents(corner)["readings"] == kept["readings"]
    assert contents(corner)["attempts"] == kept["attempts"]
    assert audits(corner)
    assert read(corner, audit).kept_out > 3
    assert main(["merge", str(laptop), "--logbook", str(corner)]) == ExitCode.PASSED, "nothing new the second time"


def test_units_of_another_board_with_the_same_serial_number_are_kept_out(
    benches: tuple[Path, ...], tmp_path: Path
) -> None:
    corner, _, _ = copied(benches, tmp_path)
    other = tmp_path / "other.db"
    with LogbookRecord.open(other, simulated=False) as record:
        add_attempt(record, replace(start("MBL-0001"), board="Tide gauge"), [volts()])
        add_attempt(record, replace(start("TG-0001"), board="Tide gauge"), [volts()])

    (found,) = merged(corner, other)

    assert found.attempts == 1
    assert [(each.serial, each.why) for each in found.conflicts] == [
        ("MBL-0001", "its serial number is that of a unit of another board here")
    ]
    assert audits(corner)


def test_an_attempt_that_is_going_on_waits_for_its_end(benches: tuple[Path, ...], tmp_path: Path) -> None:
    corner, window, _ = copied(benches, tmp_path)
    with LogbookRecord.open(window, simulated=False) as record:
        going = record.begin(start("MBL-0008"))
        record.sample(MEASURE, "VIN current", "A", NOON, 106.0, 0.08, "+8.12E-2")
        (found,) = merged(corner, window)
        assert (found.attempts, found.going) == (3, (going,))
        with pytest.raises(LogbookError, match="is going on in"):
            merged(window, corner)
        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=True)

    assert [each.attempts for each in merged(corner, window)] == [1]
    assert contents(corner)["samples"]
    assert audits(corner)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda path: None, "there is no logbook"),
        (lambda path: path.write_text("no database " * 400), "it is not a SQLite file"),
        (
            lambda path: sqlite3.connect(path).execute("CREATE TABLE x (y)").connection.close(),
            "not a logbook of bringup",
        ),
    ],
    ids=["missing", "no database", "foreign"],
)
def test_a_file_that_is_no_logbook_is_refused_before_anything_is_written(
    make: object, said: str, benches: tuple[Path, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    corner, window, _ = copied(benches, tmp_path)
    bad = tmp_path / "bad.db"
    make(bad)  # type: ignore[operator]
    before = contents(corner)

    assert main(["merge", str(window), str(bad), "--logbook", str(corner)]) == ExitCode.REFUSED

    assert said in " ".join(capsys.readouterr().err.split())
    assert contents(corner) == before


def test_a_damaged_file_is_refused_and_nothing_is_lost(
    benches: tuple[Path, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    corner, window, _ = copied(benches, tmp_path)
    whole = window.read_bytes()
    with closing(sqlite3.connect(window)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'readings'").fetchone()
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    at = (page - 1) * size
    window.write_bytes(whole[:at] + b"\xff" * size + whole[at + size :])
    before = contents(corner)

    assert main(["merge", str(window), "--logbook", str(corner)]) == ExitCode.REFUSED

    assert "the file is damaged" in " ".join(capsys.readouterr().err.split())
    assert contents(corner) == before
    assert audits(corner)
    window.write_bytes(whole)
    assert [each.attempts for each in merged(corner, window)] == [3]


def test_the_logbook_itself_is_no_other(benches: tuple[Path, ...], tmp_path: Path) -> None:
    corner, *_ = copied(benches, tmp_path)
    with pytest.raises(LogbookError, match="is the logbook itself"):
        merged(corner, corner)


KILLED_WITHIN_A_PIECE = """
import sys
from pathlib import Path
import bringup.logbook.merging as merging

take, taken = merging.take_piece, 0


def take_and_wait(both, *arguments, **named):
    global taken
    count = "SELECT count(*) FROM here.chain"
    before = both.execute(count).fetchone()[0]
    found = take(both, *arguments, **named)
    taken += 1
    if taken == 3:
        print(before, both.execute(count).fetchone()[0], flush=True)
        sys.stdin.read()
    return found


merging.PIECE, merging.take_piece = 20, take_and_wait
list(merging.merge(Path(sys.argv[1]), [Path(each) for each in sys.argv[2:]]))
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system has no SIGKILL")
def test_a_process_killed_within_a_piece_leaves_what_was_whole_and_merging_again_goes_on(
    benches: tuple[Path, ...], tmp_path: Path
) -> None:
    corner, _, quay = copied(benches, tmp_path)
    whole, path = tmp_path / "whole.db", tmp_path / "killed.db"
    merged(whole, corner, quay)
    command = [sys.executable, "-c", KILLED_WITHIN_A_PIECE, *map(str, (path, corner, quay))]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        try:
            committed, written = map(int, child.stdout.readline().split())
        finally:
            child.send_signal(signal.SIGKILL)
    assert child.returncode == -signal.SIGKILL

    assert audits(path)
    (entries,) = read(path, lambda connection: connection.execute("SELECT count(*) FROM chain").fetchone())
    assert written > committed == entries > 0, "two pieces, and nothing of the third"
    assert sum(each.rows for each in merged(path, corner, quay)) > 0
    assert contents(path) == contents(whole)
    assert audits(path)


DONE = st.tuples(st.integers(1, 3), st.sampled_from(("", "L1", "L2")), st.floats(3.0, 3.6))
"""Number of the unit, its lot, what 3V3 read."""


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    logbooks=st.lists(st.lists(DONE, max_size=2), min_size=2, max_size=3),
    orders=st.tuples(*[st.permutations(range(3))] * 2),
    nested=st.booleans(),
)
def test_random_logbooks_without_conflicts_give_the_same_in_any_order(
    logbooks: list[list[tuple[int, str, float]]], orders: tuple[list[int], list[int]], *, nested: bool
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder, f"{number}.db") for number in range(len(logbooks))]
        for number, (file, done) in enumerate(zip(files, logbooks, strict=True)):
            LogbookRecord.open(file, simulated=False).close()
            for day, (unit, lot, value) in enumerate(done):
                add(file, f"MBL-000{unit}", days=day * len(files) + number, lot=lot, value=value)
        one, other = Path(folder, "one.db"), Path(folder, "other.db")
        first, second = ([files[each] for each in order if each < len(files)] for order in orders)

        conflicts = [each.conflicts for each in merged(one, *first)]
        if nested:
            # One of the logbooks takes in another one first, and is then merged itself.
            conflicts += [each.conflicts for each in merged(second[0], second[1])]
        conflicts += [each.conflicts for each in merged(other, *second, second[0])]

        assert not any(conflicts)
        assert contents(one) == contents(other)
        assert sum(contents(one)["attempts"].values()) == sum(map(len, logbooks))
        assert audits(one)
        assert audits(other)


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ("nowhere/new.db", "there is no folder"),
        ("text/new.db", "text is not a folder"),
        (".", "is a directory"),
        pytest.param(
            "/proc/new.db",
            "the system does not let it be opened",
            marks=pytest.mark.skipif(
                not Path("/proc/self").exists(), reason="no folder here that root cannot write to"
            ),
        ),
    ],
)
def test_a_place_that_cannot_be_written_to_is_refused(
    place: str, said: str, benches: tuple[Path, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, window, _ = copied(benches, tmp_path)
    (tmp_path / "text").write_text("no folder")
    before = contents(window)

    assert main(["merge", str(window), "--logbook", str(tmp_path / place)]) == ExitCode.REFUSED

    words = " ".join(capsys.readouterr().err.split())
    assert said in words
    assert contents(window) == before
