"""Where the meter's two leads are for one reading of resistance, and how the logbook names it. Pure.

The logbook's point is the one that is looked at (the first of a pair), its aspect says where the other lead is where
that is not ground, and that the leads are swapped.
"""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.frozen import frozen
from bringup.core.unpowered import REVERSED, Resistance

METER_LEADS = "meter leads"
"""Aspect of the ohms of the meter's own leads together, which are of no point."""
TO = "to "


@frozen
class Spot:
    """The point looked at, the other one (None: ground), and whether the black lead is on the first."""

    point: str
    other: str | None = None
    reversed: bool = False

    @property
    def red(self) -> str | None:
        """Where the red lead is; None: on ground."""
        return self.other if self.reversed else self.point

    @property
    def black(self) -> str | None:
        """Where the black lead is; None: on ground."""
        return self.point if self.reversed else self.other

    @property
    def plain(self) -> bool:
        """Whether it is a point against ground, the red lead on the point."""
        return self.other is None and not self.reversed

    @property
    def aspect(self) -> str:
        """Return what the logbook says beside the point: '', 'reversed', 'to 5V0', 'to 5V0 reversed'."""
        parts = ([] if self.other is None else [f"{TO}{self.other}"]) + ([REVERSED] if self.reversed else [])
        return " ".join(parts)

    @property
    def name(self) -> str:
        """Return the name of the reading: '12V0 to 5V0 reversed'."""
        return " ".join(filter(None, (self.point, self.aspect)))

    @property
    def points(self) -> tuple[str, ...]:
        """Points of the board that a lead is on."""
        return (self.point,) if self.other is None else (self.point, self.other)


def spot_of(point: str, aspect: str) -> Spot:
    """Return the spot that the logbook calls so."""
    swapped = aspect == REVERSED or aspect.endswith(f" {REVERSED}")
    rest = aspect.removesuffix(REVERSED).strip()
    return Spot(point, rest.removeprefix(TO) if rest else None, swapped)


def spots_of(action: Resistance) -> Iterator[Spot]:
    """Yield where the leads go, in order: each point, then each pair, and after each of them swapped where asked."""
    pairs = (Spot(pair.first, pair.second) for pair in action.pairs)
    for spot in (*map(Spot, action.points), *pairs):
        yield spot
        if action.both_polarities:
            yield Spot(spot.point, spot.other, reversed=True)
