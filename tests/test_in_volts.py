"""The meter is in volts before power comes on: whatever its probe is on then must not meet ohms."""

from __future__ import annotations

from typing import Any

import pytest

from bringup.core.loop_back import procedure_of
from bringup.core.words import AttemptResult
from bringup.runner.attempt import run_attempt
from bringup.runner.loop_back import LoopBack
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench
from tests.idle_link import IdleLink


def order_of(bench: SimulatedBench) -> list[str]:
    """Every message to supply and meter from now on, in the order of sending."""
    order: list[str] = []
    for link in (bench.supply_link, bench.meter_link):
        submit = link.submit

        def noted(messages: Any, *rest: Any, _submit: Any = submit, **named: Any) -> Any:
            order.extend(message.text for message in messages)
            return _submit(messages, *rest, **named)

        link.submit = noted  # type: ignore[method-assign]
    return order


def told_at_each_on(order: list[str]) -> list[str]:
    """What the meter had been told last whenever an output went on."""
    told, found = "nothing", []
    for text in order:
        if text.startswith("CONF:"):
            told = text
        elif text == "OUTP ON":
            found.append(told)
    return found


@pytest.mark.parametrize("kinds", [("resistance", "leads", "apply"), ("resistance", "apply")])
def test_after_ohms_no_output_goes_on_before_the_meter_is_in_volts(kinds: tuple[str, ...]) -> None:
    bench = simulated_bench(picked(*kinds), history=None if "leads" in kinds else SEEN)
    order = order_of(bench)

    assert bench.run().result is AttemptResult.PASSED
    assert any(text.startswith("CONF:RES") for text in order)
    told = told_at_each_on(order)
    assert len(told) == len(kinds) - 1
    assert all(each.startswith("CONF:VOLT:DC") for each in told)


def test_a_loop_back_check_sets_the_meter_to_volts_before_its_leads_carry_any() -> None:
    bench = simulated_bench()
    order = order_of(bench)

    run_attempt(bench.setup(procedure=procedure_of(bench.bench), serial=""), LoopBack)

    assert told_at_each_on(order) == ["CONF:VOLT:DC DEF"]


def test_a_meter_that_does_not_take_it_is_not_put_under_power() -> None:
    bench = simulated_bench(picked("apply"), history=SEEN)
    bench.meter_link.troubles.garbage["SYST:ERR?"] = '-113,"Undefined header"'
    order = order_of(bench)

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "VIN is not powered: the meter is not known to be in volts: the meter refused CONF:VOLT" in outcome.cause
    assert "OUTP ON" not in order


def test_a_meter_that_dropped_an_idle_link_is_told_once_more() -> None:
    bench = simulated_bench(picked("apply", "measure"), history=SEEN)
    link = IdleLink(bench.meter_link, bench.clock, 60.0)
    bench.meter._link = link  # type: ignore[attr-defined]
    to_volts = bench.meter.to_volts

    def after_a_while() -> Any:
        link.last = bench.clock.monotonic() - 100.0
        return to_volts()

    bench.meter.to_volts = after_a_while  # type: ignore[method-assign]

    assert bench.run().result is AttemptResult.PASSED
    assert [text for batch in link.dropped for text in batch if text.startswith("CONF")] == ["CONF:VOLT:DC DEF"]
