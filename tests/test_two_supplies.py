"""An attempt whose board is fed by two supplies: every rule holds for both, and either one lost ends both."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.core.bench import Bench, Ceiling
from bringup.core.faults import Fault, FaultKind
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult
from bringup.errors import BenchError
from bringup.runner.attempt import run_attempt
from bringup.runner.protocols import Told
from tests.two_supplies import BEFORE, SUPPLY_2, UP, InMemory, in_memory

BOTH = ("supply", SUPPLY_2)
STEPS = BEFORE + UP + "  - measure: [VIN, VDRV, 5V0, 15V0]\n  - dwell: 60 s\n  - power_off: {discharged_below: 1 V}\n"


def test_a_sound_board_passes_and_outputs_go_off_in_reverse_order(tmp_path: Path) -> None:
    bench = in_memory(tmp_path, STEPS)

    outcome = bench.run()

    assert (outcome.result, outcome.off_verified, bench.on) == (AttemptResult.PASSED, True, (False, False))
    ended = [text for text in bench.texts("power") if "OFF" in text][-2:]
    assert ended == ["VDRV OFF, verified by asking", "VIN OFF, verified by asking"]
    assert bench.texts("settings") == [
        "output 1 of the supply is off, set to 0 V, 3 A",
        "output 2 of the supply drive is off, set to 0 V, 3 A",
    ]
    taken_by = {(each.point, each.instrument) for each in outcome.readings if each.instrument != "meter"}
    assert taken_by == {("VIN", "supply"), ("VDRV", SUPPLY_2)}
    assert {sample.output for batch in bench.record.batches for sample in batch} == {1, 102}
    assert [info.role for info in bench.record.started[0].instruments] == ["supply", SUPPLY_2, "meter"]


@pytest.mark.parametrize("silent", BOTH)
def test_either_supply_silent_for_two_looks_has_the_other_switched_off_at_once(tmp_path: Path, silent: str) -> None:
    bench = in_memory(tmp_path, STEPS)
    at: list[float] = []

    def fall_silent() -> None:
        assert bench.on == (True, True)
        at.append(bench.clock.monotonic())
        bench.links[silent].troubles.silent_from = at[0]
        bench.links[silent].troubles.silent_until = at[0] + 30.0
        bench.clock.at(at[0] + 5.0, lambda: seen.append(bench.on), wakes=False)

    seen: list[tuple[bool, bool]] = []
    outcome = bench.run(fall_silent)

    assert seen == [(silent == "supply", silent == SUPPLY_2)], "the other one is off long before the silent one answers"
    assert (outcome.result, outcome.off_verified, bench.on) == (AttemptResult.BROKEN_OFF, True, (False, False))
    assert "did not answer 2 looks in a row while " + ("VIN" if silent == "supply" else "VDRV") in outcome.cause
    (unknown,) = [told for told in bench.told if told.kind == "off-unknown"][:1]
    assert "switch every supply off at its own switch" in unknown.text
    assert f"the {silent} did not answer" in str(unknown.data["why"])


@pytest.mark.parametrize("silent", BOTH)
def test_the_other_one_is_told_off_before_the_person_is_told_anything(tmp_path: Path, silent: str) -> None:
    """The person's terminal may be stuck; the supply that answers does not wait for it."""
    bench = in_memory(tmp_path, STEPS)
    (other,) = set(BOTH) - {silent}
    begun: list[int] = []

    def fall_silent() -> None:
        bench.links[silent].troubles.silent_from = bench.clock.monotonic()
        bench.links[silent].troubles.silent_until = bench.clock.monotonic() + 30.0
        begun.append(len(bench.links[other].sent))

    told: list[int] = []

    def tell(each: Told) -> None:
        if each.kind == "step-begun" and "dwell" in each.text:
            bench.clock.at(bench.clock.monotonic() + 1.0, fall_silent, wakes=False)
        if each.kind == "off-unknown" and not told:
            off = bench.links[other].submit(())
            while not off.done:
                bench.clock.wait(off.deadline)
            told.append(sum("OUTP OFF" in text for text in bench.links[other].sent[begun[0] :]))

    run_attempt(replace(bench.setup, tell=tell))

    assert told[:1] == [1]


@pytest.mark.parametrize("gone", BOTH)
def test_a_supply_that_never_comes_back_leaves_the_other_verified_off_and_the_state_unknown(
    tmp_path: Path, gone: str
) -> None:
    bench = in_memory(tmp_path, STEPS)

    def lose() -> None:
        bench.links[gone].troubles.lost_at = bench.clock.monotonic()

    outcome = bench.run(lose)

    assert (outcome.result, outcome.off_verified) == (AttemptResult.BROKEN_OFF, False)
    assert bench.on == (gone == "supply", gone == SUPPLY_2)
    assert bench.texts("off-unknown")


@pytest.mark.parametrize(("turned", "message"), [("supply", "VOLT 13"), (SUPPLY_2, "INST:NSEL 2;:VOLT 23")])
def test_a_hand_at_the_knob_of_either_ends_both(tmp_path: Path, turned: str, message: str) -> None:
    bench = in_memory(tmp_path, STEPS)

    outcome = bench.run(lambda: bench.hand(turned, message))

    assert outcome.result is AttemptResult.CALLED_OFF
    assert f"was changed at the {turned}: " in outcome.cause
    assert (outcome.off_verified, bench.on) == (True, (False, False))


@pytest.mark.parametrize(("switched", "message"), [("supply", "OUTP OFF"), (SUPPLY_2, "INST:NSEL 2;:OUTP OFF")])
def test_either_output_found_off_ends_both(tmp_path: Path, switched: str, message: str) -> None:
    bench = in_memory(tmp_path, STEPS)

    outcome = bench.run(lambda: bench.hand(switched, message))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "was found off though nobody here switched it" in outcome.cause
    assert (outcome.off_verified, bench.on) == (True, (False, False))


@pytest.mark.parametrize(
    ("whose", "name", "message"),
    [("supply", "VIN", "VOLT:PROT 5"), (SUPPLY_2, "VDRV", "INST:NSEL 2;:VOLT:PROT 5")],
)
def test_a_protection_of_either_that_trips_ends_both_and_is_named(
    tmp_path: Path, whose: str, name: str, message: str
) -> None:
    bench = in_memory(tmp_path, STEPS)

    outcome = bench.run(lambda: bench.hand(whose, message))

    assert outcome.result is AttemptResult.FAILED
    assert f"the {whose}'s over-voltage protection tripped on {name}" in outcome.cause
    assert (outcome.off_verified, bench.on) == (True, (False, False))


@pytest.mark.parametrize("name", ["VIN", "VDRV"])
def test_excess_current_at_either_input_trips_both(tmp_path: Path, name: str) -> None:
    faults = [Fault(name, FaultKind.SHORTED_THROUGH, 3.0, after=2.0)]
    bench = in_memory(tmp_path, STEPS, faults=faults)

    outcome = bench.run()

    assert outcome.result in (AttemptResult.FAILED, AttemptResult.BROKEN_OFF)
    assert name in outcome.cause
    assert (outcome.off_verified, bench.on) == (True, (False, False))


def test_an_output_of_the_second_that_is_found_on_is_switched_off_by_the_persons_word(tmp_path: Path) -> None:
    bench = in_memory(tmp_path, STEPS)
    bench.hand(SUPPLY_2, "INST:NSEL 2;:VOLT 5;:CURR 0.1;:OUTP ON")
    assert bench.on == (False, True)

    outcome = bench.run()

    assert bench.texts("found-on") == ["output 2 of the supply drive was found on and switched off"]
    assert (outcome.result, bench.on) == (AttemptResult.PASSED, (False, False))


def test_a_second_supply_that_does_not_answer_stops_the_attempt_before_anything_is_set(tmp_path: Path) -> None:
    bench = in_memory(tmp_path, STEPS)
    bench.links[SUPPLY_2].troubles.silent_from = 0.0
    bench.links[SUPPLY_2].troubles.silent_until = math.inf

    with pytest.raises(BenchError, match=r"supply drive .*does not answer"):
        bench.run()

    assert bench.record.started == []
    assert not [text for role in BOTH for text in bench.links[role].sent if text.startswith(("VOLT ", "OUTP "))]


def expecting_another(bench: Bench) -> Bench:
    (second,) = bench.more_supplies
    return replace(bench, more_supplies=(replace(second, expected=replace(second.expected, serial="4711")),))


def test_another_instrument_in_the_place_of_the_second_is_refused_with_nothing_powered(tmp_path: Path) -> None:
    bench = in_memory(tmp_path, STEPS, change=expecting_another)

    with pytest.raises(BenchError, match=r"supply drive .*expects serial number '4711'"):
        bench.run()

    assert not [text for role in BOTH for text in bench.links[role].sent if text.startswith(("VOLT ", "OUTP "))]


def lower(bench: Bench) -> Bench:
    (second,) = bench.more_supplies
    return replace(bench, more_supplies=(replace(second, ceiling=Ceiling(parse_quantity("20 V"), None)),))


def test_the_ceiling_of_the_second_bounds_its_own_output_even_where_nobody_refused_before(tmp_path: Path) -> None:
    bench = in_memory(tmp_path, STEPS, change=lower)

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "VDRV: 24 V exceeds the bench's ceiling, 20 V" in outcome.cause
    assert not bench.sent(SUPPLY_2, "INST:NSEL 2;:OUTP ON")
    assert bench.on == (False, False)


def left_alone(bench: Bench) -> Bench:
    (second,) = bench.more_supplies
    return replace(bench, more_supplies=(replace(second, leave_alone=(1,)),))


def test_an_output_to_be_left_alone_at_the_second_stays_on_whatever_ends_the_attempt(tmp_path: Path) -> None:
    bench = in_memory(tmp_path, STEPS, change=left_alone)

    def turn() -> None:
        bench.hand(SUPPLY_2, "INST:NSEL 1;:VOLT 5;:CURR 0.1;:OUTP ON")
        bench.hand("supply", "VOLT 13")

    outcome = bench.run(turn)

    now = bench.clock.monotonic()
    assert (outcome.result, outcome.off_verified) == (AttemptResult.CALLED_OFF, True)
    assert (bench.on, bench.world.is_on(101, now)) == ((False, False), True)


def no_number_above_a_hundred(bench: InMemory) -> bool:
    shown = [told.text for told in bench.told] + [text for _, text, _ in bench.record.events]
    return not [text for text in shown if "output 10" in text]


def test_people_never_see_the_numbers_that_tell_outputs_apart(tmp_path: Path) -> None:
    bench = in_memory(tmp_path, STEPS)
    bench.hand(SUPPLY_2, "INST:NSEL 2;:VOLT 5;:CURR 0.1;:OUTP ON")
    bench.run(lambda: bench.hand(SUPPLY_2, "INST:NSEL 2;:VOLT 23"))

    assert no_number_above_a_hundred(bench)


def watched_by_itself(bench: Bench) -> Bench:
    assert bench.supply is not None
    (second,) = bench.more_supplies
    guarding = "single-output-watchdog"
    return replace(
        bench,
        supply=replace(bench.supply, dialect=guarding, watchdog=4.0),
        more_supplies=(replace(second, dialect=guarding, outputs={"VDRV": 1}, watchdog=6.0),),
    )


def test_each_supply_has_a_watchdog_of_its_own_that_goes_off_with_its_last_output(tmp_path: Path) -> None:
    steps = BEFORE + UP + "  - power_cycle: {input: VDRV, times: 3, off_for: 8 s, on_for: 2 s}\n"
    bench = in_memory(tmp_path, steps, change=watched_by_itself)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    told = bench.texts("watchdog")
    assert [text for text in told if text.startswith("the supply switches off by itself")][-1].endswith("4 s")
    assert [text for text in told if text.startswith("the supply drive switches")][-1].endswith("6 s")
    for role, times in (("supply", 2), (SUPPLY_2, 5)):
        # Armed for the free leads and for the board; the other one's are not touched while it is cycled.
        armed = [text for text in bench.links[role].sent if "WDOG" in text and "?" not in text]
        assert len([text for text in armed if text.endswith(("OFF", "0"))]) == times
