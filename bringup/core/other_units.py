"""Whether other units read as this one does: all alike speaks for the design or the parts, one alone for its assembly.

That is a rule of thumb (common practice, no source): it reorders causes that the readings leave open, no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

from bringup.core.evidence import Evidence, Seen
from bringup.core.faults import FaultKind
from bringup.core.frozen import frozen

LEAST = 2
"""So many others say something."""
SHARE, FLOOR = 0.02, {Seen.OHMS: 0.5, Seen.AMPS: 2e-3}
"""What reads alike: within this fraction, and this much beside it (of volts 10 mV)."""
TIMES = 5.0
"""How much likelier, or less likely, a cause gets."""
OF_PARTS = {FaultKind.UPPER_VALUE, FaultKind.LOWER_VALUE, FaultKind.OTHER_PART, FaultKind.SWAPPED}
"""What happens to all units that are built from one list and one reel."""
OF_ASSEMBLY = {
    FaultKind.UPPER_OPEN,
    FaultKind.UPPER_SHORTED,
    FaultKind.LOWER_OPEN,
    FaultKind.LOWER_SHORTED,
    FaultKind.SHORTED_THROUGH,
    FaultKind.NOT_FITTED,
    FaultKind.PASSES_INPUT,
    FaultKind.CAPACITOR_MISSING,
}
"""What happens to one unit and not to the next."""


@frozen
class OtherUnits:
    """How many others have the readings that failed here, and how many of these read the same."""

    compared: int = 0
    alike: int = 0

    def times(self, kind: FaultKind | None) -> float:
        """Return how much likelier a fault of that kind is than without the others."""
        if self.compared < LEAST or kind is None or 0 < self.alike < self.compared:
            return 1.0
        likelier, less = (OF_PARTS, OF_ASSEMBLY) if self.alike else (OF_ASSEMBLY, OF_PARTS)
        return TIMES if kind in likelier else 1.0 / TIMES if kind in less else 1.0

    @property
    def said(self) -> str:
        """Say it for people; '' where too few others were read."""
        if self.compared < LEAST:
            return ""
        if self.alike == self.compared:
            every = f"All {self.compared} other units read so, too"
            return f"{every}: the design, the parts list or a reel rather than one joint"
        if not self.alike:
            return f"None of {self.compared} other units reads so: workmanship on this one rather than the design"
        return f"{self.alike} of {self.compared} other units read so, too"


def compared(seen: Sequence[Evidence], others: Sequence[Sequence[Evidence]]) -> OtherUnits:
    """Compare what failed on a unit with the same readings of others (each one's evidence)."""
    failed = {(one.seen, one.point, one.state): one for one in seen if one.failed}
    count = alike = 0
    for each in others:
        pairs = [(failed[key], one) for one in each if (key := (one.seen, one.point, one.state)) in failed]
        if pairs:
            count += 1
            alike += all(_reads_like(mine, its) for mine, its in pairs)
    return OtherUnits(count, alike)


def _reads_like(one: Evidence, other: Evidence) -> bool:
    return abs(one.value - other.value) <= hypot(SHARE * one.value, FLOOR.get(one.seen, 0.01))
