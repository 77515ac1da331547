"""Recording: what was acknowledged is on the disk, whatever happens next; what could not be written is not lost."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path

import pytest

from bringup.core.limits import Limits
from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, How, LimitsFrom, Result, StepOutcome
from bringup.errors import LogbookError
from bringup.logbook import processes
from bringup.logbook.breaking_off import LEFT_OPEN
from bringup.logbook.filters import Filters
from bringup.logbook.opening import open_for_writing
from bringup.logbook.processes import Process, may_be_alive, this_process
from bringup.logbook.queries import attempt, readings
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.rows import LoggedAttempt, LoggedReading
from bringup.runner.protocols import Record
from bringup.runner.records import LinkFault, PollSample, UnitHistory
from tests.logbook_samples import APPLY, LEADS, LIMITS_3V3, MEASURE, NOON, add_attempt, ohms, start, volts

ROOT = Path(__file__).parents[1]

WRITER = """
import sys
from pathlib import Path
from bringup.logbook.record import LogbookRecord
from tests.logbook_samples import APPLY, MEASURE, NOON, start, volts

record = LogbookRecord.open(Path(sys.argv[1]), simulated=False)
print(record.begin(start()), flush=True)
record.step_begun(APPLY, NOON, 103.0)
record.step_begun(MEASURE, NOON, 104.0)
number = 0
while True:
    number += 1
    reading = volts(3.3 + number * 1e-6, monotonic=105.0 + number)
    record.reading(reading)
    print(reading.id, flush=True)
    if number == int(sys.argv[2]):
        sys.stdin.read()
"""


def rows(path: Path, statement: str) -> list[tuple[object, ...]]:
    return read(path, lambda connection: [tuple(row) for row in connection.execute(statement)])


def all_readings(path: Path) -> list[LoggedReading]:
    return read(path, lambda connection: readings(connection, Filters(replaced=True)))


def whole_attempt(path: Path, identity: str) -> LoggedAttempt:
    return read(path, lambda connection: attempt(connection, identity))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bringup.db"


@pytest.fixture
def record(path: Path) -> Iterator[LogbookRecord]:
    with LogbookRecord.open(path, simulated=False) as opened:
        yield opened


def fill(record: LogbookRecord, taken: list[Reading]) -> None:
    for reading in taken:
        record.reading(reading)


def writer(path: Path, stop_after: int = 0) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), str(stop_after)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def test_a_logbook_record_is_a_record(record: LogbookRecord) -> None:
    as_runner_sees_it: Record = record
    assert as_runner_sees_it.history("MBL-0001") == UnitHistory()


def test_everything_of_an_attempt_is_kept(record: LogbookRecord, path: Path) -> None:
    identity = add_attempt(record, start(), [ohms(), volts()], result=AttemptResult.FAILED, cause="3V3 is low")
    logged = whole_attempt(path, identity)
    begun = start()
    for name in ("serial", "procedure", "board", "revision", "lot", "bench", "operator", "tool_version", "fixture"):
        assert getattr(logged, name) == getattr(begun, name)
    assert (logged.started, logged.ended) == (NOON, NOON + timedelta(minutes=2))
    assert (logged.result, logged.cause) == (AttemptResult.FAILED, "3V3 is low")
    assert (logged.off_verified, logged.attended, logged.simulated, logged.ambient) == (True, True, False, 21.5)
    assert [(step.step, step.kind, step.outcome) for step in logged.steps] == [
        (number + 1, kind, StepOutcome.DONE) for number, (kind, _) in enumerate(begun.steps)
    ]
    assert [one.reading.point for one in logged.readings] == ["3V3", "3V3"]
    assert logged.readings[0].instrument_identity == "WEST DOCK,DMM-1,1001,1.0"
    assert str(logged.readings[0].calibration_due) == "2027-03-01"
    host = this_process()
    assert rows(path, "SELECT host, boot, process, process_started FROM attempts") == [
        (host.host, host.boot, host.number, host.started)
    ]
    assert rows(path, "SELECT role, resource, by_hand, calibration_due FROM instruments ORDER BY role") == [
        ("meter", "TCPIP0::192.0.2.11::5025::SOCKET", 0, "2027-03-01"),
        ("supply", "", 1, None),
    ]


def test_the_text_of_a_file_is_kept_once_however_many_attempts_use_it(record: LogbookRecord, path: Path) -> None:
    for _ in range(3):
        add_attempt(record, start())
    assert rows(path, "SELECT count(*) FROM sources") == [(2,)]
    assert rows(path, "SELECT count(*) FROM attempt_sources") == [(6,)]
    assert ("board: Mooring buoy logger\n",) in rows(path, "SELECT content FROM sources")


def test_times_are_stored_as_utc_text_of_one_width(record: LogbookRecord, path: Path) -> None:
    record.begin(start())
    there = datetime(2026, 11, 25, 14, 0, tzinfo=timezone(timedelta(hours=5, minutes=30)))
    record.reading(volts(at=there))
    assert rows(path, "SELECT at, monotonic FROM readings") == [("2026-11-25T08:30:00.000000Z", 105.0)]


def test_a_time_without_a_zone_is_refused(record: LogbookRecord) -> None:
    record.begin(start())
    with pytest.raises(LogbookError, match="does not say its time zone"):
        record.reading(volts(at=NOON.replace(tzinfo=None)))


def test_samples_polls_events_and_notes_are_kept(record: LogbookRecord, path: Path) -> None:
    record.begin(start())
    record.sample(MEASURE, "VIN current", "A", NOON, 106.0, 0.0812, "+8.12E-2")
    record.sample(MEASURE, "VIN current", "A", NOON, 106.2, None, "")
    record.polls(
        [PollSample(106.0, 1, 24.0, 0.08, on=True, mode="voltage"), PollSample(106.2, 1, fault=LinkFault.TIMEOUT)]
    )
    record.polls([])
    record.event("override", "no leads step", at=NOON, monotonic=107.0, step=LEADS, data={"reason": "same leads"})
    record.note("TP4 is hard to reach", at=NOON, step=MEASURE)
    assert rows(path, "SELECT step, channel, value, raw FROM samples") == [
        (MEASURE + 1, "VIN current", 0.0812, "+8.12E-2"),
        (MEASURE + 1, "VIN current", None, ""),
    ]
    assert rows(path, "SELECT output, volts, amps, is_on, mode, fault FROM polls") == [
        (1, 24.0, 0.08, 1, "voltage", None),
        (1, None, None, None, None, "no answer in time"),
    ]
    assert rows(path, "SELECT step, kind, content, data FROM events") == [
        (LEADS + 1, "override", "no leads step", '{"reason": "same leads"}')
    ]
    assert rows(path, "SELECT serial, who, content, step FROM notes") == [
        ("MBL-0001", "ada", "TP4 is hard to reach", MEASURE + 1)
    ]


def test_a_step_that_was_not_announced_is_kept_all_the_same(record: LogbookRecord, path: Path) -> None:
    record.begin(replace(start(), steps=()))
    record.reading(volts())
    record.step_begun(APPLY, NOON, 103.0)
    assert rows(path, "SELECT step, outcome FROM steps ORDER BY step") == [
        (APPLY + 1, None),
        (MEASURE + 1, "not reached"),
    ]
    assert len(all_readings(path)) == 1


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        ({"value": float("nan")}, "3V3 voltage: the value is nan; the logbook keeps finite numbers, or no value"),
        ({"value": float("inf")}, "the value is inf"),
        ({"lowest": float("-inf")}, "the lowest value is -inf"),
        ({"uncertainty": float("nan")}, "the uncertainty is nan"),
        ({"input_amps": float("nan")}, "the input current is nan"),
        ({"limits": Limits("V", Decimal("NaN"))}, "the lower limit is NaN"),
        ({"limits": Limits("V", None, Decimal("Infinity"))}, "the upper limit is Infinity"),
        ({"limits": Limits("V", None, Decimal("1E400"))}, "the upper limit is inf"),
        ({"limits": Limits("A", None, Decimal(1))}, "limits in A on a value in V"),
    ],
)
def test_what_is_no_number_is_refused_at_the_door_and_remembered(
    record: LogbookRecord, path: Path, spoil: dict[str, object], words: str
) -> None:
    record.begin(start())
    with pytest.raises(LogbookError, match=words):
        record.reading(replace(volts(), **spoil))  # type: ignore[arg-type]
    assert len(record.unwritten) == 1
    assert "3V3 voltage" in record.unwritten[0]
    record.reading(volts(3.31))
    assert [one.reading.value for one in all_readings(path)] == [3.31]


def test_a_missing_value_cannot_pass(record: LogbookRecord, path: Path) -> None:
    record.begin(start())
    with pytest.raises(LogbookError, match="breaks a rule of the tables"):
        record.reading(replace(volts(None), result=Result.PASS))
    assert "no value" not in record.unwritten[0]
    record.reading(volts(None))
    assert [(one.reading.value, one.reading.result) for one in all_readings(path)] == [(None, Result.NO_VALUE)]


def test_a_raw_reply_that_is_no_text_is_kept_with_escapes(record: LogbookRecord, path: Path) -> None:
    record.begin(start())
    record.reading(replace(volts(), raw="\udcff3.3\0 Ω"))
    assert all_readings(path)[0].reading.raw == "\\udcff3.3\\x00 Ω"


def test_a_serial_number_of_another_board_is_refused(record: LogbookRecord, path: Path) -> None:
    add_attempt(record, start())
    with pytest.raises(LogbookError, match="MBL-0001 is in this logbook as a unit of the board 'Mooring buoy logger'"):
        record.begin(replace(start(), board="Tide gauge"))
    record.begin(replace(start(), board="mooring  buoy LOGGER"))
    record.begin(replace(start(simulated=True), board="Tide gauge"))
    assert rows(path, "SELECT count(*) FROM attempts") == [(3,)]


def test_every_acknowledged_reading_survives_a_kill(path: Path) -> None:
    process = writer(path)
    assert process.stdout is not None
    identity = process.stdout.readline().strip()
    acknowledged = [process.stdout.readline().strip() for _ in range(50)]
    process.send_signal(signal.SIGKILL)
    # What it had said before it died was acknowledged too; a half-written line was not.
    acknowledged += [line.strip() for line in process.stdout if line.endswith("\n")]
    process.wait()
    process.communicate()
    kept = {one.reading.id for one in all_readings(path)}
    assert kept >= set(acknowledged)
    assert len(kept) <= len(acknowledged) + 1
    assert rows(path, "PRAGMA integrity_check") == [("ok",)]
    with LogbookRecord.open(path, simulated=False) as record:
        assert record.left_open == (identity,)
    logged = whole_attempt(path, identity)
    assert (logged.result, logged.cause) == (AttemptResult.BROKEN_OFF, LEFT_OPEN)
    assert logged.off_verified is False, "an output may have been on: nobody saw it go off"
    assert logged.ended == NOON, "the time of the last thing that it recorded"
    assert [event.kind for event in logged.events] == ["left open", "trip"]
    with LogbookRecord.open(path, simulated=False) as again:
        assert again.left_open == ()


def test_an_attempt_of_a_living_process_is_left_alone_and_can_be_read(path: Path) -> None:
    process = writer(path, stop_after=3)
    assert process.stdout is not None
    assert process.stdin is not None
    identity, *_ = [process.stdout.readline().strip() for _ in range(4)]
    before = sorted(path.parent.iterdir())
    assert len(all_readings(path)) == 3
    assert sorted(path.parent.iterdir()) == before
    with LogbookRecord.open(path, simulated=False) as other:
        assert other.left_open == ()
        other.begin(start("MBL-0002"))
        other.reading(volts())
    assert whole_attempt(path, identity).result is None
    process.kill()
    process.communicate()


def test_a_process_counts_as_gone_when_the_machine_started_again_or_its_number_is_somebody_elses() -> None:
    me = this_process()
    assert may_be_alive(me)
    assert not may_be_alive(replace(me, boot="another start"))
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    assert not may_be_alive(replace(me, number=ended.pid))
    if me.started:
        assert not may_be_alive(replace(me, started="1"))
    assert may_be_alive(replace(me, host="a container beside us")) == bool(me.boot)


def test_without_a_start_time_the_process_number_decides(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processes, "_boot", lambda: "")
    here = this_process()
    assert may_be_alive(Process(here.host, "", os.getpid(), ""))
    assert not may_be_alive(Process("another computer", "", os.getpid(), ""))


def test_a_full_disk_says_so_and_the_reading_is_written_once_there_is_room(record: LogbookRecord, path: Path) -> None:
    record.begin(start())
    connection = record._connection
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")
    taken = [volts(3.3 + number * 1e-5) for number in range(1000)]
    with pytest.raises(LogbookError, match="cannot be written to: the disk is full") as caught:
        fill(record, taken)
    taken = taken[: len(all_readings(path)) + 1]
    assert "Free some space" in caught.value.what_to_do
    assert 1 < len(taken) < 1000
    assert record.unwritten == []
    assert record.rescue_file is not None
    assert f"what it lacks is kept in {record.rescue_file}" in caught.value.message
    assert taken[-1].id in record.rescue_file.read_text()
    connection.execute(f"PRAGMA max_page_count = {pages + 1000}")
    record.end(AttemptResult.BROKEN_OFF, "the disk was full", at=NOON, off_verified=True)
    assert record.unwritten == []
    assert [one.reading for one in all_readings(path)] == taken


def test_another_writer_holding_the_lock_is_named_and_nothing_is_lost(record: LogbookRecord, path: Path) -> None:
    identity = record.begin(start())
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogbookError, match="another program holds it locked") as caught:
            record.reading(volts())
        assert "database browser" in caught.value.what_to_do
        with pytest.raises(LogbookError, match="another program holds it locked"):
            LogbookRecord.open(path, simulated=False)
        other.execute("ROLLBACK")
    record.end(AttemptResult.BROKEN_OFF, "locked", at=NOON, off_verified=None)
    assert record.unwritten == []
    assert len(whole_attempt(path, identity).readings) == 1


def test_an_attempt_that_could_not_begin_is_not_begun_later(record: LogbookRecord, path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogbookError, match="locked"):
            record.begin(start())
        other.execute("ROLLBACK")
    add_attempt(record, start("MBL-0002"))
    assert rows(path, "SELECT serial FROM attempts") == [("MBL-0002",)]


def rescued_files(path: Path) -> list[Path]:
    return sorted(path.parent.glob("bringup-rescued-*.db"))


def test_a_deleted_logbook_is_noticed_at_the_next_commit_and_rescued(record: LogbookRecord, path: Path) -> None:
    record.begin(start())
    record.reading(volts(3.301))
    for file in path.parent.iterdir():
        file.unlink()
    with pytest.raises(LogbookError, match="was deleted or moved while it was being written") as caught:
        record.reading(volts(3.302))
    assert rescued_files(path) == [], "outputs may be on: nothing that takes long"
    with pytest.raises(LogbookError, match="was deleted"):
        record.end(AttemptResult.BROKEN_OFF, "the logbook is gone", at=NOON, off_verified=True)
    (copy,) = rescued_files(path)
    assert f"copied to {copy} once the outputs are off" in caught.value.what_to_do
    assert record.warnings == [f"the logbook was lost; all that it held, older attempts too, was copied to {copy}"]
    assert [one.reading.value for one in all_readings(copy)] == [3.301, 3.302]
    assert not path.exists()


def test_after_the_file_is_lost_every_call_says_so_and_all_is_remembered(record: LogbookRecord, path: Path) -> None:
    record.begin(start())
    path.unlink()
    for value in (3.301, 3.302):
        with pytest.raises(LogbookError, match="was deleted"):
            record.reading(volts(value))
    assert record.unwritten == []
    assert record.rescue_file is not None
    assert all(f'"value": {value}' in record.rescue_file.read_text() for value in (3.301, 3.302))
    record.close()
    record.close()
    assert len(rescued_files(path)) == 1


def test_a_replaced_logbook_is_noticed(record: LogbookRecord, path: Path, tmp_path: Path) -> None:
    record.begin(start())
    (tmp_path / "copy").write_bytes(path.read_bytes())
    (tmp_path / "copy").replace(path)
    with pytest.raises(LogbookError, match="was replaced while it was being written"):
        record.reading(volts())


def test_a_lost_write_ahead_file_is_noticed(record: LogbookRecord, path: Path) -> None:
    record.begin(start())
    Path(f"{path}-wal").unlink()
    with pytest.raises(LogbookError, match=r"bringup\.db-wal is gone"):
        record.reading(volts())


def test_a_folder_that_is_gone_leaves_nothing_to_rescue_into(record: LogbookRecord, path: Path) -> None:
    record.begin(start())
    for file in path.parent.iterdir():
        file.unlink()
    path.parent.rmdir()
    with pytest.raises(LogbookError, match="was deleted or moved") as caught:
        record.reading(volts())
    assert "no rescue file takes it either" in caught.value.message
    record.close()
    assert "a copy of all that it held could not be made" in record.warnings[-1]
    path.parent.mkdir()


def test_at_its_end_an_attempt_is_in_one_file(record: LogbookRecord, path: Path) -> None:
    add_attempt(record, start(), [volts()])
    assert Path(f"{path}-wal").stat().st_size == 0
    with closing(sqlite3.connect(f"{path.as_uri()}?immutable=1", uri=True)) as alone:
        assert alone.execute("SELECT count(*) FROM readings").fetchone() == (1,)
    assert record.warnings == []


def test_a_reader_that_stays_delays_only_the_folding_together(record: LogbookRecord, path: Path) -> None:
    record.begin(start())
    with closing(sqlite3.connect(path, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM units").fetchone()
        record.reading(volts())
        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=True)
    assert record.warnings == [
        f"another program is reading the logbook: keep {path}-wal together with it until that ends"
    ]
    assert len(all_readings(path)) == 1


def test_a_passed_attempt_settles_first_power_resistance_and_leads(record: LogbookRecord) -> None:
    leads = replace(volts(24.0), step=LEADS, point="VIN", limits=None, result=Result.PASS)
    add_attempt(record, start(), [ohms("3V3"), ohms("5V0"), leads, volts()])
    assert record.history("MBL-0001") == UnitHistory(
        known=True,
        first_power_passed=True,
        resistance_seen=frozenset({"3V3", "5V0"}),
        leads_seen=frozenset({("Corner bench", "VIN")}),
    )
    assert record.history("MBL-0002") == UnitHistory()


def test_what_was_not_attended_or_did_not_pass_settles_no_first_power(record: LogbookRecord) -> None:
    add_attempt(record, start("MBL-0001"), result=AttemptResult.FAILED)
    add_attempt(record, replace(start("MBL-0002"), attended=False))
    for serial in ("MBL-0001", "MBL-0002"):
        assert record.history(serial) == UnitHistory(known=True)


def test_after_a_trip_nothing_carries_over(record: LogbookRecord) -> None:
    add_attempt(record, start(), [ohms()])
    add_attempt(record, start(), [ohms("5V0", monotonic=102.0)], result=AttemptResult.FAILED, trip_at=103.0)
    assert record.history("MBL-0001") == UnitHistory(known=True)
    add_attempt(record, start(), [ohms("12V0")])
    after = record.history("MBL-0001")
    assert (after.first_power_passed, after.resistance_seen) == (True, frozenset({"12V0"}))


def test_a_trip_still_counts_when_the_clock_was_set_back_since(record: LogbookRecord) -> None:
    add_attempt(record, start(at=NOON), [ohms()])
    add_attempt(record, start(at=NOON - timedelta(days=9000)), result=AttemptResult.FAILED, trip_at=103.0)
    assert record.history("MBL-0001") == UnitHistory(known=True)


def test_resistance_that_failed_later_is_not_settled(record: LogbookRecord) -> None:
    add_attempt(record, start(), [ohms("3V3"), ohms("5V0")])
    add_attempt(record, start(), [ohms("3V3", Result.FAIL)], result=AttemptResult.FAILED)
    assert record.history("MBL-0001").resistance_seen == frozenset({"5V0"})


def test_a_corrected_reading_counts_in_place_of_the_one_it_corrects(record: LogbookRecord) -> None:
    slip = replace(ohms("3V3", Result.FAIL), how=How.TYPED)
    add_attempt(record, start(), [slip, replace(ohms("3V3"), replaces=slip.id, how=How.TYPED)])
    assert record.history("MBL-0001").resistance_seen == frozenset({"3V3"})


def test_real_and_simulated_pasts_never_mix(record: LogbookRecord, path: Path) -> None:
    add_attempt(record, start(simulated=True), [ohms()])
    with LogbookRecord.open(path, simulated=True) as simulated, LogbookRecord.open(path, simulated=False) as real:
        assert simulated.history("MBL-0001").first_power_passed
        assert real.history("MBL-0001") == UnitHistory()


def test_the_attempt_under_way_is_not_its_own_past(record: LogbookRecord) -> None:
    record.begin(start())
    record.reading(ohms())
    assert record.history("MBL-0001") == UnitHistory()


def test_limits_come_back_exactly(record: LogbookRecord, path: Path) -> None:
    record.begin(start())
    limits = Limits("V", Decimal("3.23400"), Decimal("3.366000000000000000000001"), Decimal("3.30"), "as stated")
    record.reading(replace(volts(), limits=limits, limits_from=LimitsFrom.PROCEDURE))
    back = all_readings(path)[0].reading.limits
    assert back == limits
    assert back is not None
    assert (str(back.low), str(back.high)) == ("3.23400", "3.366000000000000000000001")
    assert rows(path, "SELECT low, high, nominal FROM readings") == [(3.234, 3.366, 3.3)]
    assert LIMITS_3V3.accepts(3.366)


def test_opening_twice_in_one_process_shares_the_logbook(path: Path) -> None:
    with closing(open_for_writing(path).connection), LogbookRecord.open(path, simulated=False) as second:
        add_attempt(second, start(at=datetime(2026, 11, 26, tzinfo=UTC)))
    assert len(rows(path, "SELECT id FROM attempts")) == 1


def test_processes_that_make_the_same_logbook_at_once_all_get_it(path: Path) -> None:
    writers = [writer(path, stop_after=1) for _ in range(3)]
    said = []
    for process in writers:
        assert process.stdout is not None
        said.append([process.stdout.readline().strip() for _ in range(2)])
    for process in writers:
        process.kill()
        process.communicate()
    assert {(one.attempt, one.reading.id) for one in all_readings(path)} == {tuple(pair) for pair in said}
