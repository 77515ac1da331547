"""Which fault explains readings. The expected volts are computed by hand, from the board's numbers beside them."""

from __future__ import annotations

from collections.abc import Sequence
from math import isinf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.core.board import Board
from bringup.core.diagnosis import Diagnosis, diagnose
from bringup.core.diagnosis_text import headline, lines_of, look_at
from bringup.core.evidence import Evidence, Seen
from bringup.core.faults import Fault, FaultKind
from bringup.core.parts import parts_of
from bringup.core.single_faults import said, single_faults
from bringup.core.solver import solve, unpowered_resistance
from tests.small_board import small_board

BOARD = small_board()
VIN = {"VIN": 24.0}


def volts(point: str, value: float, *, failed: bool = False, unsettled: bool = False) -> Evidence:
    return Evidence(Seen.VOLTS, point, value, VIN, "blank", 1e-4, failed, unsettled)


def amps(value: float, *, failed: bool = False) -> Evidence:
    return Evidence(Seen.AMPS, "VIN", value, VIN, "blank", 1e-4, failed)


def ohms(point: str, value: float, *, failed: bool = False) -> Evidence:
    return Evidence(Seen.OHMS, point, value, {}, "blank", 0.01, failed)


def first(found: Diagnosis) -> str:
    return " | ".join(suspect.name for suspect in found.causes[0].suspects)


# At 24 V a sound unit draws 72.5 mA (see small_board).
SOUND = (amps(0.0725), volts("12V0", 12.0), volts("5V0", 5.0), volts("N12V", -12.0))


def with_wrong(*wrong: Evidence) -> tuple[Evidence, ...]:
    replaced = {(one.seen, one.point) for one in wrong}
    return (*(one for one in SOUND if (one.seen, one.point) not in replaced), *wrong)


@pytest.mark.parametrize(
    ("seen", "cause"),
    [
        # 0.8 V * (1 + 0/10 k): the reference alone; nothing behind starts (5 V needs more, N12V 8 V).
        (
            (amps(0.0101, failed=True), volts("12V0", 0.8, failed=True), volts("N12V", 0.0, failed=True)),
            "12V0: upper feedback resistor shorted | 12V0: lower feedback resistor open",
        ),
        # 0.8 V * (1 + 130/10) = 11.2 V; by other loads' share the input current hardly moves.
        (with_wrong(volts("12V0", 11.2, failed=True)), "12V0: upper feedback resistor 130 kΩ instead of 140 kΩ"),
        # 1.2 V * (1 + 180/22) = 11.02 V
        (with_wrong(volts("N12V", -11.02, failed=True)), "N12V: lower feedback resistor 22 kΩ instead of 20 kΩ"),
        # Without its 20 mA the inverting converter leaves 60 + 20 mA at 12 V: 12 * 0.08 / (0.8 * 24) + 10 mA = 60 mA.
        (
            with_wrong(amps(0.060), volts("N12V", 0.0, failed=True)),
            "N12V: converter not fitted",
        ),
        # The whole current flows: what reads nothing is the probe.
        (with_wrong(volts("12V0", 0.0, failed=True)), "12V0: the probe touched nothing"),
        (with_wrong(volts("5V0", 12.0, failed=True)), "5V0: the probe was on 12V0 (12 V fits there)"),
        ((ohms("5V0", 3.0, failed=True),), "5V0: shorted through 3 Ω"),
    ],
    ids=["no gain", "upper value", "lower value", "not fitted", "probe on nothing", "probe elsewhere", "short"],
)
def test_the_cause_that_explains_every_reading_comes_first(seen: Sequence[Evidence], cause: str) -> None:
    found = diagnose(BOARD, seen)

    assert cause in first(found)
    assert found.causes[0].fits


def test_a_sound_unit_is_not_blamed() -> None:
    found = diagnose(BOARD, SOUND)

    assert found.causes[0].suspects[0].fault is None
    assert headline(found) == ""


def test_leads_the_wrong_way_round_and_a_wrong_voltage_are_told_apart() -> None:
    def at_leads(value: float) -> tuple[Evidence, ...]:
        return (Evidence(Seen.LEADS, "VIN", value, {}, "blank", 1e-4, failed=True),)

    assert "supply leads reversed" in first(diagnose(BOARD, at_leads(-24.0)))
    assert "12 V from the supply" in first(diagnose(BOARD, at_leads(12.0)))


def test_volts_on_a_dead_board_are_a_charge_or_fed_from_outside() -> None:
    found = diagnose(BOARD, [Evidence(Seen.DEAD, "5V0", 2.0, {}, "blank", 1e-4)])

    likely = [cause for cause in found.causes if cause.probability > 0.01]
    assert {suspect.fault.kind for cause in likely for suspect in cause.suspects if suspect.fault} == {
        FaultKind.CHARGED,
        FaultKind.BACK_FED,
    }


def test_a_reading_that_never_settled_speaks_for_the_capacitor() -> None:
    found = diagnose(BOARD, with_wrong(volts("5V0", 5.02, failed=True, unsettled=True)))

    assert first(found) == "5V0: output capacitor missing | 5V0: converter oscillates"


def test_a_short_that_came_under_power_is_found_against_the_resistances_read_before() -> None:
    short = Fault("5V0", FaultKind.SHORTED_THROUGH, 1.0)
    pulled = solve(BOARD, VIN, state="blank", faults=(short,)).volts["5V0"]
    before = tuple(ohms(name, unpowered_resistance(BOARD, name)) for name in ("12V0", "5V0") if name != "5V0")

    found = diagnose(BOARD, (*before, ohms("5V0", 1e8), *SOUND[:2], volts("5V0", pulled, failed=True)))

    assert found.causes[0].suspects[0].later
    assert first(found).startswith("5V0: shorted through 1 Ω, since power came on")


@pytest.mark.parametrize("read", [2e3, 1e5, 1e8])
def test_ohms_that_the_board_file_does_not_tell_are_no_short_unless_they_are_low(read: float) -> None:
    unknown = [point.name for point in BOARD.points() if isinf(unpowered_resistance(BOARD, point.name))]
    assert unknown

    found = diagnose(BOARD, (*(ohms(name, read) for name in unknown), *SOUND))
    shorted = diagnose(BOARD, (ohms(unknown[0], 40.0),))

    assert first(found).startswith("nothing: a sound unit")
    assert first(shorted).startswith(f"{unknown[0]}: shorted through 40 Ω")


def test_what_no_single_fault_explains_is_said_to_be_so() -> None:
    seen = with_wrong(volts("12V0", 7.7, failed=True), volts("5V0", 9.1, failed=True), volts("N12V", -3.0, failed=True))
    found = diagnose(BOARD, seen)

    assert not found.causes[0].fits
    assert next(lines_of(BOARD, found)).startswith("No single fault")
    assert headline(found) == ""


def test_without_readings_nothing_is_ranked() -> None:
    assert diagnose(BOARD, ()).causes == ()
    assert "No reading" in next(lines_of(BOARD, Diagnosis(())))


def test_the_page_says_what_a_reading_resembles_and_where_to_look() -> None:
    seen = (amps(0.0101, failed=True), volts("12V0", 0.803, failed=True))

    page = "\n".join(lines_of(BOARD, diagnose(BOARD, seen)))

    assert "803.0 mV at 12V0 is its 800 mV reference: its feedback has no gain." in page
    assert "explains 12V0 with VIN at 24 V: would be 800 mV, is 803.0 mV" in page
    assert "Look at: the upper feedback resistor of 12V0: bridged." in page


def test_the_next_reading_is_one_that_tells_the_leaders_apart() -> None:
    found = diagnose(BOARD, [amps(0.060), volts("12V0", 12.0)])

    assert found.next is not None
    assert (found.next.seen, found.next.point) not in {(Seen.AMPS, "VIN"), (Seen.VOLTS, "12V0")}
    one, other = found.next.predictions
    assert abs(one - other) > 0.1 * max(abs(one), abs(other))


def readings_of(board: Board, fault: Fault, serial: str) -> tuple[Evidence, ...]:
    """What an attempt would read of that unit, noise left out: input current, every rail, resistances."""
    parts = parts_of(board, serial)
    solution = solve(board, VIN, state="blank", faults=(fault,), parts=parts)
    sound = solve(board, VIN, state="blank")
    unsettled = {fault.point} if fault.kind is FaultKind.CAPACITOR_MISSING else set()
    rails = [
        volts(
            name,
            value,
            failed=abs(value - sound.volts[name]) > 0.025 * abs(sound.volts[name]),
            unsettled=name in unsettled,
        )
        for name, value in solution.volts.items()
        if name in board.rails
    ]
    dead = [ohms(rail, unpowered_resistance(board, rail, (fault,), parts)) for rail in board.rails]
    finite = [one for one in dead if one.value < 1e9]
    current = solution.input_amps["VIN"]
    return (*finite, amps(current, failed=abs(current - 0.0725) > 0.3 * 0.0725), *rails)


FAULTS = [fault for fault in single_faults(BOARD) if fault.point != "VIN" and fault.kind is not FaultKind.BACK_FED]


@settings(max_examples=8)
@given(st.sampled_from(FAULTS), st.integers(0, 9999))
def test_a_fault_that_shows_is_among_the_first_three(fault: Fault, unit: int) -> None:
    seen = readings_of(BOARD, fault, f"MBL-{unit:04d}")
    if not any(one.failed or one.unsettled for one in seen):
        return  # within every limit: nobody would ask

    found = diagnose(BOARD, seen)

    named = [suspect.fault for cause in found.causes[:3] for suspect in cause.suspects if suspect.fault is not None]
    assert (fault.point, fault.kind) in {(each.point, each.kind) for each in named}, said(BOARD, fault)


def test_every_kind_of_fault_says_where_to_look() -> None:
    for cause in diagnose(BOARD, SOUND).causes:
        for suspect in cause.suspects:
            if suspect.fault is not None:
                assert look_at(suspect) != suspect.fault.point
