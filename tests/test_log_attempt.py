"""A log in an attempt: what the load reads, marks, statistics with limits of their own, the instruments' own pace."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.loading import load
from bringup.core.accuracy import parse_accuracy
from bringup.core.finding import Finding
from bringup.core.limits import parse_limits
from bringup.core.preview import look_ahead
from bringup.core.preview_text import text_of
from bringup.core.procedure import Log, Pace, Step
from bringup.core.quantity import format_quantity, parse_quantity
from bringup.core.reading import Reading
from bringup.core.safety import examine
from bringup.core.words import AttemptResult, Kind, Result
from bringup.files.log_checks import channel_of
from bringup.runner.protocols import Told
from bringup.runner.setup import AttemptOutcome
from tests.fakes import BENCH, ROOT, SEEN, SimulatedBench, simulated_bench, the_bench, with_steps
from tests.test_load_attempt import APPLY, at_step, drawing
from tests.test_load_attempt import BENCH as LOADED

FOR, EVERY = parse_quantity("4 s"), parse_quantity("200 ms")


def log(*texts: str, **changes: object) -> Step:
    return Step(0, replace(Log(tuple(map(channel_of, texts)), FOR, EVERY), **changes))  # type: ignore[arg-type]


def bench_of(*steps: Step) -> SimulatedBench:
    return simulated_bench(with_steps(APPLY, *steps), history=SEEN, bench_path=LOADED)


def summed(outcome: AttemptOutcome, step: int) -> dict[str, Reading]:
    return {each.aspect: each for each in outcome.readings if each.step == step}


def shown(reading: Reading) -> str:
    assert reading.value is not None
    return format_quantity(reading.value, reading.unit, resolution=reading.resolution)


def test_what_the_load_reads_is_followed_with_the_digits_of_its_replies() -> None:
    bench = bench_of(drawing(), log("3V3 load voltage"), log("3V3 load current", "3V3 load power"))

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    volts = summed(outcome, 2)
    assert volts["minimum at the load"].result is Result.PASS
    assert volts["minimum at the load"].instrument == "load"
    assert shown(volts["minimum at the load"]) == "3.2993 V"
    assert shown(volts["standard deviation at the load"]) == "0.00 mV"
    means = {each.kind: shown(each) for each in outcome.readings if each.step == 3 and "mean" in each.aspect}
    assert means == {Kind.CURRENT: "50.0 mA", Kind.POWER: "165.0 mW"}


def test_logged_watts_are_as_sure_as_the_volts_and_amperes_that_make_them() -> None:
    bench = bench_of(drawing(), log("VIN power", "3V3 load power"))
    described = bench.bench
    assert described.supply is not None
    assert described.load is not None
    unknown = [each for each in bench.run().readings if each.kind is Kind.POWER]
    bench = bench_of(drawing(), log("VIN power", "3V3 load power"))
    volts, amps = parse_accuracy("1 %"), parse_accuracy("2 %", "A")
    bench.bench = replace(
        described,
        supply=replace(described.supply, accuracy=volts, current_accuracy=amps),
        load=replace(described.load, accuracy=volts, current_accuracy=amps),
    )
    known = [each for each in bench.run().readings if each.kind is Kind.POWER]

    assert all(each.uncertainty is None for each in unknown)
    sure = [each for each in known if each.aspect.split(" at ")[0] in ("minimum", "maximum", "mean")]
    assert len(sure) == 6
    for each in sure:
        # By hand: 1 % and 2 %, each over sqrt 3: 1.291 %, twice that; digits and scatter add little.
        assert each.value is not None
        assert each.uncertainty == pytest.approx(0.02582 * each.value, rel=0.03)
    others = [each for each in known if each not in sure]
    assert others
    assert all(each.uncertainty is None for each in others), "how watts scatter is no reading of watts"


def test_a_droop_is_told_with_its_moment_and_the_mark_it_lies_behind() -> None:
    marks = (("radio transmits", parse_quantity("1.5 s")), ("quiet", parse_quantity("3 s")))
    stated = {"minimum": {"3V3": parse_limits("> 3.3005 V")}}
    bench = bench_of(replace(log("3V3", marks=marks, judging=stated), end_on_fail=False))

    def transmit(told: Told) -> None:
        if told.text.startswith("mark: "):
            bench.world.state("programmed" if "transmits" in told.text else "blank")

    outcome = bench.run(tell=transmit)

    assert [text for kind, text, _ in bench.record.events if kind == "mark"] == ["mark: radio transmits", "mark: quiet"]
    found = summed(outcome, 1)
    assert found["minimum"].note.endswith("s behind the mark 'radio transmits'")
    assert 1.5 <= found["minimum"].monotonic - bench_start(bench) < 3.1
    assert found["maximum"].note == "at 10 ms" or "transmits" not in found["maximum"].note
    assert outcome.result is AttemptResult.FAILED
    assert "3V3 minimum voltage 3.300" in outcome.cause
    assert "behind the mark 'radio transmits'), wanted > 3.3005 V" in outcome.cause


def bench_start(bench: SimulatedBench) -> float:
    """When the log began: its first sample is taken at once."""
    return next(each.monotonic for each in bench.record.readings if each.aspect == "mean") - FOR.number


def test_a_key_marks_a_moment() -> None:
    bench = bench_of(log("3V3"))

    outcome = bench.run(tell=at_step(bench, 1, lambda now: bench.ask.press("m", now)))  # type: ignore[attr-defined]

    assert outcome.result is AttemptResult.PASSED
    assert ("mark", "mark: key 1") in [(kind, text) for kind, text, _ in bench.record.events]


def test_each_statistic_is_judged_by_its_own_limits() -> None:
    stated = {"peak to peak": {"": parse_limits("< 1 uV")}, "slope per hour": {"3V3": parse_limits("-1 V .. 1 V")}}
    bench = bench_of(replace(log("3V3", judging=stated), end_on_fail=False))

    found = summed(bench.run(), 1)

    assert (found["peak to peak"].result, found["slope per hour"].result) == (Result.FAIL, Result.PASS)
    assert found["standard deviation"].result is Result.RECORDED
    assert (found["minimum"].result, found["minimum"].limits) == (Result.PASS, bench.board.rails["3V3"].expect)


def test_a_statistic_that_is_judged_and_takes_two_samples_has_no_value_of_one() -> None:
    stated = {"peak to peak": {"": parse_limits("< 1 mV")}}
    one = replace(log("3V3", judging=stated), end_on_fail=False)
    assert isinstance(one.action, Log)
    bench = bench_of(replace(one, action=replace(one.action, duration=parse_quantity("100 ms"))))

    found = summed(bench.run(), 1)

    assert found["peak to peak"].result is Result.NO_VALUE
    assert "slope per hour" not in found


def test_at_their_own_pace_samples_come_as_fast_as_the_meter_answers() -> None:
    fast = bench_of(log("3V3", pace=Pace.OWN, every=parse_quantity("10 ms")))

    fast.run()

    assert len(fast.record.samples) > 60
    assert not [kind for kind, _, _ in fast.record.events if kind == "log-slow"]


def findings(*steps: Step, bench: Path = LOADED) -> list[Finding]:
    return [each for each in examine(with_steps(APPLY, *steps), the_bench(bench)) if each.refused and each.step]


def test_what_a_load_reads_is_refused_where_it_does_not_draw_or_is_not_there() -> None:
    idle = [each.message for each in findings(log("3V3 load voltage"))]
    assert "what the load reads at 3V3 is logged while it draws nothing there" in idle
    assert findings(drawing(), log("3V3 load voltage")) == []
    without = [each.message for each in findings(drawing(), log("3V3 load voltage"), bench=BENCH)]
    assert "`log` needs an electronic load, and the bench file names none" in without


def test_a_file_says_all_of_it(tmp_path: Path) -> None:
    path = tmp_path / "log.yaml"
    path.write_text(
        f"""procedure: Look
board: {ROOT / "fixtures/boards/mooring-buoy-logger.yaml"}
steps:
  - apply: {{input: VIN, short_check: 1 V, then: [18 V, 24 V], current_limit: 400 mA}}
  - load: {{rail: 3V3, current: 50 mA}}
  - log: {{what: [3V3, 3V3 load current], for: 10 s, every: own pace, minimum: {{3V3: '> 3.2 V'}},
          slope_per_hour: {{3V3 load current: -1 mA .. 1 mA}}, marks: {{radio transmits: 5 s}}}}
""",
        encoding="utf-8",
    )

    procedure, bench = load(path, LOADED)

    action = procedure.steps[2].action
    assert isinstance(action, Log)
    assert action.pace is Pace.OWN
    assert [(each.point, each.kind, each.by_load) for each in action.what] == [
        ("3V3", Kind.VOLTAGE, False),
        ("3V3", Kind.CURRENT, True),
    ]
    assert set(action.judging) == {"minimum", "slope per hour"}
    assert [(text, str(after)) for text, after in action.marks] == [("radio transmits", "5 s")]
    assert not [each for each in examine(procedure, bench) if each.refused]
    told = text_of(look_ahead(procedure, bench))
    assert "log for 10 s, as fast as the instruments answer" in told
    assert "marks: radio transmits at 5 s" in told
    assert "minimum of 3V3: > 3.2 V" in told
