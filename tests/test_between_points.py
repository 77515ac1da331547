"""`resistance` between points, with the leads swapped, less the meter's leads, beside sisters, and what climbs."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.commands.main import main
from bringup.core.bench import Identity
from bringup.core.decision import DecisionRule, RuleKind
from bringup.core.expectation import limits_of
from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.procedure import Step
from bringup.core.reading import Reading
from bringup.core.replies import Value
from bringup.core.safety_bench import examine_bench
from bringup.core.sisters import like_sisters
from bringup.core.solver import resistance_between, unpowered_resistance
from bringup.core.spots import METER_LEADS, Spot, spot_of, spots_of
from bringup.core.stray_feeds import CELL, DEBUG, FALLS, USB, likely_feeds
from bringup.core.unpowered import Pair, Resistance
from bringup.core.words import AttemptResult, Kind, LimitsFrom, Result
from bringup.logbook.record import LogbookRecord
from bringup.runner.climb import UNJUDGED_FOR, Climb
from bringup.runner.ohms import FAULT, RIGHT
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.records import SisterQuestion
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.built_boards import board, converter, rail
from tests.fakes import ROOT, SimulatedBench, picked, simulated_bench, the_bench, with_steps
from tests.logbook_samples import add_attempt, ohms, start
from tests.test_by_hand_attempt import OHMS, at_the_bench

HELD = ROOT / "fixtures/benches/simulated-by-hand-probing.yaml"
PAIR = Resistance(("12V0", "5V0"), (Pair("12V0", "5V0"),))
RULE = DecisionRule(RuleKind.NON_BINARY)
TIED = Fault("12V0", FaultKind.SHORTED_THROUGH, 3.6, to="5V0")


def of(readings: tuple[Reading, ...], aspect: str) -> list[Reading]:
    return [each for each in readings if each.kind is Kind.RESISTANCE and each.aspect == aspect]


def doing(action: Resistance, *faults: Fault, **expect: str) -> SimulatedBench:
    limits = {name: parse_limits(text) for name, text in expect.items()}
    return simulated_bench(with_steps(Step(0, action, expect=limits)), faults=faults)


# between points


def test_two_points_are_dead_against_ground_and_each_other_before_ohms_between_them() -> None:
    bench = doing(PAIR)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    read = [(each.point, each.kind.value, each.aspect) for each in outcome.readings]
    assert read[-2:] == [("12V0", "voltage", "to 5V0 before resistance"), ("12V0", "resistance", "to 5V0")]
    (between,) = of(outcome.readings, "to 5V0")
    assert between.value == pytest.approx(3900 + 2700, rel=0.02)  # over ground: the sum of both
    assert (between.result, between.limits) == (Result.RECORDED, None)
    assert 'SIMulate:ACRoss "12V0","5V0"' in bench.meter_link.sent


def test_rails_tied_together_are_asked_about_and_neither_is_trusted() -> None:
    bench = doing(PAIR, TIED)
    person = SimulatedPerson(
        attended=True, clock=bench.clock, script=[Scripted(Answer("no, it is a fault"), kind=PromptKind.CHOICE)]
    )

    outcome = bench.run(ask=person)

    assert outcome.result is AttemptResult.FAILED
    (between,) = of(outcome.readings, "to 5V0")
    assert between.value == pytest.approx(3.6, rel=0.01)
    assert outcome.cause.startswith("step 1 (resistance): 12V0 to 5V0 resistance 3.59")
    assert outcome.cause.endswith("no, it is a fault (answered)")


def test_ohms_between_points_are_judged_by_limits_stated_for_the_pair() -> None:
    step = {"12V0 to 5V0": "> 1 kΩ"}

    assert doing(PAIR, **step).run().result is AttemptResult.PASSED
    tied = doing(PAIR, TIED, **step).run()
    assert of(tied.readings, "to 5V0")[0].limits_from is LimitsFrom.PROCEDURE
    assert tied.result is AttemptResult.FAILED


def test_ohms_between_points_that_fail_only_conditionally_speak_against_both_as_well() -> None:
    def gate(limits: str) -> tuple[Result, str]:
        pair = Step(0, PAIR, expect={"12V0 to 5V0": parse_limits(limits)}, end_on_fail=False)
        given = with_steps(pair, picked("apply").steps[0])
        bench = simulated_bench(replace(given, board=replace(given.board, decision_rule=RULE)))
        outcome = bench.run()
        (between,) = of(outcome.readings, "to 5V0")
        return between.result, next(text for kind, text, _ in bench.record.events if kind == "override")

    result, missing = gate("> 1 kΩ")
    assert result is Result.PASS
    assert "12V0" not in missing
    (read,) = of(doing(PAIR).run().readings, "to 5V0")
    assert read.value is not None
    result, missing = gate(f"> {read.value + 0.1:.3f} Ω")
    assert result is Result.CONDITIONAL_FAIL
    assert "a good resistance of 12V0, 5V0" in missing


def test_a_pair_of_which_one_point_is_fed_is_not_measured() -> None:
    outcome = doing(PAIR, Fault("5V0", FaultKind.BACK_FED, 4.7)).run()

    assert of(outcome.readings, "to 5V0") == []
    assert outcome.result is AttemptResult.INCOMPLETE


def test_the_boards_limits_to_ground_say_nothing_of_a_pair_or_of_swapped_leads() -> None:
    step = Step(0, replace(PAIR, both_polarities=True))
    sound = doing(PAIR).board

    assert limits_of(step, "12V0", sound)[1] is LimitsFrom.BOARD
    assert limits_of(step, "12V0 reversed", sound) == (None, LimitsFrom.NONE)
    assert limits_of(step, "12V0 to 5V0", sound) == (None, LimitsFrom.NONE)


def by_hand(action: Resistance, across: str = "0.0") -> tuple[AttemptOutcome, list[str]]:
    """What somebody with a handheld meter reads and is asked. `across`: volts at places that are not against ground."""
    hands = at_the_bench()
    hands.bench.procedure = with_steps(Step(0, action))
    typed = hands.person._value
    dial = ["volts"]

    def value(prompt: Prompt) -> str:
        dial.extend("ohms" if "ohms" in line else "volts" for line in prompt.lines if "dial" in line)
        told = typed(prompt)
        if not prompt.text.startswith(("12V0 to 5V0", "12V0 reversed", "12V0 to 5V0 reversed")):
            return told
        return "6.6k" if dial[-1] == "ohms" else across

    hands.person._value = value
    outcome = hands.run()
    return outcome, [prompt.text for prompt, _ in hands.person.asked]


def test_by_hand_both_leads_are_named_with_the_value() -> None:
    outcome, asked = by_hand(PAIR)

    assert "12V0 to 5V0: red lead on TP2, black on TP3. What does the meter show?" in asked
    assert of(outcome.readings, "to 5V0")[0].value == pytest.approx(6600.0)


def test_by_hand_what_ohms_have_charged_is_looked_at_in_volts_again_before_swapped_leads_and_pairs() -> None:
    both = replace(PAIR, points=("12V0", "5V0"), both_polarities=True)

    outcome, _ = by_hand(both)

    taken = [(each.point, each.unit, each.aspect) for each in outcome.readings if each.point is not None]
    assert [unit for _, unit, _ in taken] == ["V", "V", "ohm", "ohm"] * 2 + ["V", "ohm"] * 2
    assert taken[4:6] == [("12V0", "V", "reversed before resistance"), ("5V0", "V", "reversed before resistance")]


def test_by_hand_a_place_that_the_meter_has_charged_is_not_measured_in_ohms() -> None:
    outcome, _ = by_hand(PAIR, across="0.3 V")

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "12V0 to 5V0 carries 300 mV with every output off" in outcome.cause
    assert not of(outcome.readings, "to 5V0")


def test_negative_ohms_by_hand_have_volts_looked_at_again_and_are_taken_again() -> None:
    slips = iter(["-300"])
    hands = at_the_bench(change=lambda _, typed: next(slips, typed) if typed == OHMS["3V3"] else typed)
    hands.bench.procedure = with_steps(Step(0, Resistance(("5V0", "3V3"))))

    outcome = hands.run()

    taken = [(each.unit, each.value) for each in outcome.readings if each.point == "3V3"]
    assert taken == [("V", 0.001), ("ohm", -300.0), ("V", 0.001), ("ohm", 850.0)]
    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert any("3V3 reads negative ohms" in text for _, text, _ in hands.bench.record.events)


# both polarities


def test_with_the_leads_swapped_a_junction_conducts() -> None:
    bench = doing(Resistance(("3V3",), both_polarities=True))

    outcome = bench.run()

    (swapped,) = of(outcome.readings, "reversed")
    (forward,) = of(outcome.readings, "")
    assert forward.value == pytest.approx(850, rel=0.01)
    assert swapped.value is not None
    assert forward.value is not None
    assert swapped.value < forward.value
    assert swapped.result is Result.RECORDED


def test_the_same_low_ohms_both_ways_are_called_metal() -> None:
    bench = doing(Resistance((), (Pair("12V0", "5V0"),), both_polarities=True), TIED)

    bench.run()

    (said,) = [text for kind, text, _ in bench.record.events if kind == "both-ways"]
    assert said == "12V0 to 5V0 3.6 Ω, reversed 3.6 Ω: the same both ways: metal or a resistor"


@given(
    st.builds(
        Spot, st.sampled_from(["12V0", "VIN"]), st.one_of(st.none(), st.sampled_from(["5V0", "N 12"])), st.booleans()
    )
)
def test_a_spot_is_known_again_by_its_point_and_aspect(spot: Spot) -> None:
    assert spot_of(spot.point, spot.aspect) == spot


def test_every_place_of_the_leads_has_the_name_that_limits_are_stated_by() -> None:
    action = replace(PAIR, both_polarities=True)

    assert tuple(spot.name for spot in spots_of(action)) == action.read


# the meter's own leads


def test_where_somebody_holds_the_leads_their_own_ohms_are_taken_off_once_per_sitting() -> None:
    nulled: dict[str, float] = {}
    worlds = [simulated_bench(with_steps(Step(0, Resistance(("1V8",)))), bench_path=HELD) for _ in "12"]
    for bench in worlds:
        bench.world._touching._own_ohms = 0.3

    first, second = (bench.run(nulled=nulled) for bench in worlds)

    (leads,), (again,) = of(first.readings, METER_LEADS), of(second.readings, METER_LEADS)
    assert leads.value == pytest.approx(0.3, abs=0.002)
    assert (leads.point, leads.result, again.how.value) == (None, Result.RECORDED, "derived")
    for outcome in (first, second):
        (ohms_read,) = of(outcome.readings, "")
        assert ohms_read.value == pytest.approx(2.1, abs=0.01)
        assert float(ohms_read.raw) == pytest.approx(2.4, abs=0.01)
    assert [sum("NONE,NONE" in text for text in bench.meter_link.sent) for bench in worlds] == [1, 0]


def test_tips_that_do_not_touch_are_asked_about_and_nothing_is_taken_off() -> None:
    bench = simulated_bench(with_steps(Step(0, Resistance(("3V3",)))), bench_path=HELD)
    bench.world._touching._own_ohms = 40.0

    outcome = bench.run()

    (leads,) = of(outcome.readings, METER_LEADS)
    assert leads.result is Result.NOT_JUDGED
    assert of(outcome.readings, "")[0].value == pytest.approx(890, rel=0.01)


# sisters


@pytest.mark.parametrize(
    ("answer", "result"), [(FAULT, AttemptResult.FAILED), (RIGHT, AttemptResult.PASSED)], ids=["fault", "right"]
)
def test_what_is_unlike_its_sisters_is_put_to_the_person(answer: str, result: AttemptResult) -> None:
    bench = doing(Resistance((), (Pair("12V0", "5V0"),)))
    bench.record.sister_ohms = {"12V0 to 5V0": (15e3, 15.2e3, 16e3)}
    script = [Scripted(Answer(answer), kind=PromptKind.CHOICE, containing="3 passed sisters, median 15.2 kΩ")]

    outcome = bench.run(ask=SimulatedPerson(attended=True, clock=bench.clock, script=script))

    assert outcome.result is result
    taken = of(outcome.readings, "to 5V0")[0]
    assert (taken.limits_from, taken.limits_basis) == (LimitsFrom.SISTERS, "learnt from 3 units that passed")


def test_like_its_sisters_passes_and_too_few_of_them_say_nothing() -> None:
    results = []
    for known in ((6500.0, 6600.0, 6700.0), (6500.0, 6600.0)):
        bench = doing(Resistance((), (Pair("12V0", "5V0"),)))
        bench.record.sister_ohms = {"12V0 to 5V0": known}
        results.append(of(bench.run().readings, "to 5V0")[0].result)

    assert results == [Result.PASS, Result.RECORDED]


def test_sisters_never_excuse_a_short() -> None:
    bench = doing(Resistance((), (Pair("12V0", "5V0"),)), replace(TIED, value=0.05))
    bench.record.sister_ohms = {"12V0 to 5V0": (0.05, 0.05, 0.05)}

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert of(outcome.readings, "to 5V0")[0].note == "no more than the leads themselves: a short"


@given(st.lists(st.floats(1e-3, 1e9), min_size=1, max_size=9))
def test_sisters_are_like_themselves(known: list[float]) -> None:
    band = like_sisters(known)

    assert band is not None
    # four digits are kept of the ends
    assert all(band.accepts(each * 1.001) or band.accepts(each * 0.999) for each in known)


def test_only_the_same_meter_range_and_polarity_on_other_units_that_passed_are_sisters(tmp_path: Path) -> None:
    path = tmp_path / "book.db"

    def read(serial: str, value: float, ended: AttemptResult = AttemptResult.PASSED, **changes: Any) -> None:
        reading = replace(ohms(), value=value, limits=None, result=Result.RECORDED, meter_range=1e3)
        with LogbookRecord.open(path, simulated=False) as record:
            add_attempt(record, start(serial), [replace(reading, **changes)], result=ended)

    read("MBL-0002", 800.0)
    read("MBL-0002", 810.0)
    read("MBL-0003", 820.0, AttemptResult.FAILED)
    read("MBL-0004", 830.0, meter_range=1e6)
    read("MBL-0005", 840.0, aspect="reversed")
    read("MBL-0006", 850.0, note="still rising when it was taken")
    read("MBL-0001", 860.0)
    read("MBL-0007", 870.0)
    read("MBL-0008", 880.0, unsettled=True, lowest=700.0, highest=900.0)
    read("MBL-0009", 890.0, result=Result.FAIL)
    read("MBL-0010", 895.0, result=Result.NOT_JUDGED)
    meter = Identity("WEST DOCK", "DMM-1", "1001", "1.0")
    question = SisterQuestion(
        "MBL-0001", "Mooring buoy logger", "B", "", "Corner bench", "3V3", "", meter=meter, meter_range=1e3
    )

    with LogbookRecord.open(path, simulated=False) as record:
        assert record.sisters(question) == (810.0, 870.0)
        assert record.sisters(replace(question, meter=replace(meter, serial="1002"))) == ()
        assert record.sisters(replace(question, meter=None)) == ()
        assert record.sisters(replace(question, revision="C")) == ()
    for kind, left in (("quarantine", (810.0,)), ("released", (810.0, 870.0)), ("scrap", (810.0,))):
        why = ["--why", "found burnt later", "--by", "ada", "--real", "--logbook", str(path)]
        assert main(["disposition", "MBL-0007", kind, *why]) == 0
        with LogbookRecord.open(path, simulated=False) as record:
            assert record.sisters(question) == left, kind


# what climbs, what feeds


def test_without_limits_a_climb_is_taken_once_well_above_what_is_asked_about() -> None:
    climb = Climb(None)
    readings = [climb.enough(Value(ohms_read, ""), UNJUDGED_FOR) for ohms_read in (15.0, 16.0, 17.0, 18.0, 19.0, 21.0)]

    assert readings == [False, False, False, False, False, True]
    assert not climb.enough(Value(22.0, ""), UNJUDGED_FOR - 1)
    stated = Climb(parse_limits("> 200 Ω"))
    assert not any(stated.enough(Value(ohms_read, ""), 60.0) for ohms_read in (21.0, 22.0, 23.0, 24.0, 25.0))


@pytest.mark.parametrize(("volts", "first"), [(4.8, USB), (2.8, DEBUG), (3.9, USB), (1.2, DEBUG), (-4.0, USB)], ids=str)
def test_the_volts_suggest_what_feeds_a_point(volts: float, first: str) -> None:
    assert likely_feeds(volts)[0] == first
    assert likely_feeds(volts, falling=True)[0] == FALLS
    assert {DEBUG, USB, CELL} < set(likely_feeds(volts))


def test_a_fed_point_is_said_to_be_fed_by_what_its_volts_suggest() -> None:
    bench = doing(Resistance(("5V0",)), Fault("5V0", FaultKind.BACK_FED, 4.7))

    outcome = bench.run()

    assert "with every output off: charged, or fed by a debug or serial lead, a USB lead" in outcome.cause


# the circuit


@given(st.floats(1.0, 1e6), st.floats(1.0, 1e6), st.floats(0.1, 1e5))
def test_ohms_between_points_are_the_same_from_either_side_and_never_above_the_tie(
    one: float, other: float, tie: float
) -> None:
    design = board(
        rail("A", "VIN", converter("buck"), volts=12.0, unpowered_resistance=one),
        rail("B", "VIN", converter("buck"), volts=5.0, unpowered_resistance=other),
    )
    fault = Fault("A", FaultKind.SHORTED_THROUGH, tie, to="B")

    assert resistance_between(design, "A", "B") == pytest.approx(one + other)
    tied = resistance_between(design, "A", "B", [fault])
    assert tied == pytest.approx(resistance_between(design, "B", "A", [fault]))
    assert tied < tie
    # to ground: its own beside the way through the tie and the other one
    way = tie + other
    assert resistance_between(design, "A", None, [fault]) == pytest.approx(one * way / (one + way))
    assert unpowered_resistance(design, "A") == pytest.approx(one)


def test_points_on_one_net_have_nothing_between_them() -> None:
    design = board(rail("A", "VIN", converter("buck"), volts=12.0), rail("B", "A"))

    assert resistance_between(design, "A", "B") == 0.0


def test_decimal_ends_of_sisters_are_short() -> None:
    band = like_sisters([6543.21, 6555.5, 6600.0])

    assert band is not None
    assert (band.low, band.high, band.nominal) == (Decimal(3278), Decimal("1.311E+4"), Decimal(6556))


def test_wiring_that_nobody_holds_cannot_read_between_points() -> None:
    wired = replace(the_bench(ROOT / "fixtures/benches/simulated.yaml"), simulate=None)
    procedure = with_steps(Step(0, PAIR))

    (found,) = [each for each in examine_bench(procedure, wired) if "in a hand" in each.message]

    assert found.refused
    held = replace(wired, probing_by_hand=True)
    assert not [each for each in examine_bench(procedure, held) if "in a hand" in each.message]
