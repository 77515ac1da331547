"""Which faults a rehearsal tries, what would show them, and what it concludes. Expected volts are computed by hand."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.commands.rehearsing import attempt, scene
from bringup.core.fault_check import why_impossible
from bringup.core.faults import Fault, FaultKind
from bringup.core.parts import NOMINAL
from bringup.core.rehearsal import Came, Check, Energy, Fate, Stress, Trial, corners, fate_of, fewest, shows, summed_up
from bringup.core.single_faults import E24, neighbours, said, single_faults
from bringup.core.solver import solve
from bringup.core.words import AttemptResult
from bringup.simulation.stressed import StressedWorld
from tests.fakes import ROOT
from tests.small_board import lim, small_board, tiny_board, with_rail

BOARD = small_board()
LOW_UPPER = Fault("12V0", FaultKind.UPPER_VALUE, 130e3)
MISSING = Fault("5V0", FaultKind.CAPACITOR_MISSING)


def came(fault: Fault | None, result: AttemptResult, *stressed: Stress) -> Came:
    name = "sound" if fault is None else said(BOARD, fault)
    return Came(Trial(name, fault), result, "", None, stressed)


def test_every_fault_is_one_that_the_board_can_have_and_is_tried_once() -> None:
    faults = single_faults(BOARD, sensed=BOARD.inputs)

    assert [why_impossible(BOARD, fault) for fault in faults] == [None] * len(faults)
    assert len({said(BOARD, fault) for fault in faults}) == len(faults)
    assert {fault.kind for fault in faults} >= {
        FaultKind.SENSE_OPEN,
        FaultKind.LEADS_REVERSED,
        FaultKind.NOT_FITTED,
        FaultKind.UPPER_OPEN,
        FaultKind.LOWER_VALUE,
    }


def test_a_feedback_resistor_is_tried_a_decade_off_and_at_the_preferred_values_beside_it() -> None:
    faults = single_faults(BOARD)
    values = [fault.value for fault in faults if (fault.point, fault.kind) == ("12V0", FaultKind.UPPER_VALUE)]

    assert values == pytest.approx([14e3, 130e3, 150e3, 1.4e6])


def test_another_converter_is_tried_with_the_usual_references_beside_its_own() -> None:
    faults = single_faults(BOARD)

    def others(point: str) -> list[float | None]:
        return [fault.value for fault in faults if (fault.point, fault.kind) == (point, FaultKind.OTHER_PART)]

    # References of 0.8 V and 1.2 V; the linear 5V0 has a fixed output (usual values: common practice, no source).
    assert others("12V0") == [0.6, 1.0]
    assert others("N12V") == [1.0, 1.25]
    assert others("5V0") == [3.3, 9.0]


def test_resistors_are_swapped_where_there_are_two_and_an_inverting_converter_cannot_pass_its_input() -> None:
    faults = single_faults(BOARD)

    assert [fault.point for fault in faults if fault.kind is FaultKind.SWAPPED] == ["12V0", "N12V"]
    assert [fault.point for fault in faults if fault.kind is FaultKind.PASSES_INPUT] == ["12V0", "5V0"]


def test_a_rail_without_facts_is_tried_with_what_can_be_wrong_at_any_net() -> None:
    kinds = Counter(fault.kind for fault in single_faults(tiny_board()) if fault.point == "3V3")

    assert FaultKind.NOT_FITTED not in kinds
    assert kinds[FaultKind.SHORTED_THROUGH] == 2


@given(st.floats(0.1, 1e7))
def test_a_neighbour_is_a_preferred_value_and_none_lies_between(ohms: float) -> None:
    below, above = neighbours(ohms)

    assert below < ohms < above
    for value in (below, above):
        assert min(abs(value / 10**decade - each) for decade in range(-3, 9) for each in E24) < 1e-9
    between = [e * 10**d for d in range(-3, 9) for e in E24 if below * 1.001 < e * 10**d < above * 0.999]
    assert between == pytest.approx([ohms] * len(between), rel=1e-3)


def test_faults_are_said_in_words() -> None:
    assert said(BOARD, LOW_UPPER) == "12V0: upper feedback resistor 130 kΩ instead of 140 kΩ"
    assert said(BOARD, Fault("VIN", FaultKind.LEADS_REVERSED)) == "VIN: supply leads reversed"


def test_at_its_corners_a_rail_is_as_high_and_as_low_as_its_parts_allow() -> None:
    volts = {trial.name: solve(BOARD, {"VIN": 24.0}, parts=trial.parts).volts["12V0"] for trial in corners(BOARD)}

    # 99 % of 1 %: 0.80792 V, 141.386 kohm, 9.901 kohm; and 0.79208 V, 138.614 kohm, 10.099 kohm.
    assert volts["sound, 12V0 at its highest"] == pytest.approx(0.80792 * (1 + 141.386 / 9.901), rel=1e-6)
    assert volts["sound, 12V0 at its lowest"] == pytest.approx(0.79208 * (1 + 138.614 / 10.099), rel=1e-6)
    assert volts["sound, every part nominal"] == pytest.approx(12.0)
    assert volts["sound, N12V at its highest"] == pytest.approx(12.0)
    assert [trial.name for trial in corners(BOARD, ["N12V"])] == [
        "sound, every part nominal",
        "sound, N12V at its lowest",
        "sound, N12V at its highest",
    ]


def test_a_rail_of_stated_limits_uses_half_of_them() -> None:
    parts = {trial.name: trial.parts for trial in corners(BOARD)}

    assert parts["sound, 5V0 at its highest"].value("5V0", "output", 0.0) == pytest.approx(5.0495)


@pytest.mark.parametrize(
    ("fault", "check", "point"),
    [
        (LOW_UPPER, Check.VOLTAGE, "12V0"),  # 0.8 V * (1 + 130/10) = 11.2 V
        (Fault("12V0", FaultKind.SHORTED_THROUGH, 10.0), Check.RESISTANCE, "12V0"),
        (Fault("12V0", FaultKind.NOT_FITTED), Check.CURRENT, "VIN"),
        (Fault("5V0", FaultKind.BACK_FED, 3.3), Check.RESISTANCE, "5V0"),
        (Fault("VIN", FaultKind.WRONG_VOLTAGE, 30.0), Check.VOLTAGE, "VIN"),
    ],
)
def test_what_would_show_a_fault(fault: Fault, check: Check, point: str) -> None:
    assert (check, point) in shows(BOARD, fault, ("blank",))


def test_what_shows_on_a_sound_board_shows_no_fault() -> None:
    amiss = with_rail("5V0", expect=lim("6 V ± 2 %"), converter=BOARD.rails["12V0"].converter)

    assert shows(amiss, MISSING, ("blank",)) == ()


@pytest.mark.parametrize(
    ("result", "stressed", "showing", "fate"),
    [
        (AttemptResult.PASSED, (), (), Fate.WITHIN),
        (AttemptResult.PASSED, (), ((Check.VOLTAGE, "5V0"),), Fate.MISSED),
        (AttemptResult.PASSED, (Stress("5V0", 7.0, 6.0),), (), Fate.MISSED),
        (AttemptResult.FAILED, (), ((Check.VOLTAGE, "5V0"),), Fate.CAUGHT),
        (AttemptResult.INCOMPLETE, (), (), Fate.CAUGHT),
        (AttemptResult.FAILED, (Stress("5V0", 7.0, 6.0),), ((Check.VOLTAGE, "5V0"),), Fate.TOO_LATE),
    ],
)
def test_what_becomes_of_a_fault(
    result: AttemptResult, stressed: tuple[Stress, ...], showing: tuple[tuple[Check, str], ...], fate: Fate
) -> None:
    assert fate_of(came(MISSING, result, *stressed), showing) is fate


@pytest.mark.parametrize(
    ("joules", "watts", "fate"),
    [(12.0, 3.0, Fate.TOO_LATE), (12.0, 0.4, Fate.CAUGHT), (0.5, 60.0, Fate.CAUGHT)],
    ids=["hot", "little power", "short"],
)
def test_a_fault_that_took_much_energy_was_caught_too_late(joules: float, watts: float, fate: Fate) -> None:
    short = Fault("12V0", FaultKind.SHORTED_THROUGH, 20.0)
    found = Came(Trial("short", short), AttemptResult.FAILED, "", 3, energy=Energy(joules, watts))

    assert fate_of(found, shows(BOARD, short)) is fate


def test_energy_into_a_fault_is_its_power_over_the_time_that_it_stands() -> None:
    # 60 ohm on 12 V for 3 s: 2.4 W, 7.2 J, less the 4 ms or so in which 12V0 rises.
    short = Fault("12V0", FaultKind.SHORTED_THROUGH, 60.0)
    world = StressedWorld(BOARD, outputs={"VIN": 1}, faults=(short,), draw=lambda _board, _serial: NOMINAL)
    world.set_current_limit(1, 1.0, 0.0)
    world.set_voltage(1, 24.0, 0.0)
    world.switch(1, True, 0.0)

    assert world.point_volts("12V0", 3.0) == pytest.approx(12.0, rel=1e-3)
    assert world.energy is not None
    assert world.energy.watts == pytest.approx(2.4, rel=1e-2)
    assert world.energy.joules == pytest.approx(7.2, rel=2e-2)
    sound = StressedWorld(BOARD, outputs={"VIN": 1}, draw=lambda _board, _serial: NOMINAL)
    assert sound.energy is None


def test_a_short_behind_a_converter_that_tries_again_and_again_is_read_at_last() -> None:
    # 1V8 kicks up to 0.2 V every half second, and the input current stays within its limits.
    made = scene(ROOT / "procedures/recheck.yaml", None, "")
    short = Fault("1V8", FaultKind.SHORTED_THROUGH, 0.2)

    found = attempt(made, Trial("short", short))

    assert found.result is AttemptResult.FAILED
    assert "1V8 voltage" in found.cause
    assert "never settled" in found.cause


def test_the_demo_re_check_catches_a_sample_of_what_shows_on_its_board_and_blames_no_sound_unit() -> None:
    # Every seventh of all single faults, the leak at the input, and a sound unit at each end. What is fed from outside
    # while the board is off shows before a resistance of that rail only, which a re-check does not take.
    made = scene(ROOT / "procedures/recheck.yaml", None, "")
    board = made.procedure.board
    faults = single_faults(board)
    assert len(faults) >= 80
    leak = next(each for each in faults if each.kind is FaultKind.SHORTED_THROUGH and (each.value or 0) > 900)
    few = [each for each in (leak, *faults[::7]) if each.kind is not FaultKind.BACK_FED]

    for each in few:
        showing = shows(board, each, ("programmed",))
        fate = fate_of(attempt(made, Trial(said(board, each), each)), showing)
        assert fate is not Fate.MISSED, said(board, each)
    assert {attempt(made, trial).result for trial in corners(board)[-2:]} == {AttemptResult.PASSED}


def test_coverage_counts_what_shows_and_a_blamed_sound_unit_is_a_false_alarm() -> None:
    trials = [
        came(None, AttemptResult.PASSED),
        came(None, AttemptResult.FAILED),
        came(LOW_UPPER, AttemptResult.PASSED),
        came(MISSING, AttemptResult.PASSED),
        came(Fault("12V0", FaultKind.NOT_FITTED), AttemptResult.FAILED),
    ]
    showing = {each.trial.name: shows(BOARD, each.trial.fault) for each in trials if each.trial.fault is not None}

    found = summed_up(trials, showing)

    assert (found.coverage, found.good, len(found.false_alarms)) == (0.5, False, 1)
    assert found.added[0][:2] == (Check.VOLTAGE, "12V0")


CHECKS = st.tuples(st.sampled_from(list(Check)), st.sampled_from(["VIN", "12V0", "5V0", "3V3"]))


@given(st.lists(st.sets(CHECKS, max_size=4).map(tuple), max_size=8))
def test_the_checks_to_add_show_every_missed_fault_that_any_check_shows(
    missed: list[tuple[tuple[Check, str], ...]],
) -> None:
    chosen = {(check, point) for check, point, _ in fewest(missed)}

    assert all(chosen & set(each) for each in missed if each)
    assert sum(count for _, _, count in fewest(missed)) == sum(bool(each) for each in missed)
