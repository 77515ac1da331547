"""The equation by which a cause makes what was read, so that a person can check it, and reject it. Pure."""

from __future__ import annotations

from bringup.core.board import Across, Board, Converter
from bringup.core.design_values import far_and_near, feedback_amps, network_of, set_volts
from bringup.core.faults import FaultKind
from bringup.core.suspects import Suspect
from bringup.core.wording import shown

AT_REFERENCE = {
    Across.LOWER: (FaultKind.LOWER_OPEN, FaultKind.UPPER_SHORTED),
    Across.UPPER: (FaultKind.UPPER_OPEN, FaultKind.LOWER_SHORTED),
}
VALUES = (FaultKind.UPPER_VALUE, FaultKind.LOWER_VALUE, FaultKind.SWAPPED, FaultKind.OTHER_PART)


def equation(board: Board, suspect: Suspect) -> str:
    """Return it as '800 mV x (1 + 140 kΩ / 22 kΩ) = 5.891 V'; '' where the cause has none of its own."""
    fault = suspect.fault
    converter = None if fault is None or fault.point not in board.rails else board.rails[fault.point].converter
    network = None if converter is None else network_of(converter)
    if fault is None or converter is None or network is None:
        return ""
    reference, upper, lower = network
    if fault.kind in AT_REFERENCE[converter.reference_across]:
        return f"1 x {shown(reference, 'V')}, its reference: the feedback has no gain"
    if fault.kind not in VALUES:
        return ""
    value = fault.value or 0.0
    if fault.kind is FaultKind.UPPER_VALUE:
        upper = value
    elif fault.kind is FaultKind.LOWER_VALUE:
        lower = value
    elif fault.kind is FaultKind.SWAPPED:
        upper, lower = lower, upper
    else:
        reference = value
    return _written(converter, reference, upper, lower) if lower and upper else ""


def _written(converter: Converter, reference: float, upper: float, lower: float) -> str:
    far, near = far_and_near(converter, upper, lower)
    current = feedback_amps(converter)
    more = f" + {shown(current, 'A')} x {shown(far, 'ohm')}" if current else ""
    sum_ = shown(set_volts(converter, reference, upper, lower), "V")
    return f"{shown(reference, 'V')} x (1 + {shown(far, 'ohm')} / {shown(near, 'ohm')}){more} = {sum_}"
