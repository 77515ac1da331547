"""Temperatures beside a log (here of seconds): typed when due, no sample held up; by the meter; slope judged."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.loading import load
from bringup.commands.main import main
from bringup.core.beside_log import Temperature
from bringup.core.limits import parse_limits
from bringup.core.preview import look_ahead
from bringup.core.preview_text import text_of
from bringup.core.procedure import Dwell, Log, Step
from bringup.core.quantity import parse_quantity
from bringup.core.reading import Reading
from bringup.core.safety import examine
from bringup.core.words import AttemptResult, How, Kind, Result
from bringup.errors import ExitCode
from bringup.files.log_checks import channel_of
from bringup.logbook.record import LogbookRecord
from bringup.logbook.traces import log_traces
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.roles import Trouble
from bringup.runner.scpi_meter import ScpiMeter
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import BENCH, ROOT, SEEN, SimulatedBench, picked, simulated_bench, the_bench, with_steps
from tests.logbook_samples import MEASURE, NOON, start

APPLY = picked("apply").steps[0]
AMBIENT, U3, BY_METER = Temperature("ambient"), Temperature("U3"), Temperature("U3", by_meter=True)
SLOPE = {"slope per hour": {"U3 temperature": parse_limits("-600 degC .. 600 degC")}}


def soak(*spots: Temperature, what: str = "VIN current", **changes: object) -> Step:
    action = Log(
        (channel_of(what),),
        parse_quantity("12 s"),
        parse_quantity("200 ms"),
        temperatures=spots,
        temperatures_every=parse_quantity("4 s"),
        judging=SLOPE,
    )
    limits = {"U3 temperature": parse_limits("< 60 degC")}
    return replace(Step(1, action, expect=limits, end_on_fail=False), **changes)  # type: ignore[arg-type]


def typed(*texts: str, delay: float = 0.3) -> list[Scripted]:
    return [Scripted(Answer(text), PromptKind.TEXT, "Temperature of", delay) for text in texts]


def at_bench(step: Step, *script: Scripted, keys: tuple[float, ...] = ()) -> SimulatedBench:
    bench = simulated_bench(with_steps(APPLY, step), history=SEEN)
    bench.ask = person = SimulatedPerson(attended=True, clock=bench.clock, script=script)
    for at in keys:
        person.press("t", at=at)
    return bench


def read(outcome: AttemptOutcome, spot: str = "U3") -> dict[str, Reading]:
    of = [each for each in outcome.readings if each.kind is Kind.TEMPERATURE and each.aspect.endswith(f"at {spot}")]
    return {each.aspect.removesuffix(f" at {spot}"): each for each in of}


def degrees(bench: SimulatedBench, spot: str = "U3") -> list[float | None]:
    return [value for channel, value in bench.record.samples if channel == f"{spot} temperature"]


def test_what_is_typed_by_the_key_and_at_the_end_gives_a_slope_that_is_judged() -> None:
    bench = at_bench(soak(U3), *typed("40.0", "41.0", "41.5", "41.6"), keys=(4.0, 7.5, 11.5))

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert degrees(bench) == [40.0, 41.0, 41.5, 41.6]
    found = read(outcome)
    assert (found["minimum"].value, found["maximum"].value) == (40.0, 41.6)
    assert (found["maximum"].result, found["maximum"].how, found["maximum"].instrument) == (
        Result.PASS,
        How.TYPED,
        "person",
    )
    # Least squares by hand, over some 1.5 s, 5 s, 9 s and 12.3 s of the log: 0.15 degrees a second.
    slope = found["slope per hour"]
    assert slope.value == pytest.approx(0.15 * 3600, rel=0.1)
    assert slope.result is Result.PASS
    assert found["standard deviation"].result is Result.RECORDED


def test_a_slope_beyond_its_limits_fails() -> None:
    bench = at_bench(soak(U3), *typed("40", "45", "50", "55"), keys=(4.0, 7.5, 11.5))

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert "slope per hour at U3" in outcome.cause
    assert "°C/h, wanted -600 degC .. 600 degC an hour" in outcome.cause


def test_samples_go_on_while_a_temperature_is_due_and_nobody_is_there() -> None:
    bench = at_bench(soak(AMBIENT, U3), *typed("22.5", "40.1"))

    outcome = bench.run()

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "slope per hour at U3" in outcome.cause, "typed at the end alone there is no slope"
    assert len([each for each in bench.record.samples if each[0] == "VIN current"]) == 61
    untyped = [text for kind, text, _ in bench.record.events if kind == "untyped"]
    assert untyped == ["nobody typed the temperature of ambient and U3 when it was due"] * 3
    assert "slope per hour" in read(outcome)
    assert read(outcome)["slope per hour"].result is Result.NO_VALUE


def test_the_question_stays_open_while_samples_go_on_and_a_late_answer_counts() -> None:
    bench = at_bench(soak(U3), *typed("40", delay=6.0), *typed("41"), keys=(4.0,))

    bench.run()

    names = [channel for channel, _ in bench.record.samples]
    assert degrees(bench) == [40.0, 41.0]
    assert names.index("U3 temperature") > 30, "samples were taken while it was open"


@pytest.mark.parametrize(
    ("texts", "taken"),
    [
        (("warm", "40", "41"), [40.0, 41.0]),
        (("40 V", "40", "41"), [40.0, 41.0]),
        (("400", "40.0", "41"), [40.0, 41.0]),
        (("40", "4.1", "41"), [40.0, 41.0]),
        (("40", "60", "60"), [40.0, 60.0]),
        (("", "41"), [41.0]),
        (("40", ""), [40.0]),
    ],
    ids=["words", "another unit", "a slip", "a jump", "a jump that stands", "not now", "not at the end"],
)
def test_slips_are_asked_for_once_more(texts: tuple[str, ...], taken: list[float]) -> None:
    bench = at_bench(soak(U3), *typed(*texts), keys=(4.0,))

    bench.run()

    assert degrees(bench) == taken


def again(text: str, was: str, *, delay: float = 0.3) -> Scripted:
    return Scripted(Answer(text), PromptKind.TEXT, f"U3 temperature was typed as {was}", delay)


def pressing(bench: SimulatedBench, *keys: tuple[str, float]) -> SimulatedBench:
    for key, at in keys:
        bench.ask.press(key, at=at)  # type: ignore[attr-defined]
    return bench


def test_one_typed_wrongly_is_put_right_while_samples_go_on_and_both_are_kept() -> None:
    bench = at_bench(soak(U3), *typed("50.0"), again("40.0", "50.0 °C", delay=2.0), *typed("41.0"))
    pressing(bench, ("t", 4.0), ("c", 5.0))

    outcome = bench.run()

    assert degrees(bench) == [50.0, 40.0, 41.0]
    found = read(outcome)
    assert (found["minimum"].value, found["maximum"].value, found["mean"].value) == (40.0, 41.0, 40.5)
    names = [channel for channel, _ in bench.record.samples]
    first, second = [index for index, name in enumerate(names) if name == "U3 temperature"][:2]
    assert second - first > 5, "samples went on while the question stood"
    said = [(text, data) for kind, text, data in bench.record.events if kind == "taken-back"]
    assert said == [
        (
            "U3 temperature: 50.0 was typed, 40.0 is right; both are kept",
            {"first": "50.0", "then": "40.0"},
        )
    ]


@pytest.mark.parametrize("answer", ["", "c"])
def test_enter_alone_keeps_it_and_c_in_the_place_of_another_one_asks_for_it_too(answer: str) -> None:
    bench = at_bench(soak(U3), *typed("40.0", "c"), again("40.4", "40.0 °C"), *typed("41.0"))
    if not answer:
        bench = at_bench(soak(U3), *typed("40.0"), again("", "40.0 °C"), *typed("41.0"))
        pressing(bench, ("c", 5.0))

    outcome = pressing(bench, ("t", 4.0)).run()

    assert degrees(bench) == ([40.0, 40.4, 41.0] if answer else [40.0, 41.0])
    assert read(outcome)["minimum"].value == (40.4 if answer else 40.0)


def test_after_the_log_what_it_came_to_is_worked_out_and_judged_again() -> None:
    bench = at_bench(soak(U3), *typed("40.0", "55.0"), again("400", "55.0 °C"), again("40.1", "55.0 °C"))
    bench.procedure = replace(
        bench.procedure, steps=(*bench.procedure.steps, Step(2, Dwell(parse_quantity("3 s")), line=3))
    )
    pressing(bench, ("t", 4.0), ("c", 15.5))

    outcome = bench.run()

    readings = [each for each in outcome.readings if each.aspect.endswith("at U3")]
    replaced = {each.replaces for each in readings}
    assert [each.value for each in readings if each.aspect.startswith("maximum")] == [55.0, 40.1]
    old, new = (each for each in readings if each.aspect.startswith("slope"))
    assert (old.result, new.result) == (Result.FAIL, Result.PASS)
    assert old.id in replaced
    assert {each.step for each in readings} == {1}
    assert degrees(bench) == [40.0, 55.0, 40.1]
    prompts = [prompt for prompt, _ in bench.ask.asked if "was typed as" in prompt.text]  # type: ignore[attr-defined]
    assert prompts[1].lines == ("400: outside -60 °C .. 100 °C", "Look again, and type what is shown.")


def test_of_two_samples_of_one_moment_the_curve_shows_the_later_one(tmp_path: Path) -> None:
    with LogbookRecord.open(tmp_path / "bringup.db", simulated=False) as record:
        record.begin(start("MBL-0001"))
        for value in (55.0, 40.1):
            record.sample(MEASURE, "U3 temperature", "degC", NOON, 7.0, value, str(value))
        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=True)
    with closing(sqlite3.connect(tmp_path / "bringup.db")) as connection:
        connection.row_factory = sqlite3.Row
        (attempt,) = connection.execute("SELECT id FROM attempts").fetchone()
        (trace,) = log_traces(connection, attempt)

    assert [value for _, value in trace.course] == [40.1]


def test_nothing_typed_at_all_is_no_value() -> None:
    bench = at_bench(soak(U3), *typed("", ""))

    outcome = bench.run()

    assert outcome.result is AttemptResult.INCOMPLETE
    (none,) = [each for each in outcome.readings if each.kind is Kind.TEMPERATURE]
    assert (none.aspect, none.value, none.note) == ("at U3", None, "nobody typed it")


def test_the_meter_reads_a_sensor_and_is_back_in_volts_afterwards() -> None:
    bench = simulated_bench(with_steps(APPLY, soak(BY_METER)), history=SEEN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert len(degrees(bench)) == 4
    found = read(outcome)
    assert found["mean"].value == pytest.approx(23.0, abs=0.1)
    assert (found["minimum"].instrument, found["minimum"].how) == ("meter", How.READ)
    said = [text for kind, text, _ in bench.record.events if "not known to be back in volts" in text]
    assert said == []


def test_who_calls_off_waits_for_no_meter() -> None:
    bench = at_bench(soak(BY_METER))
    assert isinstance(bench.ask, SimulatedPerson)
    bench.ask.press("q", at=6.0)
    asked, as_it_is = [], ScpiMeter.to_volts

    def noted(meter: ScpiMeter) -> Pending[tuple[str, tuple[Trouble, ...]]]:
        asked.append(bench.on())
        return as_it_is(meter)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ScpiMeter, "to_volts", noted)
        outcome = bench.run()

    assert outcome.result is AttemptResult.CALLED_OFF
    assert asked
    assert not any(asked), "nothing comes before the outputs are off"


def test_a_simulated_bench_types_by_itself() -> None:
    bench = simulated_bench(with_steps(APPLY, soak(AMBIENT)), history=SEEN)
    bench.ask = SimulatedPerson(clock=bench.clock)

    outcome = bench.run(ambient=21.5)

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert degrees(bench, "ambient") == [21.5] * 4


def refused(*spots: Temperature, what: str = "VIN current", bench: Path = BENCH) -> list[str]:
    procedure = with_steps(APPLY, soak(*spots, what=what))
    return [each.message for each in examine(procedure, the_bench(bench)) if each.refused]


def test_one_pair_of_leads_is_in_one_place() -> None:
    assert refused(BY_METER) == []
    both = "the meter is to follow 3V3 and the temperature of U3 in one log, and the meter is on one of them at a time"
    assert refused(BY_METER, what="3V3") == [both]
    assert refused(U3, what="3V3") == []
    two = refused(BY_METER, Temperature("ambient", by_meter=True))
    assert two == ["the meter is to follow U3 and ambient in one log, and a meter has leads for one sensor"]


FILE = """procedure: Soak
board: {board}
steps:
  - apply: {{input: VIN, short_check: 1 V, then: [18 V, 24 V], current_limit: 400 mA}}
  - log: {{what: 3V3, for: 4 h, every: 10 s, temperatures: {{ambient: typed, U3: typed}}, expect: {expect},
          slope_per_hour: {{3V3: -1 mV .. 1 mV, U3 temperature: -1 degC .. 1 degC}}{more}}}
"""


def written(folder: Path, expect: str = "3.3 V ± 2 %", more: str = "") -> Path:
    path = folder / "soak.yaml"
    board = ROOT / "fixtures/boards/mooring-buoy-logger.yaml"
    path.write_text(FILE.format(board=board, expect=expect, more=more), encoding="utf-8")
    return path


def test_a_file_says_all_of_it(tmp_path: Path) -> None:
    procedure, bench = load(written(tmp_path), BENCH)

    action = procedure.steps[1].action
    assert isinstance(action, Log)
    assert action.temperatures == (AMBIENT, U3)
    assert action.temperatures_every is not None
    assert action.temperatures_every.number == 900.0
    told = text_of(look_ahead(procedure, bench))
    assert "U3 temperature: typed, every 15 min, at the start and at the end" in told
    assert "slope per hour of U3 temperature: -1 degC .. 1 degC" in told
    by_name = load(
        written(tmp_path, "{3V3: 3.3 V ± 2 %, U3 temperature: < 60 degC}", ", temperatures_every: 5 min"), None
    )
    assert set(by_name[0].steps[1].expect) == {"3V3", "U3 temperature"}


@pytest.mark.parametrize(
    ("expect", "more", "words"),
    [
        ("{U3 temperature: < 60 V}", "", "U3 temperature is read in degrees Celsius"),
        ("{U4 temperature: < 60 degC}", "", "this step does not read 'U4 temperature'"),
        ("3.3 V ± 2 %", ", temperatures_every: 5 h", "temperatures every 5 h in a step of 4 h"),
    ],
)
def test_what_does_not_fit_is_refused(
    expect: str, more: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(written(tmp_path, expect, more))]) == ExitCode.REFUSED
    assert words in " ".join(capsys.readouterr().out.split())


def test_an_answer_is_of_the_spot_that_was_asked_for_though_others_have_fallen_due_meanwhile() -> None:
    # The key brings both; the one of U3 is typed only after the next round has come due.
    script = [
        Scripted(Answer(text), PromptKind.TEXT, f"Temperature of {spot}", delay)
        for spot, text, delay in (("ambient", "23.4", 0.3), ("U3", "41.2", 4.0), ("ambient", "23.6", 0.3))
    ]
    script += [
        Scripted(Answer(text), PromptKind.TEXT, f"of {spot}", 0.3) for spot, text in (("ambient", "23.5"), ("U3", "42"))
    ]
    bench = at_bench(soak(AMBIENT, U3), *script, keys=(4.0,))

    bench.run()

    assert degrees(bench, "ambient")[0] == 23.4
    assert degrees(bench)[0] == 41.2
    assert all(23.0 < (value or 0.0) < 24.0 for value in degrees(bench, "ambient"))
    assert all(41.0 < (value or 0.0) < 43.0 for value in degrees(bench))
