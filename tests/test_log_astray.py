"""A log whose samples stay outside the limits: the board does not stay powered to its end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.procedure import Channel, Log, Step
from bringup.core.quantity import parse_quantity
from bringup.core.replies import Value
from bringup.core.words import AttemptResult, Kind, Result
from bringup.runner.astray import Astray
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps

APPLY = picked("apply").steps[0]
CURRENT = Channel("VIN", Kind.CURRENT, "VIN current")
EXPECTED = parse_limits("60 mA .. 110 mA")
STEP = Step(1, Log((CURRENT,), parse_quantity("20 s"), parse_quantity("200 ms")), expect={"": EXPECTED})
SHORTED = Fault("3V3", FaultKind.SHORTED_THROUGH, 2.0, after=3.0)


def bench_of(step: Step) -> SimulatedBench:
    return simulated_bench(with_steps(APPLY, step), history=SEEN, faults=[SHORTED])


def test_a_board_that_shorts_is_switched_off_after_three_samples_and_what_was_read_is_kept() -> None:
    bench = bench_of(STEP)

    outcome = bench.run()

    assert (outcome.result, outcome.off_verified) == (AttemptResult.FAILED, True)
    amps = [value for _, value in bench.record.samples]
    outside = [value for value in amps if value is None or not EXPECTED.accepts(value)]
    assert outside == amps[-3:]
    assert len(amps) < 30
    assert outcome.cause.startswith("step 2 (log): VIN current 193 mA, expected 60 mA .. 110 mA, for 3 samples from ")
    assert outcome.cause.endswith(" s on (68.8 mA before the log)")
    aspects = [reading.aspect for reading in outcome.readings if reading.step == 1]
    assert aspects == ["minimum", "maximum", "mean", "standard deviation", "peak to peak", "slope per hour"]


def test_the_output_is_off_before_the_statistics_are_kept() -> None:
    bench = bench_of(STEP)
    on: list[bool] = []

    def look(told: object) -> None:
        reading = getattr(told, "reading", None)
        if reading is not None and reading.aspect == "minimum":
            on.append(bench.on())

    bench.run(tell=look)

    assert on == [False]


def test_where_the_step_goes_on_so_does_the_log() -> None:
    bench = bench_of(replace(STEP, end_on_fail=False))

    outcome = bench.run()

    assert len(bench.record.samples) == 101
    assert outcome.cause.startswith("step 2 (log): VIN maximum current 19")


def test_a_log_without_limits_goes_on() -> None:
    bench = bench_of(replace(STEP, expect={}))

    outcome = bench.run()

    assert len(bench.record.samples) == 101
    assert {reading.result for reading in outcome.readings if reading.step == 1} == {Result.RECORDED}


@pytest.mark.parametrize(
    ("samples", "certain"),
    [
        ([0.2, 0.2, 0.2], True),
        ([0.2, 0.2, 0.08, 0.2, 0.2], False),
        ([0.2, 0.2, None, 0.2], True),
        ([None, None, None, None], False),
        ([0.01, 0.2, 0.01], True),
        ([0.06, 0.11, 0.06, 0.11], False),
    ],
)
def test_only_three_samples_in_a_row_with_a_value_outside_are_certain(
    samples: list[float | None], *, certain: bool
) -> None:
    channel = Astray(CURRENT, EXPECTED, "", begun=0.0)

    for moment, amps in enumerate(samples):
        channel.take(Value(amps, ""), float(moment), starting=False)

    assert channel.certain is certain


def test_samples_during_start_up_do_not_count() -> None:
    channel = Astray(CURRENT, EXPECTED, "", begun=10.0)

    for moment, starting in ((10.0, True), (10.2, True), (10.4, False), (10.6, False)):
        channel.take(Value(0.2, ""), moment, starting=starting)
    assert not channel.certain

    channel.take(Value(0.2, ""), 10.8, starting=False)
    assert str(channel) == "VIN current 200 mA, expected 60 mA .. 110 mA, for 3 samples from 400 ms on"
