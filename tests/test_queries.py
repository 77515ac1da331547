"""Questions to a logbook: what comes back is what went in, filters narrow, and a wrong name is told from no row."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.core.limits import Limits
from bringup.core.reading import Reading
from bringup.core.words import UNIT_OF, AttemptResult, How, Kind, LimitsFrom, Result
from bringup.errors import CommandError, LogbookError
from bringup.logbook import deviation_queries, queries, standings
from bringup.logbook import filters as filters_module
from bringup.logbook.database import Database
from bringup.logbook.filters import CURRENT_ONLY, Filters
from bringup.logbook.past import TAKEN_IN
from bringup.logbook.queries import attempt, attempts, history, is_empty, readings
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.rows import LoggedReading
from bringup.logbook.server_address import AnyLogbook
from bringup.logbook.standings import standing
from tests.logbook_samples import NOON, add_attempt, filled_logbook, ohms, start, volts

Engine = Callable[[Path], AnyLogbook]

finite = st.floats(allow_nan=False, allow_infinity=False)
exact = st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**15), max_value=10**15)
text = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
times = st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - zone is given


@st.composite
def limits_in(draw: st.DrawFn, unit: str) -> Limits:
    low, nominal, high = sorted(draw(st.tuples(exact, exact, exact)))
    kept = draw(st.tuples(st.booleans(), st.booleans(), st.booleans()))
    ends = [value if keep else None for value, keep in zip((low, high, nominal), kept, strict=True)]
    return Limits(unit, ends[0], ends[1], ends[2], draw(text))


@st.composite
def any_reading(draw: st.DrawFn) -> Reading:
    kind = draw(st.sampled_from(Kind))
    value = draw(st.none() | finite)
    results = [Result.NO_VALUE, Result.FAIL] if value is None else [one for one in Result if one is not Result.NO_VALUE]
    return Reading(
        step=draw(st.integers(0, 4)),
        point=draw(st.none() | text),
        kind=kind,
        value=value,
        unit=UNIT_OF[kind],
        limits=draw(st.none() | limits_in(UNIT_OF[kind])),
        limits_from=draw(st.sampled_from(LimitsFrom)),
        result=draw(st.sampled_from(results)),
        at=draw(times),
        monotonic=draw(st.floats(0, 1e9)),
        instrument=draw(st.sampled_from(["meter", "supply", "person"])),
        raw=draw(text),
        how=draw(st.sampled_from(How)),
        aspect=draw(text),
        resolution=draw(st.none() | finite),
        board_state=draw(st.none() | text),
        input_volts=draw(st.none() | finite),
        input_amps=draw(st.none() | finite),
        unsettled=draw(st.booleans()),
        lowest=draw(st.none() | finite),
        highest=draw(st.none() | finite),
        decision_rule=draw(text),
        uncertainty=draw(st.none() | finite),
        note=draw(text),
    )


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, LogbookRecord]]:
    path = tmp_path_factory.mktemp("scratch") / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        yield path, record


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    path = tmp_path_factory.mktemp("filled") / "bringup.db"
    return path, filled_logbook(path)


@pytest.fixture(scope="module")
def filled(file: tuple[Path, dict[str, str]], engine: Engine) -> tuple[AnyLogbook, dict[str, str]]:
    return engine(file[0]), file[1]


@pytest.fixture
def ask(filled: tuple[AnyLogbook, dict[str, str]]) -> Callable[..., list[LoggedReading]]:
    return lambda **asked: read(filled[0], lambda connection: readings(connection, Filters(**asked)))


@settings(max_examples=30, deadline=None)
@given(taken=st.lists(any_reading(), max_size=4))
def test_readings_come_back_as_they_went_in(scratch: tuple[Path, LogbookRecord], taken: list[Reading]) -> None:
    path, record = scratch
    identity = record.begin(start())
    for reading in taken:
        record.reading(reading)
    asked = Filters(attempt=identity, replaced=True)
    back = {one.reading.id: one.reading for one in read(path, lambda connection: readings(connection, asked))}
    assert back == {reading.id: reading for reading in taken}
    for reading in taken:
        if reading.limits is not None:
            kept = back[reading.id].limits
            assert kept is not None
            assert [str(end) for end in (kept.low, kept.high, kept.nominal)] == [
                str(end) for end in (reading.limits.low, reading.limits.high, reading.limits.nominal)
            ]


@pytest.mark.parametrize(
    ("asked", "values"),
    [
        ({"serial": "MBL-0002", "quantity": Kind.VOLTAGE}, [2.91, 3.31]),
        ({"serial": "MBL-000?", "quantity": Kind.VOLTAGE, "simulated": False}, [3.306, 2.91, 3.31, 3.306]),
        ({"serial": "MBL*1", "quantity": Kind.VOLTAGE}, [3.306, 3.9]),
        ({"result": Result.FAIL}, [2.91, 3.9]),
        ({"result": Result.FAIL, "simulated": True}, [3.9]),
        ({"quantity": Kind.VOLTAGE, "only": "first", "simulated": False}, [3.306, 2.91, 3.306]),
        ({"quantity": Kind.VOLTAGE, "only": "last", "simulated": False}, [3.306, 3.31, 3.306]),
        ({"quantity": Kind.VOLTAGE, "attempt_result": AttemptResult.PASSED}, [3.306, 3.31]),
        ({"rail": "3V3", "since": NOON + timedelta(days=1), "until": NOON + timedelta(days=1)}, [1470.0, 3.31]),
        ({"quantity": Kind.VOLTAGE, "sort": "-value", "limit": 2}, [3.9, 3.31]),
        ({"quantity": Kind.VOLTAGE, "sort": "value", "limit": 1}, [2.91]),
        ({"sort": "-at", "limit": 1}, [3.9]),
        ({"serial": "MBL-0003"}, [3.306]),
        ({"serial": "MBL-0003", "replaced": True}, [33.06, 3.306]),
        (
            {"procedure": "First*", "operator": "ada", "board": "Mooring*", "lot": "L?", "revision": "B", "limit": 1},
            [1470.0],
        ),
        ({"serial": "MBL-0003", "quantity": Kind.RESISTANCE}, []),
        ({"bench": "Corner*", "instrument": "DMM-?", "quantity": Kind.VOLTAGE, "simulated": True}, [3.9]),
        ({"instrument": "1001", "sort": "-value", "limit": 2}, [1470.0, 1470.0]),
        ({"instrument": "WEST DOCK,*", "quantity": Kind.VOLTAGE}, [3.306, 2.91, 3.31, 3.306]),
        ({"instrument": "supply"}, []),
        ({"variant": ""}, [1470.0, 3.306, 1470.0, 2.91, 1470.0, 3.31, 3.306, 1470.0, 3.9]),
    ],
)
def test_filters_narrow_what_is_asked_for(
    ask: Callable[..., list[LoggedReading]], asked: dict[str, object], values: list[float]
) -> None:
    assert [one.reading.value for one in ask(**asked)] == values


def test_a_correction_and_what_it_corrects_refer_to_each_other(ask: Callable[..., list[LoggedReading]]) -> None:
    old, new = ask(serial="MBL-0003", replaced=True)
    assert (old.replaced_by, new.reading.replaces) == (new.reading.id, old.reading.id)
    assert (old.reading.raw, new.reading.note) == ("33.06", "point slipped")


@pytest.mark.parametrize(
    ("asked", "message", "what_to_do"),
    [
        ({"serial": "MBL-0009"}, "no unit 'MBL-0009' is in this logbook", "Nearest: MBL-000"),
        ({"serial": "XYZ*"}, "no unit 'XYZ*' is in this logbook", "Known: MBL-0001, MBL-0002, MBL-0003."),
        ({"rail": "3v3"}, "no rail '3v3' is in this logbook", "Nearest: 3V3."),
        ({"procedure": "First power on"}, "no procedure 'First power on'", "Nearest: First power-on."),
        ({"operator": "adah"}, "no operator 'adah'", "Nearest: ada."),
        ({"lot": "L9"}, "no lot 'L9'", "Nearest: L1."),
        ({"bench": "Corner-bench"}, "no bench 'Corner-bench'", "Nearest: Corner bench."),
        ({"instrument": "DMM-2"}, "no instrument 'DMM-2'", "Nearest: DMM-1."),
        ({"board_state": "asleep"}, "no board state 'asleep'", "It holds no board state yet."),
        ({"revision": "Q"}, "no revision 'Q'", "Known: B."),
        ({"serial": "MBL_000%"}, "no unit 'MBL_000%'", "Nearest: MBL-000"),
        ({"attempt": "zzzz"}, "no attempt 'zzzz' is in this logbook", "Known: "),
        ({"sort": "price"}, "cannot sort by 'price'", "Sort by one of: at, serial, rail, quantity, value, "),
    ],
)
def test_a_name_that_is_nowhere_is_a_mistake_and_the_nearest_is_named(
    ask: Callable[..., list[LoggedReading]], asked: dict[str, object], message: str, what_to_do: str
) -> None:
    with pytest.raises(CommandError, match=re.escape(message)) as caught:
        ask(**asked)
    assert what_to_do in caught.value.what_to_do


def test_the_beginning_of_an_id_finds_the_attempt(filled: tuple[AnyLogbook, dict[str, str]]) -> None:
    path, ids = filled
    found = read(path, lambda connection: attempt(connection, ids["0002 first"][:8].upper()))
    assert (found.id, found.cause, len(found.readings), len(found.steps)) == (
        ids["0002 first"],
        "3V3 reads 2.910 V, below 3.234 V",
        2,
        5,
    )
    with pytest.raises(CommandError, match="5 attempts have an id that begins with ''"):
        read(path, lambda connection: attempt(connection, ""))


def test_attempts_carry_their_readings(filled: tuple[AnyLogbook, dict[str, str]]) -> None:
    path, ids = filled
    found = read(path, lambda connection: attempts(connection, Filters(simulated=False, sort="-started", limit=2)))
    assert [(one.id, [logged.reading.value for logged in one.readings]) for one in found] == [
        (ids["0003"], [3.306]),
        (ids["0002 second"], [1470.0, 3.31]),
    ]


def test_standing_tells_last_first_and_what_failed_last(filled: tuple[AnyLogbook, dict[str, str]]) -> None:
    units = read(filled[0], lambda connection: standing(connection, Filters()))
    told = [
        (unit.last.serial, unit.last.simulated, unit.attempts, unit.first.result, unit.last.result) for unit in units
    ]
    passed, failed = AttemptResult.PASSED, AttemptResult.FAILED
    assert told == [
        ("MBL-0001", False, 1, passed, passed),
        ("MBL-0001", True, 1, failed, failed),
        ("MBL-0002", False, 2, failed, passed),
        ("MBL-0003", False, 1, failed, failed),
    ]
    assert [[logged.reading.value for logged in unit.failed_last] for unit in units] == [[], [3.9], [], []]
    assert units[2].as_json()["first_result"] == "failed"


def test_what_was_done_stands_in_its_order_though_the_clock_was_set_back_and_what_came_in_late_by_the_clock(
    tmp_path: Path,
    engine: Engine,
) -> None:
    path = tmp_path / "bringup.db"
    hours = {"first": 0, "after the clock was set back": -2, "late": -1, "last": 1}
    with LogbookRecord.open(path, simulated=False) as record:
        ids = {}
        for name, hour in hours.items():
            begin = start("MBL-0009", at=NOON + timedelta(hours=hour))
            ids[add_attempt(record, begin, [volts(at=begin.started)])] = name
            if name == "late":
                record.event(TAKEN_IN, "taken in from a rescue file", at=NOON, monotonic=200.0)
    wanted = ["late", "first", "after the clock was set back", "last"]

    logbook = engine(path)
    found = read(logbook, lambda connection: attempts(connection, Filters(serial="MBL-0009")))
    of = read(logbook, lambda connection: readings(connection, Filters(serial="MBL-0009")))
    (story,) = read(logbook, lambda connection: history(connection, "MBL-0009"))
    backwards = read(logbook, lambda connection: attempts(connection, Filters(serial="MBL-0009", sort="-started")))

    assert [ids[one.id] for one in found] == wanted
    assert [ids[one.attempt] for one in of] == wanted
    assert [ids[one.id] for one in story.attempts] == wanted
    assert [ids[one.id] for one in backwards] == ["last", "first", "late", "after the clock was set back"]


def test_a_story_has_attempts_in_time_with_events_notes_and_replaced_readings(tmp_path: Path, engine: Engine) -> None:
    path = tmp_path / "bringup.db"
    filled_logbook(path)
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start("MBL-0003", at=NOON + timedelta(days=4)))
        record.note("R12 was the wrong value", at=NOON + timedelta(days=4))
        record.end(AttemptResult.CALLED_OFF, "", at=NOON + timedelta(days=4, hours=1), off_verified=True)
    logbook = engine(path)
    (story,) = read(logbook, lambda connection: history(connection, "MBL-0003"))
    assert [one.result for one in story.attempts] == [AttemptResult.FAILED, AttemptResult.CALLED_OFF]
    assert [one.reading.value for one in story.attempts[0].readings] == [33.06, 3.306]
    assert [(event.kind, event.step) for event in story.attempts[0].events] == [("trip", 4)]
    assert [(note.text, note.attempt) for note in story.notes] == [("R12 was the wrong value", story.attempts[1].id)]


def test_real_and_simulated_are_two_stories(filled: tuple[AnyLogbook, dict[str, str]]) -> None:
    both = read(filled[0], lambda connection: history(connection, "MBL-0001"))
    assert [(story.simulated, len(story.attempts)) for story in both] == [(False, 1), (True, 1)]
    (real,) = read(filled[0], lambda connection: history(connection, "MBL-0001", simulated=False))
    assert not real.simulated
    with pytest.raises(CommandError, match="MBL-0002 has no simulated attempt"):
        read(filled[0], lambda connection: history(connection, "MBL-0002", simulated=True))
    with pytest.raises(CommandError, match="a history is of one unit"):
        read(filled[0], lambda connection: history(connection, "MBL-*"))


def test_an_empty_logbook_is_empty_and_knows_no_names(tmp_path: Path, engine: Engine) -> None:
    path = tmp_path / "bringup.db"
    LogbookRecord.open(path, simulated=False).close()
    logbook = engine(path)
    assert read(logbook, is_empty)
    assert read(logbook, lambda connection: readings(connection, Filters())) == []
    assert read(logbook, lambda connection: standing(connection, Filters())) == []
    with pytest.raises(CommandError, match="no unit 'MBL-0001'") as caught:
        read(logbook, lambda connection: history(connection, "MBL-0001"))
    assert caught.value.what_to_do == "It holds no unit yet."


def test_reading_a_logbook_at_rest_creates_no_file_and_changes_none(file: tuple[Path, dict[str, str]]) -> None:
    path, _ = file
    before = path.read_bytes()
    read(path, is_empty)
    assert list(path.parent.iterdir()) == [path]
    assert path.read_bytes() == before


def test_a_reader_cannot_write(filled: tuple[AnyLogbook, dict[str, str]]) -> None:
    with pytest.raises(LogbookError, match=r"cannot be written to|read-only transaction"):
        read(filled[0], lambda connection: connection.execute("DELETE FROM events"))


def test_a_missing_logbook_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(LogbookError, match=r"there is no logbook .*bringup\.db") as caught:
        read(tmp_path / "bringup.db", is_empty)
    assert "the first attempt makes one" in caught.value.what_to_do
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_logbook_is_said_to_be_damaged(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    filled_logbook(path)
    content = bytearray(path.read_bytes())
    content[4096:] = b"\x55" * (len(content) - 4096)
    path.write_bytes(content)
    with pytest.raises(LogbookError, match="the file is damaged") as caught:
        read(path, lambda connection: readings(connection, Filters()))
    assert "Keep a copy" in caught.value.what_to_do


def test_what_is_asked_again_when_a_writer_came_in_between(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start(), [ohms()])
    seen: list[int] = []

    def count(connection: Database) -> int:
        if not seen:
            with LogbookRecord.open(path, simulated=False) as other:
                add_attempt(other, start("MBL-0002"), [volts()])
        seen.append(len(readings(connection, Filters())))
        return seen[-1]

    assert read(path, count) == 2
    assert len(seen) == 2


def test_reading_while_an_attempt_writes_never_fails_nor_goes_back(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    filled_logbook(path)
    done = threading.Event()

    def write() -> None:
        try:
            for number in range(8):
                with LogbookRecord.open(path, simulated=False) as record:
                    add_attempt(record, start(f"MBL-01{number:02}"), [ohms(), volts()])
        finally:
            done.set()

    thread = threading.Thread(target=write)
    thread.start()
    counts = []
    while not done.is_set():
        counts.append(len(read(path, lambda connection: readings(connection, Filters()))))
    thread.join()
    counts.append(len(read(path, lambda connection: readings(connection, Filters()))))
    assert counts == sorted(counts)
    assert (counts[0] >= 9, counts[-1]) == (True, 9 + 16)


@pytest.mark.parametrize(
    "statement",
    [
        queries.READINGS,
        queries.ATTEMPTS,
        queries.STEPS,
        queries.EVENTS,
        deviation_queries.NOTES,
        standings.COUNT_ATTEMPTS,
        standings.LAST,
    ],
)
def test_statements_use_no_word_of_one_database_only(statement: str) -> None:
    words = set(re.findall(r"[a-z_]+", statement.lower()))
    assert words.isdisjoint({"glob", "rowid", "ifnull", "strftime", "datetime", "julianday", "json_extract", "pragma"})
    assert filters_module.like("50_%*?") == "50\\_\\%%_"


def test_a_pattern_takes_signs_of_like_for_themselves(tmp_path: Path, engine: Engine) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        for serial in ("MBL_1", "MBL-1"):
            add_attempt(record, start(serial), [replace(volts(), limits=Limits("V", Decimal(3)))])
    logbook = engine(path)
    asked = Filters(serial="MBL_*")
    assert [one.serial for one in read(logbook, lambda connection: readings(connection, asked))] == ["MBL_1"]


@pytest.mark.parametrize("condition", ["a.serial = :x", "a.id = :x", "r.rail = :x AND r.quantity = :x"])
def test_readings_are_reached_through_indexes(file: tuple[Path, dict[str, str]], condition: str) -> None:
    statement = queries.READINGS.format(where=condition + CURRENT_ONLY)
    plan = read(
        file[0],
        lambda connection: connection.execute(f"EXPLAIN QUERY PLAN {statement}", {"x": "MBL-0001"}).fetchall(),
    )
    assert plan
    assert not [row["detail"] for row in plan if row["detail"].startswith("SCAN")]
