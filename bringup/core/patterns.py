"""What differences look like together: a meter, a ground, a reel of parts, one unit's workmanship.

These are rules of thumb (common practice, no source): a pattern is named, with its numbers, for a person to check.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from itertools import accumulate, groupby, pairwise

from bringup.core.capability import D2
from bringup.core.comparison import Difference
from bringup.core.quantity import format_quantity
from bringup.core.spread import modified_scores, odd_ones
from bringup.core.taken import Point, Taken
from bringup.core.words import Kind

DIGITS = re.compile(r"(\d+)")
LEAST_RAILS = 3
LEAST_RUN = 3
ALIKE = 0.25
"""Ratios (or offsets) that differ from their mean by no more than this part of it are one."""
LEAST_RATIO = 5e-4
"""A smaller one is what any two readings differ by."""
LEAST_OFFSET = 2e-3
APART = 2.0
"""A ratio and an offset are told apart only where the largest rail is this many times the smallest."""
LEAST_VOLTS = 0.1
LEAST_SHIFTED = 10
"""Of fewer units a run that is shifted a little cannot be told from chance."""
RARE_RANGE = 2.303


def patterns(differences: Sequence[Difference], units: Mapping[Point, Sequence[Taken]]) -> list[str]:
    """Return one sentence for each pattern seen. `units`: one value of each unit of both sides."""
    return [*_over_rails(differences), *_over_units(units)]


def _over_rails(differences: Sequence[Difference]) -> list[str]:
    rails = [
        each
        for each in differences
        if each.point.kind is Kind.VOLTAGE and each.point.step == "measure" and abs(each.one.mean) > LEAST_VOLTS
    ]
    if len(rails) < LEAST_RAILS:
        return []
    ratios = [each.other.mean / each.one.mean - 1 for each in rails]
    offsets = [each.difference for each in rails]
    ratio, offset = (sum(values) / len(values) for values in (ratios, offsets))
    sizes = [abs(each.one.mean) for each in rails]
    one_ratio = _one(ratios, ratio) and abs(ratio) >= LEAST_RATIO
    one_offset = _one(offsets, offset) and abs(offset) >= LEAST_OFFSET
    said = f"all {len(rails)} rails differ"
    percent = f"{100 * ratio:+.2f} %"
    if one_ratio and one_offset and max(sizes) < APART * min(sizes):
        text = f"{said} alike, by {percent} or {_signed(offset)}: the meter, its leads or its ground; the rails are"
        return [f"{text} too alike to tell a ratio from an offset"]
    if one_ratio:
        return [f"{said} by one ratio, {1 + ratio:.5f} ({percent}): looks like the meter, not the board"]
    if one_offset:
        text = f"{said} by one offset, {_signed(offset)}: looks like the leads, a contact or where"
        return [f"{text} ground was taken"]
    return []


def _one(values: Sequence[float], mean: float) -> bool:
    return all(abs(value - mean) <= ALIKE * abs(mean) for value in values)


def _signed(volts: float) -> str:
    return f"{'+' if volts > 0 else ''}{format_quantity(float(f'{volts:.3g}'), 'V')}"


def _over_units(units: Mapping[Point, Sequence[Taken]]) -> list[str]:
    found = []
    for point, taken in units.items():
        in_order = sorted(taken, key=lambda each: counted(each.serial))
        values = [each.value for each in in_order]
        odd = odd_ones(values)
        scores = modified_scores(values) if odd else []
        runs = [run for run in _runs(odd, scores) if len(run) >= LEAST_RUN]
        found += [_reel(point, in_order, run[0], run[-1], higher=scores[run[0]] > 0) for run in runs]
        if len(odd) == 1:
            way = "higher" if scores[odd[0]] > 0 else "lower"
            found.append(
                f"{point}: {in_order[odd[0]].serial} alone reads far {way} than the others: looks like workmanship on"
                " that unit (a joint, a wrong or damaged part)"
            )
        elif not runs and (shifted := shifted_run(values)) is not None:
            first, last, shift = shifted
            found.append(_reel(point, in_order, first, last, higher=shift > 0))
    return found


def _reel(point: Point, in_order: Sequence[Taken], first: int, last: int, *, higher: bool) -> str:
    way = "higher" if higher else "lower"
    names = f"{in_order[first].serial} to {in_order[last].serial}, {last - first + 1} in a row"
    return f"{point}: {names}, read {way} than the others: looks like a reel or a batch of parts"


def shifted_run(values: Sequence[float]) -> tuple[int, int, float] | None:
    """Return the first and last place of values in a row that lie apart from the rest, and by how much; None: none do.

    The run lies between the extremes of the cumulated sums of the deviations from the mean. The range of these over
    the square root of n, in standard deviations, is Kuiper's V, which chance brings above 2.303 once in a thousand
    (Stephens 1970, from memory). The standard deviation is that between neighbours, which a shift leaves alone: mean
    moving range over 1.128; with so estimated a one, 2,000 random series gave 0.6 % of false runs at 10 to 20 values,
    0.1 % at 50 and none at 100.
    """
    if len(values) < LEAST_SHIFTED:
        return None
    mean = math.fsum(values) / len(values)
    deviation = math.fsum(abs(one - other) for one, other in pairwise(values)) / (len(values) - 1) / D2
    sums = [0.0, *accumulate(value - mean for value in values)]
    low, high = sums.index(min(sums)), sums.index(max(sums))
    first, last = min(low, high), max(low, high) - 1
    inside, outside = values[first : last + 1], [*values[:first], *values[last + 1 :]]
    if not deviation or not outside or len(inside) < LEAST_RUN:
        return None
    shift = math.fsum(inside) / len(inside) - math.fsum(outside) / len(outside)
    if (max(sums) - min(sums)) / (deviation * math.sqrt(len(values))) < RARE_RANGE or abs(shift) < deviation:
        return None
    return first, last, shift


def _runs(places: Sequence[int], scores: Sequence[float]) -> list[list[int]]:
    """Return places that follow one another and lie on the same side."""
    marked = [(place - number, scores[place] > 0, place) for number, place in enumerate(places)]
    return [[place for *_, place in group] for _, group in groupby(marked, key=lambda each: each[:2])]


def counted(serial: str) -> list[tuple[int, str]]:
    """Return a sort key by which unit 10 comes after unit 9."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in DIGITS.split(serial) if part]
