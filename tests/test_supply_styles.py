"""The same role tests for a supply in every dialect that ships, on a simulated supply of that style, in memory.

The simulated supplies take their spellings from tables of their own, so that a slip in a dialect file shows here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

import pytest

from bringup.core.bench import SupplyRole
from bringup.core.dialect import can_ask, can_tell
from bringup.core.models import as_model
from bringup.files.dialect_file import find_dialect, shipped_dialects
from bringup.runner.pending import Pending
from bringup.runner.roles import Protection
from bringup.runner.scpi_supply import ScpiSupply
from bringup.simulation.bench import SUPPLIES, Maker, styled
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.supply_styles import (
    CHANNEL_AND_MASTER,
    MODULES,
    ONE_SWITCH_FOR_ALL,
    OUTPUT_AND_GENERAL,
)
from bringup.simulation.supply_styles_apart import OUT_AND_NUMBER
from bringup.simulation.supply_styles_single import (
    ONE_PROTECTION_CLEAR,
    OPERATION_WORD,
    OVER_VOLTAGE_ONLY,
    TWO_OR_FOUR_WIRES,
)
from tests.fake_instrument import FakeWorld

T = TypeVar("T")
approx: Any = pytest.approx

VARIANTS: dict[str, tuple[str, Maker]] = {
    "select-by-number, one switch": ("select-by-number", styled(ONE_SWITCH_FOR_ALL)),
    "channel-list, modules": ("channel-list", styled(MODULES)),
    "select-and-master, channel": ("select-and-master", styled(CHANNEL_AND_MASTER)),
    "select-and-master, general": ("select-and-master", styled(OUTPUT_AND_GENERAL)),
    "number-in-keyword, out": ("number-in-keyword", styled(OUT_AND_NUMBER)),
    "single-output, over-voltage only": ("single-output", styled(OVER_VOLTAGE_ONLY)),
    "single-output, operation word": ("single-output", styled(OPERATION_WORD)),
    "single-output, one clear": ("single-output", styled(ONE_PROTECTION_CLEAR)),
    "channel-prefix, one output": ("channel-prefix", styled(TWO_OR_FOUR_WIRES)),
}
CASES: dict[str, tuple[str, Maker]] = {name: (name, maker) for name, maker in SUPPLIES.items()} | VARIANTS
ONE_OUTPUT = {
    *("single-output", "single-output-watchdog", "output-under-conf", "lock-first", "addressed-line"),
    *("single-output, over-voltage only", "single-output, operation word", "single-output, one clear"),
    "channel-prefix, one output",
}
ONE_SWITCH = {"select-by-name", "set-colon", "set-colon-bits", "select-by-ordinal", "select-by-number, one switch"}
OVER_VOLTAGE = set(CASES) - {
    *("select-by-name", "select-by-name-and-master", "select-by-ordinal", "channel-prefix", "output-under-conf"),
    *("set-colon", "set-colon-bits", "number-in-keyword, out", "channel-prefix, one output"),
}
OVER_CURRENT = {
    *("single-output", "single-output-watchdog", "select-by-number", "channel-parameter", "lock-first"),
    *("letter-and-number", "single-output, one clear"),
}
CLEARED = OVER_VOLTAGE - {"number-in-keyword", "addressed-line"}
NO_MODE = {"output-under-conf", "set-colon-bits", "select-by-name-and-master", "select-by-ordinal"}
RE_ENERGISED = {
    *("select-by-number", "select-by-number, one switch", "channel-list", "channel-list, modules"),
    *("single-output, over-voltage only", "single-output, operation word", "single-output, one clear"),
}


@dataclass
class Bench:
    name: str
    world: FakeWorld
    clock: SimulatedClock
    link: MemoryLink
    supply: ScpiSupply

    def done(self, pending: Pending[T]) -> T:
        for _ in range(100):
            if pending.done:
                return pending.value()
            self.clock.wait(self.clock.monotonic() + 1.0)
        raise AssertionError("nothing came")

    def sent_by(self, pending: Pending[T], before: int) -> list[str]:
        self.done(pending)
        return self.link.sent[before:]


def make(name: str, *outputs: int) -> Bench:
    dialect_name, maker = CASES[name]
    dialect = find_dialect(dialect_name, ".")
    world, clock = FakeWorld(), SimulatedClock()
    link = MemoryLink("supply (simulated)", maker(world, pace=0.0), clock, dialect=dialect, address=6)
    fed = {f"IN{output}": output for output in outputs or (1,)}
    supply = ScpiSupply(SupplyRole(None, dialect_name, fed), dialect, link, monotonic=clock.monotonic)
    return Bench(name, world, clock, link, supply)


def attached(name: str, *outputs: int) -> Bench:
    bench = make(name, *outputs)
    bench.done(bench.supply.attach())
    return bench


every = pytest.mark.parametrize("name", sorted(CASES))
several = pytest.mark.parametrize("name", sorted(set(CASES) - ONE_OUTPUT))


def test_every_supply_dialect_that_ships_is_among_the_cases() -> None:
    supplies = {name for name in shipped_dialects() if find_dialect(name, ".").role == "supply"}

    assert {dialect for dialect, _ in CASES.values()} == supplies
    spelt = {name: find_dialect(dialect, ".") for name, (dialect, _) in CASES.items()}
    for name, dialect in spelt.items():
        model = as_model(dialect, _identity(name))
        assert can_tell(model, "set_over_voltage") == (name in OVER_VOLTAGE), name
        assert can_tell(model, "set_over_current") == (name in OVER_CURRENT), name
        assert can_ask(model, "mode") == (name not in NO_MODE), name
        assert ("clear_trip" in model.operations) == (name in CLEARED), name


def _identity(name: str) -> str:
    bench = attached(name)
    assert bench.link.identity is not None
    return bench.link.identity.text


@every
def test_attaching_changes_nothing(name: str) -> None:
    bench = make(name)
    for output in bench.world.outputs.values():
        output.volts, output.amps, output.on = 7.0, 1.5, True
    found = bench.done(bench.supply.attach())

    assert found.identity is not None
    assert found.identity.simulated
    assert found.old_errors == ()
    assert all((each.volts, each.amps, each.on) == (7.0, 1.5, True) for each in bench.world.outputs.values())


@every
def test_volts_and_current_limit_are_set_and_read_back(name: str) -> None:
    bench = attached(name)
    volts = bench.done(bench.supply.set_voltage(1, 5.25))
    amps = bench.done(bench.supply.set_current_limit(1, 0.4))

    assert (volts.readback, volts.faultless) == (approx(5.25), True), volts
    assert (amps.readback, amps.faultless) == (approx(0.4), True), amps
    assert (bench.world.outputs[1].volts, bench.world.outputs[1].amps) == (approx(5.25), approx(0.4))


@every
def test_a_setting_that_is_too_much_does_not_pass_unseen(name: str) -> None:
    bench = attached(name)
    done = bench.done(bench.supply.set_voltage(1, 99.0))

    assert not done.faultless or (done.readback is not None and done.readback < 40.0)
    assert bench.world.outputs[1].volts < 40.0


@every
def test_an_output_is_switched_on_and_off_and_says_so(name: str) -> None:
    bench = attached(name)
    bench.done(bench.supply.set_voltage(1, 5.0))
    on = bench.done(bench.supply.switch(1, True))
    was_on = bench.world.outputs[1].on
    seen = bench.done(bench.supply.settings(1)).on
    off = bench.done(bench.supply.switch(1, False))

    assert (on.on, on.faultless, was_on, seen) == (True, True, True, True), on
    assert (off.on, off.faultless, bench.world.outputs[1].on) == (False, True, False), off
    assert bench.done(bench.supply.poll(1)).on is False


@every
def test_a_look_reads_what_is_there_in_one_batch_and_asks_nothing_twice(name: str) -> None:
    bench = attached(name)
    bench.done(bench.supply.set_voltage(1, 5.0))
    bench.done(bench.supply.set_current_limit(1, 0.5))
    bench.done(bench.supply.switch(1, True))
    before = len(bench.link.sent)
    sample = bench.done(bench.supply.poll(1))
    sent = bench.link.sent[before:]

    assert len(sent) == len(set(sent))
    assert (sample.volts, sample.amps) == (approx(5.0, abs=0.02), approx(0.05, abs=0.002))
    assert (sample.set_volts, sample.set_amps) == (approx(5.0), approx(0.5))
    assert (sample.on, sample.tripped, sample.fault, sample.strays) == (True, None, None, ())
    assert sample.mode == (None if name in NO_MODE else "voltage")


@every
def test_current_limit_and_off_are_told_from_constant_voltage(name: str) -> None:
    bench = attached(name)
    bench.done(bench.supply.set_voltage(1, 5.0))
    bench.done(bench.supply.set_current_limit(1, 0.01))
    bench.done(bench.supply.switch(1, True))
    bench.done(bench.supply.poll(1))  # an event register tells once what was before
    limited = bench.done(bench.supply.poll(1))
    bench.done(bench.supply.switch(1, False))

    assert limited.mode == (None if name in NO_MODE else "current")
    assert bench.done(bench.supply.poll(1)).mode == "off"


@pytest.mark.parametrize("name", sorted(OVER_VOLTAGE))
def test_a_trip_is_seen_and_stays_seen_until_it_is_cleared_in_the_safe_order(name: str) -> None:
    bench = attached(name)
    supply = bench.supply
    protected = bench.done(supply.set_protection(1, Protection.OVER_VOLTAGE, 6.0))
    assert (protected.readback, protected.faultless) == (approx(6.0), True)
    assert bench.world.outputs[1].over_voltage == approx(6.0)
    bench.done(supply.set_voltage(1, 12.0))
    bench.done(supply.switch(1, True))

    looks = [bench.done(supply.poll(1)) for _ in range(3)]
    assert [(look.tripped, look.on) for look in looks] == [("over-voltage", False)] * 3
    bench.done(supply.settings(1))
    assert bench.done(supply.poll(1)).tripped == "over-voltage", "looking for errors made it forget the trip"
    if name in CLEARED:
        assert bench.done(supply.switch(1, False)).on is False
        bench.done(supply.set_voltage(1, 0.0))
        cleared = bench.done(supply.clear_trip(1))
        assert (cleared.on, cleared.faultless) == (False, True), cleared
        assert bench.done(supply.poll(1)).tripped is None
        assert bench.done(supply.switch(1, True)).on is True
    else:
        assert "no word for clear trip" in bench.done(supply.clear_trip(1)).troubles[0].text


@pytest.mark.parametrize("name", sorted(OVER_CURRENT))
def test_over_current_protection_has_a_level_and_trips(name: str) -> None:
    bench = attached(name)
    done = bench.done(bench.supply.set_protection(1, Protection.OVER_CURRENT, 0.1, 0.05))
    assert (done.readback, done.faultless) == (approx(0.1), True), done
    bench.done(bench.supply.set_voltage(1, 24.0))
    bench.done(bench.supply.switch(1, True))

    assert bench.done(bench.supply.poll(1)).tripped == "over-current"


@pytest.mark.parametrize("name", sorted(RE_ENERGISED))
def test_clearing_a_trip_while_the_output_is_still_told_to_be_on_brings_it_back(name: str) -> None:
    bench = attached(name)
    bench.done(bench.supply.set_protection(1, Protection.OVER_VOLTAGE, 6.0))
    bench.done(bench.supply.set_voltage(1, 12.0))
    bench.done(bench.supply.switch(1, True))
    assert bench.done(bench.supply.poll(1)).tripped
    bench.done(bench.supply.set_voltage(1, 1.0))

    assert bench.done(bench.supply.clear_trip(1)).on is True
    assert find_dialect(CASES[name][0], ".").clear_re_energises


@several
def test_all_off_relies_on_no_earlier_selection(name: str) -> None:
    bench = attached(name, 1, 2)
    for output in (1, 2):
        bench.done(bench.supply.set_voltage(output, 3.0))
        bench.done(bench.supply.switch(output, True))
    assert bench.world.outputs[1].on
    assert bench.world.outputs[2].on
    bench.done(bench.supply.settings(2))
    done = bench.done(bench.supply.all_off())

    assert (done.on, done.faultless) == (False, True), done
    assert not any(each.on for each in bench.world.outputs.values())


@several
def test_one_output_is_switched_without_the_other_unless_one_switch_serves_all(name: str) -> None:
    bench = attached(name, 1, 2)
    bench.done(bench.supply.set_voltage(1, 3.0))
    bench.done(bench.supply.set_voltage(2, 4.0))
    bench.done(bench.supply.switch(2, True))

    assert bench.world.outputs[1].on == (name in ONE_SWITCH)
    assert (bench.world.outputs[1].volts, bench.world.outputs[2].volts) == (approx(3.0), approx(4.0))
    sample = bench.done(bench.supply.poll(2))
    assert (sample.on, sample.volts) == (True, approx(4.0, abs=0.02))
