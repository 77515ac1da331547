"""Filters, whichever are combined: the answer is what filtering the whole answer by hand leaves."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from fnmatch import fnmatchcase
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.commands.main import main
from bringup.core.bench import SIMULATED_MAKER, Identity
from bringup.core.words import AttemptResult, Kind, Result
from bringup.errors import CommandError, ExitCode
from bringup.logbook.database import Database
from bringup.logbook.filters import Filters
from bringup.logbook.past import TAKEN_IN
from bringup.logbook.queries import attempts, readings
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.rows import Json
from bringup.logbook.searching import rails
from bringup.logbook.server_address import AnyLogbook
from bringup.logbook.sort_keys import ATTEMPT_KEYS, READING_KEYS
from bringup.logbook.standings import Standing, last_attempts, standing
from tests.conftest import EXAMPLES
from tests.logbook_samples import MEASURE, NOON, ohms, start, volts

ATTEMPTS = 40
LATE = range(17, ATTEMPTS, 4)
"""Those that came in from a rescue file long after they were made."""
THOROUGH = max(15, EXAMPLES // 2)
"""Examples: each asks a logbook several times."""
DRAWN: dict[str, tuple[str, ...]] = {
    "board": ("Mooring buoy logger", "Buoy relay"),
    "revision": ("A", "B"),
    "variant": ("", "long range"),
    "lot": ("L1", "L2", "M_1"),
    "operator": ("ada", "bo"),
    "bench": ("Corner bench", "Window bench"),
    "procedure": ("First power-on", "Re-check"),
    "serial": ("MBL-0001", "MBL-0002", "MBL-0011", "RLY_01"),
}
MODELS, FIRMWARE, STATES = ("DMM-1", "DMM-2"), ("1.4.2", "1.5", "2.0"), ("programmed", "asleep")
POINTS = ("3V3", "12V0", "VIN")
PATTERNS: dict[str, tuple[str, ...]] = {
    "serial": ("MBL-*", "MBL-000?", "*1", "RLY_??"),
    "lot": ("L?", "M_*"),
    "procedure": ("*", "First*"),
    "operator": ("?da",),
    "rail": ("*V*", "?V?"),
}
MOMENTS = tuple(NOON + timedelta(hours=hour) for hour in (0, 7, 15, 16, 30, 50))


def written(path: Path) -> dict[str, tuple[str, str]]:
    """Write attempts of everything that there is. Returns each one's model of meter and firmware by its id."""
    at_random, beside = Random(11), {}  # noqa: S311 - no secret
    for number in range(ATTEMPTS):
        late = number in LATE
        begun = NOON + (timedelta(hours=number - 15, minutes=30) if late else timedelta(hours=number))
        simulated = at_random.random() < 0.3
        model = at_random.choice(MODELS)
        drawn: dict[str, Any] = {name: at_random.choice(choices) for name, choices in DRAWN.items()}
        drawn["board"] = DRAWN["board"][drawn["serial"].startswith("RLY")]
        begin = replace(start(at=begun, simulated=simulated), **drawn)
        maker = SIMULATED_MAKER if simulated else "WEST DOCK"
        meter = replace(
            begin.instruments[0], identity=Identity(maker, model, "1001", "1.0", f"{maker},{model},1001,1.0")
        )
        begin = replace(begin, instruments=(meter, begin.instruments[1]))
        version = at_random.choice(FIRMWARE)
        with LogbookRecord.open(path, simulated=False) as record:
            identity = record.begin(begin)
            record.step_begun(MEASURE, begun, 101.0)
            heard = {"version": version, "n": "7"}
            record.event("heard", "found", at=begun, monotonic=102.0, step=MEASURE, data=heard)
            for place in range(at_random.randrange(4)):
                value = at_random.choice((3.3, 2.9, None, 3.31))
                reading = at_random.choice((volts(value), ohms(result=Result.PASS if value else Result.FAIL)))
                state, point = at_random.choice((None, *STATES)), at_random.choice(POINTS)
                point = "VBAT" if point == "VIN" and drawn["board"] == "Buoy relay" else point
                result = Result.FAIL if value == 2.9 else reading.result
                by = at_random.choice(("meter", "supply"))
                reading = replace(reading, point=point, board_state=state, result=result, instrument=by)
                record.reading(replace(reading, at=begun, monotonic=103.0 + place))
            outcome = at_random.choice((AttemptResult.PASSED, AttemptResult.FAILED, AttemptResult.INCOMPLETE))
            if late:
                record.event(TAKEN_IN, "taken in from a rescue file", at=begun, monotonic=110.0)
            record.end(outcome, "", at=begun + timedelta(minutes=2), off_verified=True)
        beside[identity] = (model, version)
    return beside


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, tuple[str, str]]]:
    path = tmp_path_factory.mktemp("laws") / "bringup.db"
    return path, written(path)


@pytest.fixture(scope="module")
def asking(
    file: tuple[Path, dict[str, tuple[str, str]]], engine: Callable[[Path], AnyLogbook]
) -> tuple[Callable[[Any, Filters], list[Json]], dict[str, tuple[str, str]]]:
    logbook = engine(file[0])
    whole: dict[Any, list[Json]] = {}

    def ask(query: Any, filters: Filters) -> list[Json]:
        if filters == Filters() and query in whole:
            return whole[query]
        found: list[Json] = []
        with known():
            found = [each.as_json() for each in read(logbook, lambda connection: query(connection, filters))]
        if filters == Filters():
            whole[query] = found
        return found

    return ask, file[1]


@contextmanager
def known() -> Iterator[None]:
    """A name that no row bears is refused, which is tested elsewhere: here it is an empty answer."""
    try:
        yield
    except CommandError as error:
        if " is in this logbook" not in error.message:
            raise


def some(names: tuple[str, ...], patterns: tuple[str, ...] = ()) -> st.SearchStrategy[str | None]:
    return st.none() | st.none() | st.sampled_from((*names, *patterns))


OF_ATTEMPTS: dict[str, st.SearchStrategy[Any]] = {
    **{name: some(choices, PATTERNS.get(name, ())) for name, choices in DRAWN.items()},
    "used": some((*MODELS, "meter", "*DMM-2*")),
    "firmware": some((*FIRMWARE, "1.*")),
    "attempt_result": st.none() | st.sampled_from((AttemptResult.PASSED, AttemptResult.FAILED)),
    "since": st.none() | st.sampled_from(MOMENTS),
    "until": st.none() | st.sampled_from(MOMENTS),
    "simulated": st.none() | st.booleans(),
}
ONLY = {"only": st.none() | st.sampled_from(("first", "last"))}
OF_READINGS: dict[str, st.SearchStrategy[Any]] = {
    "rail": some(POINTS, PATTERNS["rail"]),
    "step": some(("measure", "resistance")),
    "board_state": some(STATES),
    "instrument": some((*MODELS, "supply", "DMM-?")),
    "quantity": st.none() | st.sampled_from((Kind.VOLTAGE, Kind.RESISTANCE)),
    "result": st.none() | st.sampled_from((Result.PASS, Result.FAIL, Result.NO_VALUE)),
}


def few(of: dict[str, st.SearchStrategy[Any]], most: int = 4) -> st.SearchStrategy[dict[str, Any]]:
    """Some of the filters: with all of them together nothing would be left."""
    return st.sets(st.sampled_from(sorted(of)), max_size=most).flatmap(
        lambda names: st.fixed_dictionaries({name: of[name] for name in sorted(names)})
    )


HAVING = {"having": few(OF_READINGS, 3).map(lambda asked: Filters(**asked))}
"""What is asked of one reading of an attempt."""


def fits(name: str | None, asked: str | None) -> bool:
    return asked is None or (name is not None and fnmatchcase(name, asked))


def wanted_attempt(attempt: Json, asked: Filters, model: str, version: str) -> bool:
    """Whether an attempt, or a reading's attempt, is asked for; which one of its unit's it is left aside."""
    names = all(fits(attempt[name], getattr(asked, name)) for name in DRAWN)
    started = datetime.fromisoformat(attempt["started"])
    maker = SIMULATED_MAKER if attempt["simulated"] else "WEST DOCK"
    called = ("meter", "supply", model, "1001", f"{maker},{model},1001,1.0")
    return (
        names
        and (asked.used is None or any(fits(name, asked.used) for name in called))
        and fits(version, asked.firmware)
        and asked.attempt_result in (None, attempt["result"])
        and (asked.since is None or asked.since <= started)
        and (asked.until is None or started <= asked.until)
        and asked.simulated in (None, attempt["simulated"])
    )


def wanted_reading(reading: Json, asked: Filters, model: str) -> bool:
    by_meter = reading["instrument"] == "meter"
    called = ("meter", model, "1001", reading["instrument_identity"]) if by_meter else ("supply",)
    return (
        fits(reading["rail"], asked.rail)
        and fits(reading["step_kind"], asked.step)
        and fits(reading["board_state"], asked.board_state)
        and (asked.instrument is None or any(fits(name, asked.instrument) for name in called))
        and asked.quantity in (None, reading["quantity"])
        and asked.result in (None, reading["result"])
    )


def ends_of_units(every: list[Json], asked: Filters) -> set[str]:
    """The ids of each unit's first or last attempt, of those with its procedure where one is asked for."""
    ends: dict[tuple[str, str], str] = {}
    for attempt in every if asked.only == "last" else reversed(every):
        if fits(attempt["procedure"], asked.procedure):
            ends[attempt["serial"], str(attempt["simulated"])] = attempt["id"]
    return set(ends.values())


def attempts_by_hand(every: list[Json], asked: Filters, beside: dict[str, tuple[str, str]]) -> list[Json]:
    ends = None if asked.only is None else ends_of_units(every, asked)
    having = asked.having
    return [
        each
        for each in every
        if wanted_attempt(each, asked, *beside[each["id"]])
        and (ends is None or each["id"] in ends)
        and (having is None or any(wanted_reading(one, having, beside[each["id"]][0]) for one in each["readings"]))
    ]


Asking = tuple[Callable[[Any, Filters], list[Json]], dict[str, tuple[str, str]]]


@settings(max_examples=THOROUGH)
@given(asked=few(OF_ATTEMPTS | ONLY | HAVING))
def test_attempts_are_those_that_filtering_by_hand_leaves(asking: Asking, asked: dict[str, Any]) -> None:
    ask, beside = asking
    filters = Filters(**asked)
    assert ask(attempts, filters) == attempts_by_hand(ask(attempts, Filters()), filters, beside)


@settings(max_examples=THOROUGH)
@given(asked=few(OF_ATTEMPTS | ONLY, 2), having=HAVING["having"])
def test_attempts_with_such_a_reading_are_those_in_which_one_is_all_that_is_asked(
    asking: Asking, asked: dict[str, Any], having: Filters
) -> None:
    ask, beside = asking
    filters = Filters(**asked, having=having)
    found = attempts_by_hand(ask(attempts, Filters()), filters, beside)
    assert ask(attempts, filters) == found, "each with all its readings"
    if filters.only is None:
        every = [each for each in ask(readings, Filters()) if each["attempt"] in {one["id"] for one in found}]
        assert ask(readings, filters) == every


@settings(max_examples=THOROUGH)
@given(asked=few(OF_ATTEMPTS | ONLY | HAVING, 3), of_reading=few(OF_READINGS, 3))
def test_readings_are_those_that_filtering_by_hand_leaves(
    asking: Asking, asked: dict[str, Any], of_reading: dict[str, Any]
) -> None:
    ask, beside = asking
    filters = Filters(**asked, **of_reading)
    left = {each["id"] for each in attempts_by_hand(ask(attempts, Filters()), filters, beside)}
    assert ask(readings, filters) == [
        each
        for each in ask(readings, Filters())
        if each["attempt"] in left and wanted_reading(each, filters, beside[each["attempt"]][0])
    ]


@settings(max_examples=THOROUGH)
@given(asked=few(OF_ATTEMPTS | HAVING))
def test_standing_is_of_the_units_whose_last_attempt_filtering_by_hand_leaves(
    asking: Asking, asked: dict[str, Any]
) -> None:
    ask, beside = asking
    filters = Filters(**asked, only="last")
    every = ask(attempts, Filters())
    last = attempts_by_hand(every, filters, beside)
    found = ask(standing, replace(filters, only=None))
    assert {each["attempt"] for each in found} == {each["id"] for each in last}
    of_unit = [(each["serial"], each["simulated"]) for each in every]
    assert [each["attempts"] for each in found] == [of_unit.count((e["serial"], e["simulated"])) for e in found]


@given(asked=few(OF_ATTEMPTS | HAVING), begin=st.integers(0, 3))
@settings(max_examples=THOROUGH)
def test_standing_of_some_units_is_that_part_of_standing_of_all(
    asking: Asking, asked: dict[str, Any], begin: int
) -> None:
    ask, _ = asking

    def of_some(connection: Database, filters: Filters) -> list[Standing]:
        some = sorted(last_attempts(connection, filters), key=lambda each: (each.serial, each.simulated))
        return standing(connection, filters, some[begin : begin + 2])

    assert ask(of_some, Filters(**asked)) == ask(standing, Filters(**asked))[begin : begin + 2]


def test_a_reading_that_was_corrected_is_not_had(tmp_path: Path, engine: Callable[[Path], AnyLogbook]) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        record.step_begun(MEASURE, NOON, 101.0)
        wrong = volts(2.9)
        for reading in (wrong, replace(volts(3.3), replaces=wrong.id)):
            record.reading(reading)
        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=True)
    logbook = engine(path)

    def had(result: Result) -> int:
        filters = Filters(having=Filters(rail="3V3", result=result))
        return len(read(logbook, lambda connection: attempts(connection, filters)))

    assert (had(Result.FAIL), had(Result.PASS)) == (0, 1)


def test_the_options_of_one_reading_hold_of_one_reading(
    file: tuple[Path, dict[str, tuple[str, str]]], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    every = [each.as_json() for each in read(file[0], lambda connection: attempts(connection, Filters()))]

    def such(attempt: Json) -> bool:
        return any(one["rail"] in ("3V3", "12V0") and one["result"] == "fail" for one in attempt["readings"])

    wanted = [each["id"] for each in every if such(each)]
    out = tmp_path / "attempts.jsonl"
    rest = ("--rail", "*V?", "--logbook", str(file[0]))
    assert main(["attempts", "--reading-result", "fail", "--json", *rest]) == ExitCode.PASSED
    told = json.loads(capsys.readouterr().out)
    assert main(["export", str(out), "--attempts", "--result", "fail", *rest]) == ExitCode.PASSED
    lines = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    capsys.readouterr()
    assert main(["standing", "--reading-result", "fail", "--json", *rest]) == ExitCode.PASSED
    units = json.loads(capsys.readouterr().out)

    assert 0 < len(wanted) < len(every)
    assert [each["id"] for each in told] == [each["id"] for each in lines] == wanted
    assert [each["readings"] for each in lines] == [len(each["readings"]) for each in told], "all that it has"
    assert units
    assert {each["attempt"] for each in units} == set(wanted) & ends_of_units(every, Filters(only="last"))


NAMED = ("serial", "board", "revision", "variant", "lot", "operator", "bench")
OPTIONS = {
    **{name: (name, DRAWN[name][-1], ("readings", "attempts", "standing")) for name in NAMED},
    "procedure": ("procedure", "Re-check", ("readings", "attempts")),
    "rail": ("rail", "12V0", ("readings",)),
    "quantity": ("quantity", "resistance", ("readings",)),
    "board-state": ("board_state", "asleep", ("readings",)),
    "step": ("step_kind", "measure", ("readings",)),
    "result": ("result", "fail", ("readings",)),
}
"""Option -> field of JSON, a value of it, the commands that take it."""


@pytest.mark.parametrize("option", OPTIONS)
def test_an_option_asks_for_the_field_of_its_name(
    file: tuple[Path, dict[str, tuple[str, str]]], capsys: pytest.CaptureFixture[str], option: str
) -> None:
    field, value, commands = OPTIONS[option]

    def told(*arguments: str) -> list[Json]:
        assert main([*arguments, "--json", "--logbook", str(file[0])]) == ExitCode.PASSED
        return list(json.loads(capsys.readouterr().out))

    for command in commands:
        every, found = told(command), told(command, f"--{option}", value)
        if command == "standing" and field in ("operator", "bench"):
            # Its JSON does not say who ran the last attempt where.
            by = told("attempts", f"--{option}", value, "--last")
            assert {each["attempt"] for each in found} == {each["id"] for each in by}
        else:
            assert found == [each for each in every if each[field] == value]
        assert 0 < len(found) < len(every), command


@pytest.mark.parametrize("query", [attempts, readings])
def test_sorting_changes_the_order_only_and_a_limit_takes_the_beginning(asking: Asking, query: Any) -> None:
    ask, _ = asking
    every = ask(query, Filters())
    for key in READING_KEYS if query is readings else ATTEMPT_KEYS:
        for sort in (key, f"-{key}"):
            found = ask(query, Filters(sort=sort))
            assert sorted(map(json.dumps, found)) == sorted(map(json.dumps, every))
            values = [each[key] for each in found]
            there = [value for value in values if value is not None]
            assert there == sorted(there, reverse=sort.startswith("-"))
            assert values == [*there, *[None] * (len(values) - len(there))], "what has no value stands last"
            assert ask(query, Filters(sort=sort, limit=5)) == found[:5]


def test_the_rails_of_each_board_are_those_of_its_readings(
    file: tuple[Path, dict[str, tuple[str, str]]], engine: Callable[[Path], AnyLogbook], asking: Asking
) -> None:
    read_at = {(each["board"], each["rail"]) for each in asking[0](readings, Filters())}

    found = read(engine(file[0]), rails)

    assert list(found) == sorted(found)
    assert all(of == sorted(of) for of in found.values())
    assert {(board, rail) for board, of in found.items() for rail in of} == read_at
    assert len(found) == 2


def test_an_empty_logbook_has_no_rails(tmp_path: Path, engine: Callable[[Path], AnyLogbook]) -> None:
    path = tmp_path / "bringup.db"
    LogbookRecord.open(path, simulated=False).close()

    assert read(engine(path), rails) == {}
