"""A course of values made ready to be drawn: open where nobody looked, and with fewer points, no peak ever lost."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median

GAP = 4.0
"""Where the next value comes this many times later than usual nothing is known in between."""

Value = tuple[float, float | None]


def thinned(course: Sequence[Value], most: int) -> list[Value]:
    """Return at most about `most` points: of each stretch its first, lowest, highest and last, and where none was.

    What is short enough comes back as it is. Raises ValueError for less than 4 points.
    """
    if most < 4:  # noqa: PLR2004 - a stretch keeps four
        raise ValueError("a stretch keeps four points")
    if len(course) <= most:
        return list(course)
    size = -(-4 * len(course) // most)
    kept: list[Value] = []
    for begin in range(0, len(course), size):
        stretch = course[begin : begin + size]
        known = [(value, place) for place, (_, value) in enumerate(stretch) if value is not None]
        places = {0, len(stretch) - 1}
        if known:
            places |= {min(known)[1], max(known)[1]}
        missing = next((place for place, (_, value) in enumerate(stretch) if value is None), None)
        if missing is not None:
            places.add(missing)
        kept += [stretch[place] for place in sorted(places)]
    return kept


def opened(course: Sequence[Value]) -> list[Value]:
    """Return the course with no value put in where nobody looked for long: a line would state what was not seen."""
    if len(course) < 3:  # noqa: PLR2004 - one interval is its own median
        return list(course)
    usual = median(after - before for (before, _), (after, _) in pairwise(course))
    found = [course[0]]
    for (before, _), (after, value) in pairwise(course):
        if after - before > GAP * usual > 0:
            found.append(((before + after) / 2, None))
        found.append((after, value))
    return found
