"""The component values of one unit: what a reference, a resistor or a fixed regulator really is on that board.

Pure and repeatable: each value follows from the serial number and the name of the part alone, so adding a part to a
board file redraws none of the others. The solver asks Parts for a value; nothing else decides one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from bringup.core.board import Board
from bringup.core.frozen import frozen
from bringup.core.limits import Limits

REFERENCE, UPPER, LOWER, OUTPUT = "reference", "upper", "lower", "output"
"""Names of the parts of a rail that have a tolerance; `output` is a fixed regulator's own accuracy."""

SIGMAS_AT_LIMIT = 3.0
"""Values are drawn from a normal distribution cut off at the tolerance, which is taken as three sigma."""

_OUTPUT_SHARE = 0.5
"""A fixed regulator uses at most this share of the rail's stated tolerance: the rest is for load and temperature."""


@frozen
class Parts:
    """Values of one unit's parts in base units, by (rail, part). A part that is not named has its nominal value."""

    values: Mapping[tuple[str, str], float] = field(default_factory=dict)

    def value(self, rail: str, part: str, nominal: float) -> float:
        """Return the unit's value of that part."""
        return self.values.get((rail, part), nominal)


NOMINAL = Parts()
"""The unit of which every part is exactly what the board file says."""


def nominal_of(limits: Limits) -> float | None:
    """Return the nominal value, else the middle of two stated ends, else None."""
    if limits.nominal is not None:
        return float(limits.nominal)
    if limits.low is not None and limits.high is not None:
        return float((limits.low + limits.high) / 2)
    return None


def parts_of(board: Board, serial: str) -> Parts:
    """Draw the parts of the unit with that serial number; an empty serial number is the nominal unit."""
    if not serial:
        return NOMINAL
    values: dict[tuple[str, str], float] = {}
    for rail in board.rails.values():
        converter = rail.converter
        if converter is None:
            continue
        stated = {REFERENCE: converter.reference, UPPER: converter.upper, LOWER: converter.lower}
        if converter.reference is None or converter.upper is None or converter.lower is None:
            stated = {OUTPUT: converter.output or rail.expect}
        for part, limits in stated.items():
            share = _OUTPUT_SHARE if part == OUTPUT and converter.output is None else 1.0
            drawn = _draw(limits, share, f"{serial}\0{rail.name}\0{part}")
            if drawn is not None:
                values[rail.name, part] = drawn
    return Parts(values)


def _draw(limits: Limits | None, share: float, key: str) -> float | None:
    """Draw a value within `share` of the tolerance on either side of nominal; None where no tolerance is stated."""
    nominal = None if limits is None else nominal_of(limits)
    if limits is None or nominal is None:
        return None
    sigmas = _cut_normal(key)
    end = limits.high if sigmas > 0 else limits.low
    if end is None:
        return None
    return nominal + share * abs(sigmas) / SIGMAS_AT_LIMIT * (float(end) - nominal)


def _cut_normal(key: str) -> float:
    """Return a standard normal deviate within the cut-off that depends on `key` alone."""
    from hashlib import sha256
    from statistics import NormalDist  # both bring much with them, and only simulated units are drawn

    number = int.from_bytes(sha256(key.encode()).digest()[:7], "big")
    uniform = (number + 0.5) / 2**56
    normal = NormalDist()
    edge = normal.cdf(-SIGMAS_AT_LIMIT)
    return normal.inv_cdf(edge + uniform * (1.0 - 2.0 * edge))
