"""Whether a board can have a fault at all: what a bench file may plant, and what a rehearsal may try.

Pure. The records are in core.faults; what a fault does to the board is in core.circuit.
"""

from __future__ import annotations

from bringup.core.board import Board
from bringup.core.design_values import network_of
from bringup.core.faults import Fault, FaultKind

FEEDBACK_FAULTS = {
    FaultKind.UPPER_OPEN,
    FaultKind.UPPER_SHORTED,
    FaultKind.UPPER_VALUE,
    FaultKind.LOWER_OPEN,
    FaultKind.LOWER_SHORTED,
    FaultKind.LOWER_VALUE,
    FaultKind.SWAPPED,
}
CONVERTER_FAULTS = {FaultKind.NOT_FITTED, FaultKind.OTHER_PART, FaultKind.PASSES_INPUT}
_NEEDS_VALUE = {
    FaultKind.SHORTED_THROUGH,
    FaultKind.OTHER_PART,
    FaultKind.UPPER_VALUE,
    FaultKind.LOWER_VALUE,
    FaultKind.EXCESS_LOAD,
    FaultKind.CREEPING_LOAD,
    FaultKind.WRONG_VOLTAGE,
    FaultKind.BACK_FED,
    FaultKind.CHARGED,
}
SUPPLY_FAULTS = {FaultKind.LEADS_REVERSED, FaultKind.WRONG_VOLTAGE, FaultKind.SENSE_OPEN}
"""Faults between the supply and an input; a Circuit does not contain them."""


def why_impossible(board: Board, fault: Fault) -> str | None:
    """Return why this board cannot have that fault, in words for people; None if it can."""
    if fault.point not in board.inputs and fault.point not in board.rails:
        known = ", ".join([*board.inputs, *board.rails])
        return f"the board has no point {fault.point!r}; it has {known}"
    if fault.kind in _NEEDS_VALUE and fault.value is None:
        return f"{fault.kind} at {fault.point} needs a value"
    if fault.kind is FaultKind.SHORTED_THROUGH and (fault.value or 0.0) <= 0.0:
        return f"{fault.kind} at {fault.point} needs a resistance above 0 ohm"
    if fault.to and fault.to not in board.inputs and fault.to not in board.rails:
        return f"the board has no point {fault.to!r} that {fault.point} could be tied to"
    if fault.kind in SUPPLY_FAULTS:
        return None if fault.point in board.inputs else f"{fault.kind} belongs to an input, and {fault.point} is a rail"
    if fault.kind not in CONVERTER_FAULTS and fault.kind not in FEEDBACK_FAULTS:
        return None
    converter = board.rails[fault.point].converter if fault.point in board.rails else None
    if converter is None:
        return f"{fault.kind} at {fault.point}: the board file gives it no converter"
    if fault.kind in FEEDBACK_FAULTS and network_of(converter) is None:
        return f"{fault.kind} at {fault.point}: the board file gives its converter no reference, upper and lower"
    if fault.kind in {FaultKind.UPPER_VALUE, FaultKind.LOWER_VALUE} and (fault.value or 0.0) <= 0.0:
        return f"{fault.kind} at {fault.point} needs a resistance above 0 ohm"
    return None
