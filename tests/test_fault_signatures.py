"""Symptoms as they are met at a bench, each with the cause that practitioners rank first for it.

Where one symptom has several causes that no reading tells apart, they stand in one group. Expected volts are computed
by hand from the boards' numbers; the rules of thumb are common practice, no source, where none is named.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.core.board import Board
from bringup.core.diagnosis import Diagnosis, diagnose
from bringup.core.diagnosis_text import headline, lines_of, telling_apart
from bringup.core.evidence import Evidence, Seen
from bringup.core.faults import Fault, FaultKind
from bringup.core.other_units import compared
from bringup.core.single_faults import said
from bringup.core.solver import SENSE_OPEN_RISE, solve, unpowered_resistance
from bringup.files.board_file import load_board
from tests.small_board import BUCK, RAILS, lim, small_board

SMALL = small_board()
LOGGER = load_board(Path(__file__).resolve().parents[1] / "fixtures/boards/mooring-buoy-logger.yaml")
TIDE = load_board(Path(__file__).resolve().parents[1] / "fixtures/boards/tide-gauge.yaml")
EVEN = small_board(
    rails=(replace(RAILS[0], converter=replace(BUCK, upper=lim("30 kΩ ± 1 %"), lower=lim("5 kΩ ± 1 %"))), *RAILS[1:])
)
"""12V0 becomes 0.8 V x (1 + 30 / 5) = 5.6 V."""


def sound(board: Board) -> dict[str, float]:
    """Volts and amperes of a sound unit."""
    inputs = {name: each.voltage.number for name, each in board.inputs.items()}
    found = solve(board, inputs, state="blank")
    return {**found.volts, **{f"{name} A": amps for name, amps in found.input_amps.items()}}


def seen(board: Board, **other: float) -> tuple[Evidence, ...]:
    """Every rail and input current of a sound unit, but for what is named (`VIN_A` for a current); these failed."""
    inputs = {name: each.voltage.number for name, each in board.inputs.items()}
    told = {name.removeprefix("_").replace("_A", " A"): value for name, value in other.items()}
    values = {**sound(board), **told}
    found = []
    for name, value in values.items():
        kind = Seen.AMPS if name.endswith(" A") else Seen.VOLTS
        if kind is Seen.AMPS or name in board.rails:
            point = name.removesuffix(" A")
            found.append(Evidence(kind, point, value, inputs, "blank", 1e-4, failed=name in told))
    return tuple(found)


def load_board_text(text: str) -> Board:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "board.yaml"
        path.write_text(text, encoding="utf-8")
        return load_board(path)


def first(found: Diagnosis) -> str:
    return " | ".join(suspect.name for suspect in found.causes[0].suspects)


# Small board at 24 V: VIN draws 10 mA of its own; 12V0 gives 60 mA of sensors, 20 mA to 5V0, 20 mA to N12V.
@pytest.mark.parametrize(
    ("board", "read", "cause"),
    [
        # V ~ 0, current low: the converter does nothing; without 12V0 only the 10 mA of VIN are left.
        (SMALL, {"_12V0": 0.0, "_5V0": 0.0, "N12V": 0.0, "VIN_A": 0.010}, "12V0: converter not fitted"),
        # V ~ 0, current high: 1 A limit (unstated: 1 A) into 0.2 ohm; 6 V of losses at 80 %: (0.2 + 1.5) / 24 + 10 mA.
        (SMALL, {"_12V0": 0.2, "_5V0": 0.0, "N12V": 0.0, "VIN_A": 0.0808}, "12V0: shorted through"),
        # V ~ what feeds it: feedback open at the top or shorted at the bottom, and N12V and 5V0 right.
        (SMALL, {"_12V0": 24.0, "VIN_A": 0.1225}, "12V0: upper feedback resistor open"),
        # V ~ the reference: bottom open or top shorted.
        (SMALL, {"_12V0": 0.8, "_5V0": 0.5, "N12V": 0.0, "VIN_A": 0.0107}, "12V0: upper feedback resistor shorted"),
        # A decade off at the top: 0.8 V x (1 + 14 / 10) = 1.92 V.
        (
            SMALL,
            {"_12V0": 1.92, "_5V0": 1.62, "N12V": 0.0, "VIN_A": 0.0163},
            "12V0: upper feedback resistor 14 kΩ instead of 140 kΩ",
        ),
        # Two decades off at the top (4.7 kohm for 470 kohm, as it is met): 0.8 V x (1 + 1.4 / 10) = 0.912 V.
        (
            SMALL,
            {"_12V0": 0.912, "_5V0": 0.612, "N12V": 0.0, "VIN_A": 0.0107},
            "12V0: upper feedback resistor 1.4 kΩ instead of 140 kΩ",
        ),
        # The next preferred value below at the bottom: 0.8 V x (1 + 140 / 9.1) = 13.11 V.
        (SMALL, {"_12V0": 13.11, "VIN_A": 0.0771}, "12V0: lower feedback resistor 9.1 kΩ instead of 10 kΩ"),
        # Resistors swapped: 0.8 V x (1 + 5 / 30) = 0.933 V.
        (EVEN, {"_12V0": 0.933, "_5V0": 0.633, "N12V": 0.0, "VIN_A": 0.0106}, "12V0: feedback resistors swapped"),
        # Another reference: 0.6 V x (1 + 140 / 10) = 9.0 V. 5V0 still stands on it; N12V starts at 8 V.
        (SMALL, {"_12V0": 9.0, "VIN_A": 0.0598}, "12V0: another converter fitted, of 600 mV"),
        # A 5 V part where 3.3 V belongs (a cell's voltage apart): it gives what its input leaves, 5.0 - 0.25 V.
        (TIDE, {"_3V3": 4.75}, "3V3: another converter fitted, of 5 V"),
        # A 3.0 V part where 3.3 V belongs.
        (TIDE, {"_3V3": 3.0}, "3V3: another converter fitted, of 3 V"),
        (TIDE, {"_3V3": 4.1}, "3V3: set to 4.1 V (feedback parts, or another converter)"),
        # One upstream cause of several wrong rails: without 5V0 nothing behind it stands.
        (
            LOGGER,
            {"_5V0": 0.0, "_3V3": 0.0, "_1V8": 0.0, "VREF": 0.0, "VIN_A": 0.0363},
            "5V0: converter not fitted",
        ),
        # Rails right, current 60 mA too high after a pin was overstressed: too much load.
        (SMALL, {"VIN_A": 0.0725 + 0.060}, "too much load"),
        # The same percentage on every rail: the meter or a lead.
        (
            LOGGER,
            {"_12V0": 12.36, "_5V0": 5.1475, "_3V3": 3.398, "_1V8": 1.8531, "VREF": 2.575, "N12V": -12.349},
            "every voltage reads 3 % high: the meter or its leads",
        ),
        # Nothing anywhere, while the board draws what it should: AC volts, or an open lead.
        (
            LOGGER,
            {"_12V0": 0.0, "_5V0": 0.0, "_3V3": 0.0, "_1V8": 0.0, "VREF": 0.0, "N12V": 0.0},
            "every voltage reads nothing: the meter is on AC volts",
        ),
        # 0 A on a live board: the meter's fuse, the ammeter by-passed.
        (SMALL, {"VIN_A": 0.0}, "VIN: its current was not measured (meter fuse blown"),
        # A reading that is another rail's, all else right: the probe.
        (LOGGER, {"_1V8": 3.3}, "1V8: the probe was on 3V3"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_the_usual_cause_of_a_symptom_comes_first(board: Board, read: dict[str, float], cause: str) -> None:
    found = diagnose(board, seen(board, **read))

    assert cause in first(found)
    assert headline(found)


def test_too_little_current_with_every_rail_right_is_something_that_does_not_run() -> None:
    # A part in reset, a dead clock, no firmware: no part of the power tree is to blame.
    page = "\n".join(lines_of(SMALL, diagnose(SMALL, seen(SMALL, VIN_A=0.035))))

    assert "35.0 mA at VIN is less than its loads take, with every rail right: something does not run" in page
    assert "1. nothing: a sound unit (" in page, "what reads alike only at the leads is not named beside it"
    more = "\n".join(lines_of(SMALL, diagnose(SMALL, seen(SMALL, VIN_A=0.1325))))
    assert "less than its loads take" not in more


def test_a_rail_at_what_feeds_it_is_the_probe_or_a_converter_that_passes_its_input() -> None:
    # Nothing else tells: the probe is ruled out first, for that costs least.
    found = diagnose(LOGGER, seen(LOGGER, _3V3=4.9975))

    names = [cause.suspects[0].name for cause in found.causes[:2]]
    assert names[0].startswith("3V3: the probe was on 5V0")
    assert names[1].startswith("3V3: converter passes its input")


def test_volts_with_the_supply_off_are_fed_from_outside_or_held() -> None:
    found = diagnose(SMALL, [Evidence(Seen.DEAD, "5V0", 3.2, {}, "blank", 1e-4, failed=True)])

    assert {each.fault.kind for each in found.causes[0].suspects if each.fault} <= {
        FaultKind.BACK_FED, FaultKind.CHARGED,
    }  # fmt: skip


def test_free_leads_that_read_high_with_remote_sense_have_a_sense_lead_open() -> None:
    # 5 % above what is set: what a supply makes of it differs from make to make (chosen, no source).
    leads = [Evidence(Seen.LEADS, "VIN", 24.0 * SENSE_OPEN_RISE, {}, "blank", 1e-3, failed=True)]

    assert first(diagnose(SMALL, leads, remote_sense=True)).startswith("VIN: sense lead open")
    assert first(diagnose(SMALL, leads)).startswith("VIN: 25.2 V from the supply")


def test_a_rail_that_wanders_speaks_for_its_output_capacitor() -> None:
    readings = [replace(one, failed=True, unsettled=True) if one.point == "3V3" else one for one in seen(LOGGER)]

    found = diagnose(LOGGER, readings)

    assert first(found) == "3V3: output capacitor missing | 3V3: converter oscillates"
    assert found.causes[0].probability > 0.9
    # A linear converter switches nothing: no ripple of its own speaks for the capacitor.
    (how,) = telling_apart(LOGGER, found.causes[0])
    assert "solder one as the data sheet asks for across it" in how
    assert "switching frequency" not in how


def test_a_boost_that_does_not_switch_passes_its_input_less_a_diode() -> None:
    boost = load_board_text(
        "board: Pier lamp\nserial: 'PL-[0-9]{3}'\ninputs: {VIN: {voltage: 5 V}}\nrails:\n"
        "  12V0: {from: VIN, converter: {kind: boost, starts_at: 3 V, reference: 1.25 V ± 1 %, upper: 86 kΩ ± 1 %,"
        " lower: 10 kΩ ± 1 %}, loads: {lamp: 600 Ω}}\n"
    )
    # 5 V less 0.4 V into 600 ohm: 7.7 mA.
    inputs = {"VIN": 5.0}
    volts = Evidence(Seen.VOLTS, "12V0", 4.62, inputs, None, 1e-3, failed=True)
    found = diagnose(boost, [volts, Evidence(Seen.AMPS, "VIN", 0.0077, inputs, None, 1e-4, failed=True)])

    assert "12V0: converter not fitted" in first(found)


def test_the_equation_stands_with_the_cause() -> None:
    page = "\n".join(lines_of(SMALL, diagnose(SMALL, seen(SMALL, _12V0=9.0, VIN_A=0.0598))))

    assert "600 mV x (1 + 140 kΩ / 10 kΩ) = 9 V" in page
    assert "Look at: the converter of 12V0: its marking, and resistors that set it, against the parts list." in page


def test_other_units_decide_between_a_part_of_another_value_and_an_open_joint() -> None:
    # 12V0 at its input: feedback open at the top, or ten times too large there: the readings do not tell.
    readings = seen(SMALL, _12V0=24.0, VIN_A=0.1225)

    def leader(others: Sequence[Sequence[Evidence]]) -> tuple[FaultKind | None, str]:
        found = compared(readings, others)
        suspect = diagnose(SMALL, readings, others=found).causes[0].suspects[0]
        return (None if suspect.fault is None else suspect.fault.kind), found.said

    alone, none = leader([seen(SMALL), seen(SMALL), seen(SMALL)])
    shared, every = leader([readings, readings])

    assert (alone, shared) == (FaultKind.UPPER_OPEN, FaultKind.UPPER_VALUE)
    assert none == "None of 3 other units reads so: workmanship on this one rather than the design"
    assert every.startswith("All 2 other units read so, too: the design, the parts list or a reel")
    assert leader([readings])[1] == "", "one says nothing"
    assert leader([readings, seen(SMALL)]) == (FaultKind.UPPER_OPEN, "1 of 2 other units read so, too")


def test_a_dead_rail_is_a_converter_not_fitted_not_enabled_or_not_switching_and_the_page_says_what_tells() -> None:
    # 12V0 dead: nothing behind it runs, and VIN gives but its indicator's 24 V / 2.4 kOhm = 10 mA.
    found = diagnose(SMALL, seen(SMALL, _12V0=0.0, _5V0=0.0, N12V=0.0, VIN_A=0.0100))

    names = [suspect.name.removeprefix("12V0: converter ") for suspect in found.causes[0].suspects]
    assert names[:3] == ["not fitted", "not enabled", "does not switch"]
    page = " ".join(lines_of(SMALL, found))
    assert "its input pin (some 24 V, else they do not reach it), its enable pin (low: not enabled)" in page
    assert "its switch node by a scope" in page


def ohms(point: str, value: float, *, failed: bool = False) -> Evidence:
    return Evidence(Seen.OHMS, point, value, {}, "blank", 1e-2, failed=failed)


def test_a_dead_rail_whose_ohms_nobody_took_may_be_a_short_and_ohms_come_first() -> None:
    # A tick at 2 Hz out of a 0.2 ohm short is hiccup: on the average next to nothing comes out.
    dead = seen(SMALL, _12V0=0.0, _5V0=0.0, N12V=0.0, VIN_A=0.0100)
    found = diagnose(SMALL, dead)

    assert "12V0: shorted through 200 mΩ, its converter giving up" in first(found)
    assert next(telling_apart(SMALL, found.causes[0])).startswith("First, with power off: the resistance of 12V0")
    taken = diagnose(SMALL, [ohms("12V0", unpowered_resistance(SMALL, "12V0")), *dead])
    assert "giving up" not in first(taken), "its ohms are sound"
    low = diagnose(SMALL, [ohms("12V0", 0.21, failed=True), *dead])
    assert first(low).startswith("12V0: shorted through")
    assert "giving up" in first(low)


def test_a_rail_that_kicks_up_from_nothing_is_shorted_and_not_without_a_capacitor() -> None:
    readings = [
        replace(one, unsettled=True) if one.point == "12V0" else one
        for one in seen(SMALL, _12V0=0.0, _5V0=0.0, N12V=0.0, VIN_A=0.0100)
    ]

    found = diagnose(SMALL, readings)

    assert first(found) == "12V0: shorted through 200 mΩ, its converter giving up"
    assert found.causes[0].probability > 0.9


def test_a_linear_converter_has_no_switch_node_to_look_at() -> None:
    # 5V0 dead: its 20 mA are missing, 12 V x 80 mA / (0.8 x 24 V) + 10 mA = 60 mA.
    found = diagnose(SMALL, seen(SMALL, _5V0=0.0, VIN_A=0.0600))

    names = [suspect.name for suspect in found.causes[0].suspects]
    assert names[:2] == ["5V0: converter not fitted", "5V0: converter not enabled"]
    assert "5V0: converter does not switch" not in names
    (how,) = telling_apart(SMALL, found.causes[0])
    assert "some 12 V" in how
    assert "switch node" not in how


@pytest.mark.parametrize("point", ["12V0", "N12V"])
def test_too_much_ripple_speaks_for_the_capacitor_or_a_loop_that_oscillates(point: str) -> None:
    ripple = Evidence(Seen.RIPPLE, point, 0.31, {}, "blank", 1e-3, failed=True)

    found = diagnose(SMALL, [*seen(SMALL), ripple])

    assert first(found) == f"{point}: output capacitor missing | {point}: converter oscillates"
    page = " ".join(lines_of(SMALL, found))
    assert f"explains ripple of {point}: 310 mV is too much" in page
    assert f"A scope on {point}, ground spring, tells these apart" in page


def test_ripple_within_its_limits_speaks_for_a_sound_capacitor() -> None:
    quiet = Evidence(Seen.RIPPLE, "12V0", 0.012, {}, "blank", 1e-3)
    wandering = [replace(one, failed=True, unsettled=True) if one.point == "12V0" else one for one in seen(SMALL)]

    def missing(readings: Sequence[Evidence]) -> float:
        causes = diagnose(SMALL, readings).causes
        named = {suspect.name: cause.probability for cause in causes for suspect in cause.suspects}
        return named["12V0: output capacitor missing"]

    assert missing([*wandering, quiet]) < missing(wandering)


def test_of_two_capacitors_that_may_be_missing_the_ripple_is_asked_for() -> None:
    # N12V hangs on 12V0: what reads restless there may be its own capacitor, or that of what feeds it.
    sound_ones = [one for one in seen(SMALL) if one.point != "12V0"]
    readings = [replace(one, failed=True, unsettled=True) if one.point == "N12V" else one for one in sound_ones]

    found = diagnose(SMALL, readings)

    assert [cause.suspects[0].name for cause in found.causes[:2]] == [
        "N12V: output capacitor missing",
        "12V0: output capacitor missing",
    ]
    page = " ".join(lines_of(SMALL, found))
    assert "measure the ripple of 12V0 by a scope: much of it speaks for 2, little for 1" in page


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (Fault("12V0", FaultKind.SWAPPED), 0.8 * (1 + 10 / 140)),
        (Fault("12V0", FaultKind.OTHER_PART, 0.6), 9.0),
        (Fault("12V0", FaultKind.PASSES_INPUT), 24.0),
        (Fault("5V0", FaultKind.OTHER_PART, 3.3), 3.3),
        (Fault("5V0", FaultKind.PASSES_INPUT), 12.0),
    ],
    ids=lambda value: said(SMALL, value) if isinstance(value, Fault) else "",
)
def test_the_solver_knows_these_faults(fault: Fault, expected: float) -> None:
    assert solve(SMALL, {"VIN": 24.0}, faults=(fault,)).volts[fault.point] == pytest.approx(expected)
