"""A log whose rail is low once, and irreversible logs: a second look at once and no more, and power that stays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from bringup.core.faults import Fault, FaultKind
from bringup.core.procedure import Channel, Log, OnLost, Procedure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.reading import BEFORE_OHMS, RIPPLE_RMS
from bringup.core.words import AttemptResult, How, Kind
from bringup.errors import LinkError
from bringup.runner.actions import log as log_module
from bringup.runner.setup import AttemptOutcome
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps
from tests.logbook_samples import volts

APPLY, MEASURE = picked("apply").steps[0], picked("measure").steps[0]
LOW, NO_VALUE = "+1.00000000E-01", "+9.91000000E+37"


def logging(point: str, lasting: str, kind: Kind = Kind.VOLTAGE) -> Log:
    channel = Channel(point, kind, point if kind is Kind.VOLTAGE else f"{point} {kind}")
    return Log((channel,), parse_quantity(lasting), parse_quantity("500 ms"))


@pytest.mark.parametrize(
    ("changes", "stood"),
    [
        ({}, True),
        ({"how": How.DERIVED, "aspect": "starts at"}, False),
        ({"aspect": RIPPLE_RMS}, False),
        ({"instrument": "scope", "aspect": "ripple peak to peak"}, False),
        ({"aspect": BEFORE_OHMS}, False),
        ({"board_state": "asleep"}, False),
        ({"monotonic": 1.0}, False),
    ],
)
def test_a_rail_stood_before_a_log_only_by_volts_it_carried(changes: dict[str, Any], *, stood: bool) -> None:
    rail = Channel("3V3", Kind.VOLTAGE, "3V3")
    read = replace(volts(3.29), point="3V3", board_state=None, monotonic=5.0)
    watched, feed = SimpleNamespace(valid_from=2.0), SimpleNamespace(output=1)
    work: Any = SimpleNamespace(
        board=picked("apply").board,
        power=SimpleNamespace(feed_of=lambda _: feed),
        watch=SimpleNamespace(of=lambda _: watched),
        journal=SimpleNamespace(readings=[replace(read, **changes)]),
        state=None,
    )

    assert log_module._stood_before(work, rail, 1.6) is stood


@pytest.mark.parametrize("when", [0.0, 0.04, 0.08, 0.12, 0.16])
def test_an_output_that_somebody_switches_off_is_no_collapse_of_a_logged_rail(when: float) -> None:
    rails = tuple(Channel(rail, Kind.VOLTAGE, rail) for rail in ("3V3", "12V0"))
    procedure = with_steps(APPLY, Step(1, Log(rails, parse_quantity("6 s"), parse_quantity("200 ms"))))
    bench = simulated_bench(procedure, history=SEEN)

    def told(one: Any) -> None:
        if one.kind == "step-begun" and one.step == 1:
            at = bench.clock.monotonic() + 2.0 + when
            bench.clock.at(at, lambda: bench.world.switch(1, False, bench.clock.monotonic()), wakes=False)

    outcome = bench.run(tell=told)

    assert outcome.result is AttemptResult.BROKEN_OFF, outcome.cause
    assert "VIN was found off though nobody here switched it" in outcome.cause


# one low sample


def low_once(then: Callable[[SimulatedBench], None], **step: Any) -> tuple[SimulatedBench, AttemptOutcome, int]:
    """Log a rail for 20 s: its fifth sample is low, and whatever `then` does holds from the next one on."""
    procedure = with_steps(APPLY, Step(1, logging("3V3", "20 s"), **step))
    bench = simulated_bench(procedure, history=SEEN)
    samples: list[object] = []

    def tell(told: Any) -> None:
        if told.kind != "sample":
            return
        samples.append(told.data["value"])
        bench.meter_link.troubles.garbage.clear()
        if len(samples) == 4:
            bench.meter_link.troubles.garbage["READ?"] = LOW
        if len(samples) >= 5:
            then(bench)

    return bench, bench.run(tell=tell), len(samples)


def no_values(bench: SimulatedBench) -> None:
    bench.meter_link.troubles.garbage["READ?"] = NO_VALUE


def no_meter(bench: SimulatedBench) -> None:
    bench.meter_link.troubles.silent_from = min(bench.meter_link.troubles.silent_from, bench.clock.monotonic())


@pytest.mark.parametrize("then", [no_values, no_meter])
def test_a_low_sample_without_a_value_after_it_is_taken_once_more_and_no_oftener(
    then: Callable[[SimulatedBench], None],
) -> None:
    bench, outcome, samples = low_once(then, on_lost=OnLost.GO_ON)

    assert outcome.result is AttemptResult.FAILED
    assert "3V3 minimum voltage 100" in outcome.cause
    assert "trip" not in bench.record.kinds()
    assert samples <= 41 + 1


def test_a_low_sample_and_current_limit_after_it_is_taken_once_more_and_no_oftener(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def limits(_: SimulatedBench) -> None:
        monkeypatch.setattr(log_module, "_limited", lambda *_: True)

    _, outcome, samples = low_once(limits)

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "the supply was in current limit" in outcome.cause
    assert samples == 41 + 1


# irreversible


def irreversible(action: Log, **step: Any) -> Procedure:
    return with_steps(APPLY, MEASURE, Step(2, action, name="burn", irreversible=True, **step))


def at_its_third_sample(bench: SimulatedBench, do: Callable[[], None], powered: list[bool]) -> Callable[[Any], None]:
    def tell(told: Any) -> None:
        if told.kind == "sample":
            powered.append(bench.on())
            if len(powered) == 3:
                do()

    return tell


def gone(bench: SimulatedBench, until: float, ask: Callable[[int], Any]) -> Any:
    """Return the same question to the supply, which cannot be put until then."""

    def asked(output: int) -> Any:
        if bench.clock.monotonic() < until:
            raise LinkError("the connection is gone", instrument="supply")
        return ask(output)

    return asked


def disturbed(bench: SimulatedBench, what: str) -> Callable[[], None]:
    troubles = bench.meter_link.troubles

    def act() -> None:
        now = bench.clock.monotonic()
        if what == "collapse":
            bench.world.plant(Fault("3V3", FaultKind.NOT_FITTED))
        elif what == "lost meter":
            troubles.silent_from = now
        elif what == "full disk":
            bench.record.fail_from = bench.record.writes + 1
        else:
            bench.supply.poll = gone(bench, now + 6.0, bench.supply.poll)  # type: ignore[method-assign]

    return act


@pytest.mark.parametrize(
    ("what", "result", "says"),
    [
        ("collapse", AttemptResult.FAILED, "3V3 has collapsed to "),
        ("lost meter", AttemptResult.BROKEN_OFF, "the meter is lost: "),
        ("full disk", AttemptResult.BROKEN_OFF, "the logbook cannot be written: the disk is full"),
        ("lost supply", AttemptResult.BROKEN_OFF, "the supply "),
    ],
)
def test_an_irreversible_log_is_finished_under_power_before_it_ends_the_attempt(
    what: str, result: AttemptResult, says: str
) -> None:
    action = logging("VIN", "20 s", Kind.CURRENT) if what == "lost supply" else logging("3V3", "20 s")
    bench = simulated_bench(irreversible(action), history=SEEN)
    powered: list[bool] = []

    outcome = bench.run(tell=at_its_third_sample(bench, disturbed(bench, what), powered))

    assert outcome.result is result, outcome.cause
    assert outcome.cause.startswith(says)
    assert all(powered)
    assert bench.clock.monotonic() > 20.0
    assert not bench.on()
    assert outcome.off_verified is True


@pytest.mark.parametrize("what", ["VIN current", "12V0"])
def test_a_creep_in_an_irreversible_step_ends_the_attempt_once_that_is_over(what: str) -> None:
    creep = Fault("12V0", FaultKind.CREEPING_LOAD, 0.002)
    step = irreversible(logging("12V0", "40 s"), steady=0.01, end_on_creep=True)
    bench = simulated_bench(step, history=SEEN, faults=[creep] if what == "VIN current" else [])
    powered: list[bool] = []

    def tell(told: Any) -> None:
        if told.kind == "sample":
            powered.append(bench.on())
            if what == "12V0":
                bench.meter_link.troubles.garbage["READ?"] = f"+{11.8 + 0.005 * len(powered):.8E}"

    outcome = bench.run(tell=tell)

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause.startswith(f"{what} creeps up: from ")
    assert len(powered) == 81
    assert all(powered)
    assert bench.record.kinds().count("trip") == 1


def test_a_damaging_rail_cuts_power_in_an_irreversible_log_too() -> None:
    bench = simulated_bench(irreversible(logging("12V0", "20 s")), history=SEEN)
    powered: list[bool] = []
    plant = at_its_third_sample(bench, lambda: bench.world.plant(Fault("12V0", FaultKind.UPPER_OPEN)), powered)

    outcome = bench.run(tell=plant)

    assert "above the 14 V that damage it" in outcome.cause
    assert len(powered) < 8
    assert powered[-1] is False


def test_a_supply_that_cannot_be_asked_for_its_settings_is_lost_when_the_step_is_over() -> None:
    bench = simulated_bench(irreversible(logging("3V3", "20 s")), history=SEEN)
    supply = bench.supply
    powered: list[bool] = []

    def no_value_in_a_look() -> None:
        now, garbage = bench.clock.monotonic(), bench.supply_link.troubles.garbage
        garbage["MEAS:VOLT?"] = NO_VALUE
        bench.clock.at(now + 0.2, garbage.clear, wakes=False)  # the time from look to look

        supply.settings = gone(bench, now + 15.0, supply.settings)  # type: ignore[method-assign]

    outcome = bench.run(supply=supply, tell=at_its_third_sample(bench, no_value_in_a_look, powered))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.cause.startswith("the supply is lost while VIN is on")
    assert all(powered)
    assert len(powered) == 41
