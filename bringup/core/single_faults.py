"""Every single fault that a rehearsal tries on a board: one part wrong at a time. Pure.

Which values a wrong part has is a choice: a decade off and the neighbouring preferred value are what goes wrong when
reels are set up (common practice, no source), the rest as noted beside each number.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from math import floor, inf, log10

from bringup.core.board import Board, ConverterKind, Rail
from bringup.core.design_values import largest_amps, network_of, nominal_volts
from bringup.core.fault_check import why_impossible
from bringup.core.faults import Fault, FaultKind
from bringup.core.other_parts import FIXED, REFERENCES
from bringup.core.solver import unpowered_resistance
from bringup.core.wording import shown

E24 = (
    *(1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0),
    *(3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1),
)
"""Preferred values of a decade (IEC 60063, from memory)."""
HARD_SHORT = 0.2
"""Ohms of a solder bridge with its way to the probe point."""
SOFT_SHARE = 0.2
"""A soft short is this fraction of what the sound net has to ground ..."""
SOFT_SHORT = 20.0
"""... or so many ohms where the file does not tell that."""
EXCESS_MULTIPLE, EXCESS_LEAST = 1.0, 0.1
"""An excess load draws as much again as the file knows of, and at least so many amperes."""
FED_FROM_OUTSIDE = 3.3
"""Volts on a debug lead; a lower rail is fed with its own volts."""
OTHER_BY = 0.03
"""Another part's reference or output differs by more than this fraction: less is the same part by another name."""
WRONG_BY = 0.2
"""Fraction by which a mistyped or mistaken supply voltage is wrong."""


def single_faults(board: Board, *, sensed: Collection[str] = ()) -> tuple[Fault, ...]:
    """Return every fault to try, in the order of the board file, each of which this board can have.

    `sensed`: inputs at which the supply senses remotely.
    """
    found: list[Fault] = []
    for name in board.inputs:
        found += _at_an_input(board, name, remote_sense=name in sensed)
    for rail in board.rails.values():
        found += _at_a_rail(board, rail)
    return tuple(fault for fault in found if why_impossible(board, fault) is None)


def said(board: Board, fault: Fault) -> str:
    """Return a fault in words: `12V0: upper feedback resistor 14 kΩ instead of 140 kΩ`."""
    return f"{fault.point}: {_what(board, fault)}"


def neighbours(ohms: float) -> tuple[float, float]:
    """Return the preferred values (E24) next below and next above a resistance in ohms, itself left out."""
    decade = 10.0 ** floor(log10(ohms))
    near = [each * decade * scale for scale in (0.1, 1.0, 10.0) for each in E24]
    below = max(each for each in near if each < ohms * 0.9999)
    above = min(each for each in near if each > ohms * 1.0001)
    return below, above


def _at_an_input(board: Board, name: str, *, remote_sense: bool) -> Iterator[Fault]:
    volts = abs(board.inputs[name].voltage.number)
    yield Fault(name, FaultKind.LEADS_REVERSED)
    yield Fault(name, FaultKind.WRONG_VOLTAGE, volts * (1.0 - WRONG_BY))
    yield Fault(name, FaultKind.WRONG_VOLTAGE, volts * (1.0 + WRONG_BY))
    if remote_sense:
        yield Fault(name, FaultKind.SENSE_OPEN)
    yield from _shorts(board, name)


def _at_a_rail(board: Board, rail: Rail) -> Iterator[Fault]:
    name = rail.name
    yield Fault(name, FaultKind.NOT_FITTED)
    network = None if rail.converter is None else network_of(rail.converter)
    if network is not None:
        kinds = (
            (network[1], FaultKind.UPPER_OPEN, FaultKind.UPPER_SHORTED, FaultKind.UPPER_VALUE),
            (network[2], FaultKind.LOWER_OPEN, FaultKind.LOWER_SHORTED, FaultKind.LOWER_VALUE),
        )
        for ohms, opened, shorted, other in kinds:
            yield Fault(name, opened)
            yield Fault(name, shorted)
            if ohms > 0.0:
                for value in (ohms / 10.0, *neighbours(ohms), ohms * 10.0):
                    yield Fault(name, other, value)
        if network[1] != network[2] and min(network[1:]) > 0.0:
            yield Fault(name, FaultKind.SWAPPED)
    yield from _another_converter(board, rail)
    yield from _shorts(board, name)
    yield Fault(name, FaultKind.CAPACITOR_MISSING)
    yield Fault(name, FaultKind.EXCESS_LOAD, max(EXCESS_LEAST, EXCESS_MULTIPLE * largest_amps(board, rail)))
    volts = nominal_volts(board, name)
    if volts is not None and volts > 0.0:
        yield Fault(name, FaultKind.BACK_FED, min(FED_FROM_OUTSIDE, volts))


def _another_converter(board: Board, rail: Rail) -> Iterator[Fault]:
    """The next lower and next higher reference (fixed output) that such parts come with, and one that is shorted."""
    if rail.converter is None:
        return
    network = network_of(rail.converter)
    own = abs(nominal_volts(board, rail.name) or 0.0) if network is None else network[0]
    usual = FIXED if network is None else REFERENCES
    if own:
        yield from (Fault(rail.name, FaultKind.OTHER_PART, value) for value in _next_to(own, usual))
    if rail.converter.kind in (ConverterKind.BUCK, ConverterKind.LINEAR):
        yield Fault(rail.name, FaultKind.PASSES_INPUT)


def _next_to(own: float, usual: Sequence[float]) -> Iterator[float]:
    yield from [value for value in usual if value < own * (1.0 - OTHER_BY)][-1:]
    yield from [value for value in usual if value > own * (1.0 + OTHER_BY)][:1]


def _shorts(board: Board, name: str) -> Iterator[Fault]:
    own = unpowered_resistance(board, name)
    yield Fault(name, FaultKind.SHORTED_THROUGH, min(HARD_SHORT, SOFT_SHARE * own))
    soft = SOFT_SHORT if own in (0.0, inf) else SOFT_SHARE * own
    if soft > HARD_SHORT:
        yield Fault(name, FaultKind.SHORTED_THROUGH, soft)


def _what(board: Board, fault: Fault) -> str:
    value, kind = fault.value or 0.0, fault.kind
    words = {
        FaultKind.SHORTED_THROUGH: f"shorted through {shown(value, 'ohm')}",
        FaultKind.NOT_FITTED: "converter not fitted",
        FaultKind.UPPER_OPEN: "upper feedback resistor open",
        FaultKind.UPPER_SHORTED: "upper feedback resistor shorted",
        FaultKind.LOWER_OPEN: "lower feedback resistor open",
        FaultKind.LOWER_SHORTED: "lower feedback resistor shorted",
        FaultKind.SWAPPED: "feedback resistors swapped",
        FaultKind.OTHER_PART: f"another converter fitted, of {shown(value, 'V')}",
        FaultKind.PASSES_INPUT: "converter passes its input (shorted, or turned round)",
        FaultKind.CAPACITOR_MISSING: "output capacitor missing",
        FaultKind.EXCESS_LOAD: f"{shown(value, 'A')} too much load",
        FaultKind.CREEPING_LOAD: f"load creeping by {shown(value, 'A')} a second",
        FaultKind.LEADS_REVERSED: "supply leads reversed",
        FaultKind.WRONG_VOLTAGE: f"{shown(value, 'V')} from the supply, whatever it is set to",
        FaultKind.SENSE_OPEN: "sense lead open",
        FaultKind.BACK_FED: f"fed with {shown(value, 'V')} from outside",
        FaultKind.CHARGED: f"charged to {shown(value, 'V')}",
    }
    if kind is FaultKind.OTHER_PART and value not in (*FIXED, *REFERENCES):
        return f"set to {shown(value, 'V')} (feedback parts, or another converter)"
    if kind in words:
        return words[kind]
    upper = kind is FaultKind.UPPER_VALUE
    converter = board.rails[fault.point].converter
    network = None if converter is None else network_of(converter)
    assert network is not None, "only a network has a feedback resistor of another value"
    right = network[1 if upper else 2]
    return f"{'upper' if upper else 'lower'} feedback resistor {shown(value, 'ohm')} instead of {shown(right, 'ohm')}"
