"""What the logbook cannot take is in a rescue file, whatever befell the logbook, and is taken in the next time."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, StepOutcome
from bringup.errors import LogbookError
from bringup.logbook import keeping, lines, remains, rescue_file, statements
from bringup.logbook.audit import audit
from bringup.logbook.filters import Filters
from bringup.logbook.opening import OpenLogbook, open_for_writing
from bringup.logbook.queries import attempt, readings
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.rescue_file import RescueFile, parse
from bringup.logbook.rows import LoggedAttempt
from bringup.runner.records import PollSample
from tests.logbook_samples import APPLY, MEASURE, NOON, add_attempt, start, volts

ROOT = Path(__file__).parents[1]
CANNOT_MOUNT = pytest.mark.skipif(
    sys.platform != "linux" or os.geteuid() != 0 or shutil.which("mount") is None,
    reason="a disk of a test's own is mounted, which takes Linux and root",
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    (tmp_path / "bench").mkdir()
    return tmp_path / "bench" / "bringup.db"


@pytest.fixture
def lasting(tmp_path: Path) -> Path:
    (tmp_path / "lasting").mkdir()
    return tmp_path / "lasting"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeping, "BUSY_SECONDS", 0.02)
    monkeypatch.setattr(keeping, "AGAIN_SECONDS", 0.01)
    monkeypatch.setattr(keeping, "AT_THE_END_SECONDS", 0.03)


@contextmanager
def mounted(folder: Path, pages: int) -> Iterator[Path]:
    """Mount a small disk of its own (in memory) at a folder."""
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={pages * 4}k", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip(f"this system does not let a disk be mounted: {done.stderr.decode().strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def fill_up(folder: Path) -> None:
    """Write to a file until the disk takes no more."""
    descriptor = os.open(folder / "something else", os.O_WRONLY | os.O_CREAT)
    os.write(descriptor, b"\1" * 4096 * 1000)  # as much as there is room for
    with pytest.raises(OSError, match="No space left"):
        os.write(descriptor, b"\1")
    os.close(descriptor)


def take_until_full(record: LogbookRecord, taken: list[Reading]) -> None:
    for number in range(10_000):
        taken.append(volts(round(3.25 + number * 1e-6, 6), monotonic=105.0 + number))
        record.reading(taken[-1])


def waiting_files(path: Path) -> list[Path]:
    return sorted(path.parent.glob("*.rescue-*.jsonl"))


def opened(path: Path, lasting: Path | None = None) -> OpenLogbook:
    return open_for_writing(path, lasting)


def logged(path: Path, identity: str) -> LoggedAttempt:
    return read(path, lambda connection: attempt(connection, identity))


def values(path: Path) -> list[float | None]:
    return [one.reading.value for one in read(path, lambda connection: readings(connection, Filters()))]


def rows(path: Path, statement: str) -> list[tuple[object, ...]]:
    return read(path, lambda connection: [tuple(row) for row in connection.execute(statement)])


def sound(path: Path) -> bool:
    return read(path, audit).sound


def until_full(record: LogbookRecord) -> list[Reading]:
    """Take readings until the logbook refuses one; return all, the refused one too."""
    taken: list[Reading] = []
    with pytest.raises(LogbookError, match="the disk is full") as caught:
        take_until_full(record, taken)
    assert record.rescue_file is not None
    assert f"what it lacks is kept in {record.rescue_file}" in caught.value.message
    return taken


def close_down(record: LogbookRecord) -> None:
    """End an attempt as the runner does once the logbook has failed: every record may fail again."""
    lasts: tuple[Callable[[], None], ...] = (
        lambda: record.event("off", "all outputs off", at=NOON, monotonic=500.0),
        lambda: record.polls([PollSample(499.0, 1, 0.0, 0.0, on=False)]),
        lambda: record.note("the disk was full", at=NOON),
        lambda: record.step_ended(MEASURE, StepOutcome.DONE, "pass", at=NOON),
        lambda: record.end(AttemptResult.BROKEN_OFF, "the logbook cannot be written", at=NOON, off_verified=True),
    )
    for last in lasts:
        with pytest.raises(LogbookError):
            last()


def all_came_in(path: Path, identity: str, taken: list[Reading], lasting: Path | None = None) -> None:
    """Check that the next opening takes everything in, once, and that nothing is left over."""
    again = opened(path, lasting)
    again.connection.close()
    assert len(again.taken_in) == 1
    assert f"attempt {identity[:8]} on MBL-0001 had met a logbook that could not be written" in again.taken_in[0]
    assert again.left_open == ()
    after = logged(path, identity)
    assert [one.reading.id for one in after.readings] == [one.id for one in taken]
    assert (after.result, after.cause) == (AttemptResult.BROKEN_OFF, "the logbook cannot be written")
    assert after.off_verified is True
    assert [event.kind for event in after.events][-2:] == ["off", "rescued"]
    assert [step.outcome for step in after.steps if step.step == MEASURE + 1] == [StepOutcome.DONE]
    assert rows(path, "SELECT content FROM notes") == [("the disk was full",)]
    assert waiting_files(path) == []
    assert sound(path)
    third = opened(path, lasting)
    third.connection.close()
    assert third.taken_in == ()


def test_room_is_reserved_when_an_attempt_begins_and_given_back_at_its_end(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        assert waiting_files(path) == []
        record.begin(start())
        (file,) = waiting_files(path)
        assert file.stat().st_size == rescue_file.SIZE
        assert file.stat().st_blocks * 512 >= rescue_file.SIZE, "the blocks are there, not only the size"
        head = parse(file.read_bytes())
        assert (head.head or {})["logbook"] == str(path)
        assert len(head.lines) == 0
        record.reading(volts())
        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=True)
    assert waiting_files(path) == []


def test_where_blocks_cannot_be_reserved_zeros_are_written(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: int) -> None:
        raise OSError(95, "not supported")

    monkeypatch.setattr(os, "posix_fallocate", refuse, raising=False)
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        (file,) = waiting_files(path)
        assert file.stat().st_blocks * 512 >= rescue_file.SIZE


@CANNOT_MOUNT
def test_a_full_disk_leaves_every_reading_in_the_room_reserved_on_it(path: Path, lasting: Path) -> None:
    with mounted(path.parent, pages=700) as folder:
        with LogbookRecord(opened(path, lasting), simulated=False) as record:
            identity = record.begin(start())
            record.step_begun(MEASURE, NOON, 104.0)
            fill_up(folder)
            taken = until_full(record)
            close_down(record)
            assert record.unwritten == []
            assert record.rescue_file is not None
            assert record.rescue_file.parent == folder
        assert values(path) == [one.value for one in taken[:-1]]
        (folder / "something else").unlink()
        all_came_in(path, identity, taken, lasting)


@contextmanager
def write_protected(folder: Path) -> Iterator[None]:
    """Let nobody write into a folder and its files, root and those who have them open included."""
    if shutil.which("chattr") is None:
        pytest.skip("there is no chattr here, which takes the right to write from open files too")
    done = subprocess.run(["chattr", "-R", "+i", str(folder)], capture_output=True, text=True, check=False)
    try:
        if done.returncode:
            pytest.skip(f"chattr +i does not work here: {done.stderr.strip()}")
        yield
    finally:
        subprocess.run(["chattr", "-R", "-i", str(folder)], capture_output=True, check=False)


def test_a_disk_that_turns_read_only_leaves_the_readings_in_the_users_folder(path: Path, lasting: Path) -> None:
    with LogbookRecord(opened(path, lasting), simulated=False) as record:
        identity = record.begin(start())
        record.step_begun(MEASURE, NOON, 104.0)
        taken = [volts(3.301), volts(3.302)]
        record.reading(taken[0])
        with write_protected(path.parent):
            with pytest.raises(LogbookError, match="cannot be written to: its disk takes no more writes") as caught:
                record.reading(taken[1])
            assert record.rescue_file is not None
            assert record.rescue_file.parent == lasting
            assert str(record.rescue_file) in caught.value.message
            close_down(record)
            assert record.unwritten == []
    all_came_in(path, identity, taken, lasting)


def cap(record: LogbookRecord, more: int = 0) -> None:
    """Let the logbook grow no further than by so many pages."""
    pages = record._connection.execute("PRAGMA page_count").fetchone()[0]
    record._connection.execute(f"PRAGMA max_page_count = {pages + more}")


def test_a_logbook_that_grows_no_more_leaves_the_readings_beside_it(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        identity = record.begin(start())
        record.step_begun(MEASURE, NOON, 104.0)
        cap(record)
        taken = until_full(record)
        close_down(record)
        assert record.unwritten == []
    all_came_in(path, identity, taken)


@pytest.mark.parametrize("gone", [("",), ("", "-wal", "-shm")])
def test_a_logbook_that_is_deleted_leaves_the_whole_attempt(path: Path, gone: tuple[str, ...]) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        older = add_attempt(record, start("MBL-0009"), [volts(3.29)])
        identity = record.begin(start())
        record.step_begun(APPLY, NOON, 103.0)
        record.step_ended(APPLY, StepOutcome.DONE, "pass", at=NOON)
        record.step_begun(MEASURE, NOON, 104.0)
        record.sample(MEASURE, "VIN current", "A", NOON, 106.0, 0.0812, "+8.12E-2")
        taken = [volts(3.301), volts(3.302)]
        record.reading(taken[0])
        for ending in gone:
            Path(f"{path}{ending}").unlink()
        with pytest.raises(
            LogbookError, match=r"deleted or moved while it was being written.*what it lacks is kept in"
        ):
            record.reading(taken[1])
        close_down(record)
    for left in (path, Path(f"{path}-wal"), Path(f"{path}-shm")):
        left.unlink(missing_ok=True)
    (copy,) = path.parent.glob("bringup-rescued-*.db")
    assert {one.reading.value for one in read(copy, lambda c: readings(c, Filters()))} == {3.29, 3.301, 3.302}
    all_came_in(path, identity, taken)
    assert [step.outcome for step in logged(path, identity).steps if step.step == APPLY + 1] == [StepOutcome.DONE]
    assert rows(path, "SELECT value FROM samples") == [(0.0812,)]
    assert rows(path, "SELECT count(*) FROM attempts") == [(1,)], f"{older} is in the copy"


def test_a_logbook_that_is_replaced_by_an_older_copy_gets_the_attempt(path: Path, tmp_path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start("MBL-0009"), [volts(3.29)])
    shutil.copy(path, tmp_path / "yesterday")
    with LogbookRecord.open(path, simulated=False) as record:
        identity = record.begin(start())
        record.step_begun(MEASURE, NOON, 104.0)
        taken = [volts(3.301), volts(3.302)]
        record.reading(taken[0])
        Path(f"{path}-wal").unlink()
        (tmp_path / "yesterday").replace(path)
        with pytest.raises(LogbookError, match="was replaced while it was being written"):
            record.reading(taken[1])
        close_down(record)
    all_came_in(path, identity, taken)
    assert rows(path, "SELECT count(*) FROM attempts") == [(2,)]


def test_the_rescued_copy_put_in_place_gains_nothing_twice(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        record.event("override", "same leads", at=NOON, monotonic=101.0)
        path.unlink()
        with pytest.raises(LogbookError, match="deleted"):
            record.reading(volts(3.301))
    (copy,) = path.parent.glob("bringup-rescued-*.db")
    copy.replace(path)
    Path(f"{path}-wal").unlink()
    assert "nothing was missing" in opened(path).taken_in[0]
    assert values(path) == [3.301]
    assert rows(path, "SELECT count(*) FROM events WHERE kind = 'override'") == [(1,)]


@pytest.mark.parametrize("off", [True, False])
def test_a_lost_logbook_is_saved_by_portions_until_the_outputs_are_off(
    path: Path, monkeypatch: pytest.MonkeyPatch, *, off: bool
) -> None:
    monkeypatch.setattr(remains, "PORTION", 10)
    copied: list[Path] = []
    monkeypatch.setattr(remains, "rescue", lambda connection, copy: copied.append(copy))
    with LogbookRecord.open(path, simulated=False) as record:
        identity = record.begin(start())
        taken = [volts(3.3 + number * 1e-5, monotonic=105.0 + number) for number in range(60)]
        for one in taken[:58]:
            record.reading(one)
        path.unlink()
        kept = []
        for one in taken[58:]:
            with pytest.raises(LogbookError, match="deleted or moved"):
                record.reading(one)
            (file,) = waiting_files(path)
            inserted = [line["row"]["id"] for line in rows_of(file) if line.get("insert") == "readings"]
            kept.append(len(inserted))
            assert one.id in inserted, "what is nowhere else does not wait for its turn"
        assert kept == [11, 22]
        assert copied == []
        with pytest.raises(LogbookError, match="deleted or moved"):
            record.end(AttemptResult.BROKEN_OFF, "the logbook cannot be written", at=NOON, off_verified=off)
        assert bool(copied) == off
        assert record.unwritten == []
    assert len(copied) == 1
    Path(f"{path}-wal").unlink()
    again = opened(path)
    again.connection.close()
    assert len(again.taken_in) == 1
    assert {one.reading.id for one in logged(path, identity).readings} == {one.id for one in taken}
    assert logged(path, identity).off_verified is off
    assert sound(path)


def rows_of(file: Path) -> list[Any]:
    return list(parse(file.read_bytes()).lines)


def test_a_logbook_may_be_a_link_to_another_folder(path: Path, tmp_path: Path) -> None:
    (tmp_path / "link.db").symlink_to(path)
    with LogbookRecord.open(tmp_path / "link.db", simulated=False) as record:
        record.begin(start())
        record.reading(volts(3.301))
        path.unlink()
        with pytest.raises(LogbookError, match="deleted or moved"):
            record.reading(volts(3.302))


def test_another_writer_that_holds_the_lock_costs_nothing(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        identity = record.begin(start())
        record.step_begun(MEASURE, NOON, 104.0)
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            taken = [volts(3.301), volts(3.302)]
            for one in taken:
                with pytest.raises(LogbookError, match=r"another program holds it locked.*what it lacks is kept in"):
                    record.reading(one)
            close_down(record)
    all_came_in(path, identity, taken)


def test_a_lock_that_is_let_go_in_time_empties_the_rescue_file(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(LogbookError, match="locked"):
                record.reading(volts(3.301))
            assert len(parse(waiting_files(path)[0].read_bytes()).lines) > 0
        record.reading(volts(3.302))
        assert record.rescue_file is None
        (file,) = waiting_files(path)
        assert parse(file.read_bytes()).lines == []
        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=True)
    assert waiting_files(path) == []
    assert values(path) == [3.301, 3.302]
    assert opened(path).taken_in == ()


def test_without_room_anywhere_every_reading_is_there_to_be_shown(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rescue_file, "_reserve", no_room)
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        assert "no rescue file can be made" in record.warnings[0]
        assert "will only be shown" in record.warnings[0]
        cap(record)
        taken: list[Reading] = []
        with pytest.raises(LogbookError, match=r"the disk is full.*no rescue file takes it either .*No space left"):
            take_until_full(record, taken)
        assert len(record.unwritten) == 1
        assert f"3V3 voltage {taken[-1].value!r} V pass" in record.unwritten[0]
        assert taken[-1].raw in record.unwritten[0]
    assert waiting_files(path) == []


def no_room(descriptor: int, size: int) -> None:
    del descriptor, size
    raise OSError(28, "No space left on device")


@CANNOT_MOUNT
def test_a_full_rescue_file_on_a_full_disk_goes_on_in_the_users_folder(
    path: Path, lasting: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rescue_file, "SIZE", 8192)
    with mounted(path.parent, pages=700) as folder:
        with LogbookRecord(opened(path, lasting), simulated=False) as record:
            identity = record.begin(start())
            record.step_begun(MEASURE, NOON, 104.0)
            fill_up(folder)
            taken = [volts(3.3 + number * 1e-5, monotonic=105.0 + number) for number in range(40)]
            for one in taken:
                with pytest.raises(LogbookError, match="the disk is full"):
                    record.reading(one)
            assert record.rescue_file is not None
            assert record.rescue_file.parent == lasting
            close_down(record)
            assert record.unwritten == []
        (folder / "something else").unlink()
        again = opened(path, lasting)
        again.connection.close()
        assert len(again.taken_in) == 2
        assert [one.reading.id for one in logged(path, identity).readings] == [one.id for one in taken]
        assert list(lasting.iterdir()) == waiting_files(path) == []
        assert sound(path)


def test_the_users_folder_is_used_where_none_can_be_made_beside(
    path: Path, lasting: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make = RescueFile.make

    def not_beside(folder: Path, *more: object, **options: object) -> RescueFile:
        if folder == path.parent:
            raise PermissionError(13, "Permission denied")
        return make(folder, *more, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(RescueFile, "make", not_beside)
    with LogbookRecord(opened(path, lasting), simulated=False) as record:
        record.begin(start())
        (file,) = lasting.iterdir()
        assert file.stat().st_size == rescue_file.SIZE
        cap(record)
        taken = until_full(record)
        assert record.rescue_file == file
    other = path.with_name("other.db")
    assert opened(other, lasting).taken_in == ()
    assert file.exists(), "it belongs to another logbook"
    assert len(opened(path, lasting).taken_in) == 1
    assert values(path) == [one.value for one in taken]
    assert not file.exists()


def test_a_rescue_file_that_was_deleted_too_is_made_again(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        identity = record.begin(start())
        record.step_begun(MEASURE, NOON, 104.0)
        for file in path.parent.iterdir():
            file.unlink()
        with pytest.raises(LogbookError, match=r"deleted or moved.*what it lacks is kept in"):
            record.reading(volts(3.301))
        close_down(record)
        assert record.unwritten == []
    opened(path).connection.close()
    assert values(path) == [3.301]
    assert logged(path, identity).result is AttemptResult.BROKEN_OFF


def test_a_killed_attempt_leaves_an_empty_rescue_file_that_goes_at_the_next_start(path: Path) -> None:
    script = (
        "import sys\nfrom pathlib import Path\nfrom bringup.logbook.record import LogbookRecord\n"
        "from tests.logbook_samples import start\n"
        "print(LogbookRecord.open(Path(sys.argv[1]), simulated=False).begin(start()), flush=True)\nsys.stdin.read()\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script, str(path)], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    identity = process.stdout.readline().strip()
    (file,) = waiting_files(path)
    opened(path).connection.close()
    assert file.exists(), "its attempt goes on"
    process.send_signal(signal.SIGKILL)
    process.communicate()
    again = opened(path)
    assert (again.left_open, again.taken_in) == ((identity,), ())
    assert not file.exists()


def with_waiting_file(path: Path) -> tuple[Path, str]:
    with LogbookRecord.open(path, simulated=False) as record:
        identity = record.begin(start())
        record.step_begun(MEASURE, NOON, 104.0)
        cap(record)
        until_full(record)
        close_down(record)
    (file,) = waiting_files(path)
    return file, identity


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda text: text.replace('"rescue": 1', '"rescue": 2'), "it is of form 2, not 1"),
        (lambda text: text.replace('"insert": "readings"', '"insert": "sqlite_master"'), "is no table that a line may"),
        (lambda text: text.replace('"quantity":', '"quality":'), "'readings' has no column 'quality'"),
        (lambda text: text.replace('{"insert": "attempts"', '["insert": "attempts"'), "Expecting"),
        (lambda text: text.replace('"result": "pass"', '"result": "splendid"'), "CHECK constraint failed"),
        (lambda text: text.replace('{"insert": "attempts"', '7\n{"insert": "attempts"'), "a line is no JSON object"),
        (
            lambda text: text.replace('{"insert": "attempts"', "[" * 10**5 + '\n{"insert": "attempts"'),
            "nested|Expecting",
        ),
        (lambda text: text.replace('"step": 5', '"step": [5]'), "a value that is no text, number or null"),
    ],
)
def test_what_cannot_be_taken_in_is_kept_and_said(path: Path, spoil: Callable[[str], str], words: str) -> None:
    file, _ = with_waiting_file(path)
    before = values(path)
    text = file.read_bytes().partition(b"\0")[0].decode()
    assert spoil(text) != text
    file.write_text(spoil(text), encoding="utf-8")
    again = opened(path)
    again.connection.close()
    (said,) = again.taken_in
    assert f"the rescue file {file} cannot be taken in" in said
    assert "it was left there" in said
    assert re.search(words, said), said
    assert file.exists()
    assert values(path) == before
    assert sound(path)


def test_a_last_line_that_is_torn_is_left_out_and_said(path: Path) -> None:
    file, identity = with_waiting_file(path)
    text = file.read_bytes().partition(b"\0")[0]
    file.write_bytes(text[:-20])
    (said,) = opened(path).taken_in
    assert "The last line is not whole and was left out." in said
    assert [event.kind for event in logged(path, identity).events][-1] == "rescued"


def test_an_attempt_that_continued_one_that_is_lost_stands_alone(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        first = add_attempt(record, start(), result=AttemptResult.CALLED_OFF)
        identity = record.begin(replace(start(), continues=first, carried={0: first}))
        path.unlink()
        with pytest.raises(LogbookError, match="deleted"):
            record.reading(volts(3.301))
        close_down(record)
    for left in path.parent.glob("bringup.db-*"):
        left.unlink()
    assert len(opened(path).taken_in) == 1
    assert logged(path, identity).continues is None
    assert values(path) == [3.301]


def test_every_statement_of_ours_can_be_put_into_a_line() -> None:
    texts = [text for text in vars(statements).values() if isinstance(text, str) and text[:7] in ("INSERT ", "UPDATE ")]
    assert len(texts) > 12
    for text in texts:
        line = lines.line_of((text, tuple("x" * text.count("?"))))
        assert json.loads(json.dumps(line)) == line


def test_readings_keep_their_order_when_the_clock_is_set_back(path: Path) -> None:
    hour = timedelta(hours=1)
    with LogbookRecord.open(path, simulated=False) as record:
        identity = record.begin(start())
        record.step_begun(MEASURE, NOON, 104.0)
        for number, at in enumerate(
            (NOON, NOON + timedelta(seconds=1), NOON - hour, NOON - hour + timedelta(seconds=1))
        ):
            record.reading(replace(volts(3.301 + number / 1000), at=at, monotonic=105.0 + number))
        record.end(AttemptResult.PASSED, "", at=NOON - hour, off_verified=True)
    assert [round(value or 0, 3) for value in values(path)] == [3.301, 3.302, 3.303, 3.304]
    assert logged(path, identity).result is AttemptResult.PASSED
