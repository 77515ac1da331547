"""What an input draws has a lower end: current that flows back into the supply is a failed reading."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.drawn import drawn
from bringup.core.limits import parse_limits
from bringup.core.procedure import Apply, Channel, Log, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, Kind, Result
from tests.fakes import SEEN, picked, simulated_bench, with_steps

APPLY = picked("apply").steps[0]
BELOW = parse_limits("< 200 mA")


def logging(what: Kind, expect: str) -> Step:
    channel = Channel("VIN", what, f"VIN {what}")
    log = Log((channel,), parse_quantity("1 s"), parse_quantity("200 ms"))
    return Step(1, log, expect={"": parse_limits(expect)})


def told(reply: str, *steps: Step, at: Callable[[Any], bool] = lambda _: False) -> Any:
    """An attempt whose supply says that so much flows, from the moment that `at` knows."""
    bench = simulated_bench(with_steps(*steps), history=SEEN)

    def spoil(said: Any) -> None:
        if at(said):
            bench.supply_link.troubles.garbage["MEAS:CURR?"] = reply

    return bench.run(tell=spoil)


@pytest.mark.parametrize(
    ("amps", "resolution", "within"),
    [(-0.0001, 0.0001, True), (-0.005, 0.001, True), (-0.006, 0.001, False), (-0.01, 0.01, True), (-0.02, 0.01, False)],
)
def test_noise_and_a_last_digit_below_zero_are_nothing_and_more_flows_back(
    amps: float, resolution: float, within: bool
) -> None:
    assert drawn(BELOW, resolution=resolution).accepts(amps) is within


def test_a_lower_end_that_is_stated_stands() -> None:
    charger = parse_limits("-1 A .. 200 mA")

    assert drawn(charger) == charger


def test_watts_may_be_below_zero_by_what_the_amps_may_at_the_inputs_volts() -> None:
    assert drawn(parse_limits("< 2 W"), volts=-24.0).accepts(-0.12)
    assert not drawn(parse_limits("< 2 W"), volts=24.0).accepts(-0.13)


@given(st.floats(0.0, 10.0), st.floats(0.0, 0.1))
def test_what_is_drawn_is_judged_as_before(amps: float, resolution: float) -> None:
    assert drawn(BELOW, resolution=resolution).accepts(amps) is BELOW.accepts(amps)


def test_current_that_flows_back_at_the_short_check_is_a_failed_reading() -> None:
    outcome = told("-0.0200", APPLY, at=lambda said: said.kind == "step-begun")

    first = next(each for each in outcome.readings if each.kind is Kind.CURRENT)
    assert (first.result, outcome.result) == (Result.FAIL, AttemptResult.FAILED)
    assert "VIN short check at 1 V current -20" in outcome.cause
    assert "wanted -5 mA .. " in outcome.cause


def test_current_that_flows_back_fails_what_expects_an_upper_end_alone() -> None:
    assert isinstance(APPLY.action, Apply)
    final = replace(APPLY.action, expect_current=parse_limits("< 200 mA"))
    outcome = told(
        "-0.0200",
        replace(APPLY, action=final),
        at=lambda said: "set to 24 V" in said.text,
    )

    assert outcome.result is AttemptResult.FAILED
    assert "wanted -5 mA .. 200 mA" in outcome.cause


@pytest.mark.parametrize(("what", "expect"), [(Kind.CURRENT, "< 200 mA"), (Kind.POWER, "< 5 W")])
def test_a_log_of_what_an_input_draws_fails_on_what_flows_back(what: Kind, expect: str) -> None:
    outcome = told(
        "-0.0200", APPLY, logging(what, expect), at=lambda said: said.kind == "step-begun" and said.step == 1
    )

    assert outcome.result is AttemptResult.FAILED
    assert "for 3 samples from" in outcome.cause


def test_nothing_drawn_with_noise_below_zero_passes() -> None:
    outcome = told(
        "-0.0001",
        APPLY,
        logging(Kind.CURRENT, "< 200 mA"),
        at=lambda said: said.kind == "step-begun" and said.step == 1,
    )

    assert outcome.result is AttemptResult.PASSED
