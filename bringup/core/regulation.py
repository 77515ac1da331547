"""When a rail came into regulation after its input was raised, as far as a meter that reads now and then can see. Pure.

Between two readings nobody looks: what is known is an interval, and the order of two rails only where theirs are apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from bringup.core.frozen import frozen
from bringup.core.wording import shown

NOT_WITHIN = 2.0
"""Seconds for which a rail is looked at: converters start in milliseconds (common practice, no source)."""


@frozen
class Rise:
    """The rail was not in regulation at `after` (s; 0: nobody looked before), and was at `by`; None: not in time."""

    rail: str
    after: float
    by: float | None

    def __str__(self) -> str:
        """For people: 'after < 0.4 s', 'between 0.4 s and 0.8 s'."""
        if self.by is None:
            return f"not in regulation within {shown(self.after, 's', 2)}"
        if self.after <= 0.0:
            return f"after < {shown(self.by, 's', 2)}"
        return f"between {shown(self.after, 's', 2)} and {shown(self.by, 's', 2)}"


def order_of(rises: Sequence[Rise]) -> str:
    """Return in which order rails came into regulation, in words: '12V0, then 3V3 or 1V8 (too close to tell)'."""
    known = sorted((rise for rise in rises if rise.by is not None), key=lambda rise: (rise.after, rise.by or 0.0))
    groups: list[list[Rise]] = [[known[0]]] if known else []
    for before, rise in pairwise(known):
        if rise.after >= max(each.by or 0.0 for each in groups[-1]) and before.by is not None:
            groups.append([rise])
        else:
            groups[-1].append(rise)
    return ", then ".join(map(_together, groups))


def _together(group: Sequence[Rise]) -> str:
    return " or ".join(rise.rail for rise in group) + (" (too close to tell)" if len(group) > 1 else "")
