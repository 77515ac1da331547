"""What the supply's polls may show, and what they must not: each trip alone, then with faults planted in a board."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.words import AttemptResult, Kind, Result
from bringup.runner.endings import BrokenOff, CalledOff, Ending, SupplyLost, Trip
from bringup.runner.looks import Watched, drawn_as, in_current_limit, judge_look
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.records import LinkFault, PollSample
from bringup.simulation.instrument import Instrument, take
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import ROOT, SEEN, SimulatedBench, picked, simulated_bench, the_bench

GOOD = PollSample(10.0, 1, 24.0, 0.07, True, "voltage", 24.0, 0.4)


def watched(**changes: object) -> Watched:
    start: dict[str, object] = {
        "output": 1,
        "input": "VIN",
        "set_volts": 24.0,
        "set_amps": 0.4,
        "limit_time": 0.3,
        "trip_current": 0.23,
        "damage_above": 33.0,
        "asked": 10.0,
    }
    return Watched(**{**start, **changes})  # type: ignore[arg-type]


def test_a_good_look_is_no_alarm() -> None:
    one = watched()

    assert judge_look(one, GOOD) is False
    assert one.latest is GOOD


@pytest.mark.parametrize(
    ("look", "kind", "says"),
    [
        (replace(GOOD, volts=33.1), Trip, r"VIN reads 33\.1 V, above the 33 V that damage it"),
        (replace(GOOD, volts=-33.1), Trip, r"VIN reads -33\.1 V, above the 33 V"),
        (replace(GOOD, volts=None, over_range=True), Trip, r"reads over range"),
        (replace(GOOD, on=False, tripped="over-voltage"), Trip, r"the supply's over-voltage protection tripped on VIN"),
        (replace(GOOD, on=False), BrokenOff, r"VIN was found off though nobody here switched it"),
        (replace(GOOD, on=None, mode="off"), BrokenOff, r"was found off"),
        (replace(GOOD, set_volts=25.0), CalledOff, r"the voltage of VIN was changed .*: set to 24 V, found at 25 V"),
        (
            replace(GOOD, set_amps=1.2),
            CalledOff,
            r"limit of VIN was changed .*: set to 400 mA, found at 1\.2 A",
        ),
    ],
)
def test_one_look_is_enough_for_these(look: PollSample, kind: type[Ending], says: str) -> None:
    with pytest.raises(kind, match=says):
        judge_look(watched(), look)


def test_a_high_current_is_looked_at_once_more_before_it_trips() -> None:
    one, high = watched(), replace(GOOD, amps=0.3)

    assert judge_look(one, high) is True
    with pytest.raises(Trip, match=r"VIN draws 300 mA, above the trip level of 230 mA"):
        judge_look(one, high)


def test_a_single_high_look_is_no_alarm() -> None:
    one = watched()

    judge_look(one, replace(GOOD, amps=0.3))
    assert judge_look(one, GOOD) is False
    assert judge_look(one, replace(GOOD, amps=0.3)) is True


def test_a_high_current_during_start_up_is_no_alarm() -> None:
    one = watched(start_up_until=10.5)

    for at in (10.0, 10.2, 10.4):
        assert judge_look(one, replace(GOOD, monotonic=at, amps=0.39)) is False


def limited(at: float) -> PollSample:
    return replace(GOOD, monotonic=at, volts=3.0, amps=0.4, mode="current")


def test_current_limit_may_last_as_long_as_charging_may_take() -> None:
    one = watched(trip_current=None)

    judge_look(one, limited(10.0))
    judge_look(one, limited(10.29))
    with pytest.raises(Trip, match=r"VIN stayed in current limit \(400 mA\) for 0\.31 s, longer than the 0\.30 s"):
        judge_look(one, limited(10.31))


def test_leaving_current_limit_starts_its_time_anew() -> None:
    one = watched(trip_current=None)

    judge_look(one, limited(10.0))
    judge_look(one, replace(GOOD, monotonic=10.2))
    judge_look(one, limited(10.4))
    assert judge_look(one, limited(10.6)) is False


@pytest.mark.parametrize(
    ("look", "expected"),
    [
        (replace(GOOD, mode="current"), True),
        (replace(GOOD, mode="unregulated"), True),
        (GOOD, False),
        (replace(GOOD, mode=None, amps=0.399, volts=10.0), True),
        (replace(GOOD, mode=None, amps=0.399, volts=24.0), False),
        (replace(GOOD, mode=None, amps=0.1, volts=10.0), False),
        (replace(GOOD, mode=None, amps=None), False),
    ],
)
def test_current_limit_is_told_or_inferred(look: PollSample, expected: bool) -> None:
    assert in_current_limit(watched(), look) is expected


@pytest.mark.parametrize(
    "look",
    [
        replace(GOOD, volts=None, amps=None, on=None, fault=LinkFault.TIMEOUT),
        replace(GOOD, amps=None),
        replace(GOOD, volts=None),
    ],
)
def test_no_value_twice_means_that_the_supply_is_lost(look: PollSample) -> None:
    one = watched()

    judge_look(one, look)
    with pytest.raises(SupplyLost, match=r"did not answer 2 looks in a row while VIN is on"):
        judge_look(one, look)


def test_a_look_that_was_asked_before_a_change_is_not_compared_with_it() -> None:
    one = watched(valid_from=11.0, asked=10.0)

    assert judge_look(one, replace(GOOD, on=False, set_volts=18.0)) is False


def test_a_look_before_a_change_still_shows_what_damages() -> None:
    with pytest.raises(Trip):
        judge_look(watched(valid_from=11.0, asked=10.0), replace(GOOD, volts=40.0))


# with faults planted in the simulated board


def failed_by(*faults: Fault, seen: bool = True) -> SimulatedBench:
    bench = simulated_bench(
        picked("apply", "measure", "log") if seen else picked("resistance", "leads", "apply"),
        faults=faults,
        history=SEEN if seen else None,
    )
    bench.run()
    assert not bench.on()
    return bench


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault("VIN", FaultKind.SHORTED_THROUGH, 0.5), "VIN stayed in current limit (400 mA)"),
        (Fault("VIN", FaultKind.SHORTED_THROUGH, 10.0), "VIN short check at 1 V current"),
        (Fault("VIN", FaultKind.EXCESS_LOAD, 0.2), "above the trip level"),
        (Fault("12V0", FaultKind.NOT_FITTED), "VIN 18 V current 3.7 mA"),
        (Fault("5V0", FaultKind.NOT_FITTED), "VIN 18 V current"),
        (Fault("3V3", FaultKind.EXCESS_LOAD, 0.3), "VIN 18 V current"),
        (Fault("12V0", FaultKind.UPPER_SHORTED), "VIN 18 V current"),
        (Fault("12V0", FaultKind.UPPER_OPEN), "12V0 reads 23.9"),
        (Fault("1V8", FaultKind.LOWER_VALUE, 5e3), "1V8 reads 2.99"),
        (Fault("12V0", FaultKind.UPPER_VALUE, 150e3), "12V0 voltage 12.8"),
        (Fault("12V0", FaultKind.CAPACITOR_MISSING), "12V0 voltage"),
        (Fault("3V3", FaultKind.SHORTED_THROUGH, 2.0, after=3.2), "VIN"),
    ],
)
def test_every_planted_fault_fails_the_unit_with_the_input_off(fault: Fault, says: str) -> None:
    bench = failed_by(fault)

    result, cause, off_verified = bench.record.ends[0]
    assert result is AttemptResult.FAILED
    assert says in cause
    assert off_verified is True


def test_a_rail_beyond_what_damages_it_is_a_trip_and_nothing_carries_over() -> None:
    bench = failed_by(Fault("12V0", FaultKind.UPPER_OPEN))

    assert "trip" in bench.record.kinds()
    assert "trip" in bench.tell_kinds()
    reading = next(each for each in bench.record.readings if each.point == "12V0")
    assert reading.result is Result.FAIL


def test_a_short_that_comes_later_trips_by_its_current() -> None:
    bench = failed_by(Fault("VIN", FaultKind.SHORTED_THROUGH, 1.0, after=2.5))

    assert "above the trip level of 230.3 mA" in bench.record.ends[0][1]
    assert bench.record.kinds().count("trip") == 1


def test_the_voltage_is_not_raised_past_a_missed_short_check() -> None:
    bench = failed_by(Fault("VIN", FaultKind.SHORTED_THROUGH, 20.0))

    assert "VOLT 18" not in bench.supply_link.sent
    assert "VOLT 24" not in bench.supply_link.sent


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault("VIN", FaultKind.LEADS_REVERSED), "VIN at the free leads voltage -2"),
        (Fault("VIN", FaultKind.WRONG_VOLTAGE, 40.0), "VIN at the free leads voltage 39.9"),
        (Fault("VIN", FaultKind.WRONG_VOLTAGE, 12.0), "VIN at the free leads voltage 11.9"),
    ],
)
def test_wrong_leads_never_reach_the_board_and_are_no_failure_of_the_unit(fault: Fault, says: str) -> None:
    bench = simulated_bench(picked("leads", "apply"), faults=[fault])

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert says in outcome.cause
    assert "SIMulate:LEADs BOARD" not in bench.meter_link.sent
    assert outcome.off_verified is True


@pytest.mark.parametrize("expect", ["< 24.5 V", "-24.5 V .. 24.5 V"])
def test_reversed_leads_pass_by_no_limits(expect: str) -> None:
    procedure = picked("leads", "apply")
    wide = replace(procedure.steps[0], expect={"VIN": parse_limits(expect)})
    procedure = replace(procedure, steps=(wide, procedure.steps[1]))
    bench = simulated_bench(procedure, faults=[Fault("VIN", FaultKind.LEADS_REVERSED)])

    outcome = bench.run()

    assert [(each.aspect, each.result) for each in outcome.readings] == [("at the free leads", Result.FAIL)]
    assert "the leads are reversed" in outcome.cause
    assert "SIMulate:LEADs BOARD" not in bench.meter_link.sent


def test_a_point_fed_from_elsewhere_is_not_measured_in_ohms() -> None:
    bench = simulated_bench(picked("resistance", "apply"), faults=[Fault("3V3", FaultKind.BACK_FED, 3.3)])

    outcome = bench.run()

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "3V3 carries 1.1 V" in outcome.cause
    assert "fed by a debug or serial lead, a USB lead, a cell, another instrument, 5V0" in outcome.cause
    assert not [each for each in outcome.readings if each.point == "3V3" and each.kind is Kind.RESISTANCE]
    assert outcome.off_verified is None


def test_a_charge_that_lasts_is_still_there_when_the_probe_arrives_and_is_named() -> None:
    planted = the_bench(ROOT / "fixtures/benches/faults/12v0-charged.yaml").simulate
    assert planted is not None
    bench = simulated_bench(picked("resistance"), faults=planted.faults)

    outcome = bench.run()

    assert outcome.result is AttemptResult.INCOMPLETE
    assert outcome.cause.startswith("step 1 (resistance): 12V0 carries ")
    assert "with every output off: charged, or fed by a debug or serial lead" in outcome.cause
    assert not [each for each in outcome.readings if each.point == "12V0" and each.kind is Kind.RESISTANCE]


def test_a_charged_point_is_waited_for() -> None:
    bench = simulated_bench(picked("resistance"), faults=[Fault("VIN", FaultKind.CHARGED, 5.0)])

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    assert any("waiting for its discharge" in told.text for told in bench.told if told.kind == "going")


@pytest.mark.parametrize(
    ("command", "result", "says"),
    [
        ("VOLT 20", AttemptResult.CALLED_OFF, "set to 24 V, found at 20 V"),
        ("CURR 2", AttemptResult.CALLED_OFF, "set to 400 mA, found at 2 A"),
        ("OUTP OFF", AttemptResult.BROKEN_OFF, "was found off"),
    ],
)
def test_a_hand_at_the_panel_is_noticed(command: str, result: AttemptResult, says: str) -> None:
    bench = simulated_bench(picked("apply", "log"), history=SEEN)
    panel = bench.supply_link._instrument
    bench.clock.at(5.0, lambda: at_the_panel(bench, panel, command))

    outcome = bench.run()

    assert outcome.result is result
    assert says in outcome.cause
    assert ("trip" in bench.record.kinds()) is (command == "OUTP OFF")
    assert bench.clock.monotonic() < 6.0
    assert not bench.on()


def at_the_panel(bench: SimulatedBench, panel: Instrument, command: str) -> None:
    """Turn a knob: what another client would send does the same to the instrument."""
    for text in ("INST:NSEL 1", command):
        take(panel, text.encode(), bench.clock.monotonic())


def test_a_voltage_that_is_not_the_set_one_is_noticed() -> None:
    bench = simulated_bench(picked("apply", "log"), history=SEEN)
    bench.clock.at(5.0, lambda: bench.world.set_voltage(1, 20.0, bench.clock.monotonic()))

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "though set to 24 V and not in current limit" in outcome.cause


def test_a_trip_during_a_question_takes_the_question_away() -> None:
    class Slow(SimulatedPerson):
        withdrawn = 0

        def withdraw(self) -> None:
            self.withdrawn += 1
            super().withdraw()

    bench = simulated_bench(
        picked("apply", "inspect"), history=SEEN, faults=[Fault("VIN", FaultKind.SHORTED_THROUGH, 1.0, after=6.0)]
    )
    slow = Slow(attended=True, clock=bench.clock, script=[Scripted(Answer(), kind=PromptKind.CHECKLIST, delay=1e6)])

    outcome = bench.run(ask=slow)

    assert outcome.result is AttemptResult.FAILED
    assert "trip level" in outcome.cause
    assert slow.withdrawn == 1


def test_what_the_supply_showed_at_a_trip_is_kept_once_the_outputs_are_off() -> None:
    bench = failed_by(Fault("VIN", FaultKind.SHORTED_THROUGH, 0.5))

    volts, amps = [each for each in bench.record.readings if each.aspect == "at the trip"]
    assert (volts.point, volts.kind, volts.result, volts.instrument) == ("VIN", Kind.VOLTAGE, Result.RECORDED, "supply")
    assert (amps.kind, amps.result) == (Kind.CURRENT, Result.RECORDED)
    assert volts.value is not None
    assert amps.value is not None
    assert amps.value == pytest.approx(0.4, rel=0.02)
    assert 0.5 < volts.value / amps.value < 0.7, "half an ohm and the leads"
    assert "Ω between VIN and ground, leads included, a short" in bench.record.ends[0][1]
    kinds = bench.tell_kinds()
    assert kinds.index("trip") < len(kinds) - 1 - kinds[::-1].index("reading")
    off = max(index for index, told in enumerate(bench.told) if told.kind == "power" and told.data.get("on") == "no")
    kept = [index for index, told in enumerate(bench.told) if told.reading is not None and told.reading is volts]
    assert kept > [off]


@pytest.mark.parametrize(
    ("volts", "amps", "says"),
    [
        (0.15, 0.3, ": 150 mV at 300 mA, about 500 mΩ between VIN and ground, leads included, a short"),
        (12.0, 0.4, ": 12 V at 400 mA, about 30 Ω between VIN and ground, leads included"),
        (None, 0.3, ""),
        (1.0, 0.0, ""),
    ],
)
def test_what_limited_volts_and_amps_come_to_is_said(volts: float | None, amps: float, says: str) -> None:
    assert drawn_as("VIN", replace(GOOD, volts=volts, amps=amps)) == says
