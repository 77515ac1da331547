"""A measurement-system study: parts x appraisers x repeats, by analysis of variance and by averages and ranges.

After AIAG, Measurement Systems Analysis, 4th edition (2010), chapter III B (from second-hand accounts): parts are
units, appraisers operators or benches. Sums of squares are exact for the values given.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import chain

from bringup.core.distributions import f_tail
from bringup.core.frozen import frozen
from bringup.core.moments import Number, mean_of, squares_of
from bringup.core.range_constants import highest_range, mean_and_deviation, one_range
from bringup.errors import NoStatistic

POOL_ABOVE = 0.25
"""An interaction that chance makes more often than this is put together with repeatability (AIAG; from memory)."""
CATEGORIES = 1.41
"""Distinct categories: so many times part variation over %GRR's, as AIAG writes the root of 2."""

Cells = Mapping[str, Mapping[str, Sequence[Number]]]
"""Part -> appraiser -> repeats."""


@frozen
class Source:
    """One line of the table: squares in the unit of the readings squared; `ratio` None where nothing is tested."""

    name: str
    freedom: int
    squares: float
    ratio: float | None

    @property
    def mean_square(self) -> float:
        """Squares over their freedom."""
        return self.squares / self.freedom


@frozen
class Component:
    """One standard deviation in the unit of the readings, in percent of all variation and of the tolerance.

    `contribution`: the variance's share in percent. `of_tolerance`: six of it over the width; None without limits.
    """

    name: str
    sigma: float
    of_total: float
    contribution: float
    of_tolerance: float | None


@frozen
class Study:
    """What one method finds. `categories` is not cut to a whole number; None: no measurement variation at all."""

    method: str
    sources: tuple[Source, ...]
    pooled: bool
    components: tuple[Component, ...]
    categories: float | None
    wide: tuple[tuple[str, str, float], ...] = ()
    """Cells (part, appraiser) whose range is above the control limit of ranges."""
    range_limit: float | None = None

    def component(self, name: str) -> Component:
        """Return one by its name."""
        return next(each for each in self.components if each.name == name)


REPEATABILITY, REPRODUCIBILITY, INTERACTION = "repeatability", "reproducibility", "interaction"
MEASUREMENT, PARTS, TOTAL = "measurement system", "unit to unit", "total"


def shape_of(cells: Cells) -> tuple[int, int, int]:
    """Return how many parts, appraisers, repeats. Raises NoStatistic for a design that is not crossed and balanced."""
    appraisers = list(dict.fromkeys(chain.from_iterable(cells.values())))
    for part, of in cells.items():
        lacking = [name for name in appraisers if not of.get(name)]
        if lacking:
            raise NoStatistic(f"{part} was not measured by {', '.join(lacking)}", "Measure it there, or leave it out.")
    repeats = {len(values) for of in cells.values() for values in of.values()}
    if len(cells) < 2 or len(appraisers) < 2 or min(repeats, default=0) < 2:  # noqa: PLR2004 - two of each at least
        counts = f"there are {len(cells)}, {len(appraisers)} and {min(repeats, default=0)}"
        raise NoStatistic(f"a study takes 2 units, 2 appraisers and 2 repeats of each at least; {counts}")
    if len(repeats) > 1:
        raise NoStatistic(f"a study takes as many repeats of each; there are {min(repeats)} to {max(repeats)}")
    return len(cells), len(appraisers), repeats.pop()


def by_variance(cells: Cells, width: float | None = None) -> Study:
    """Return the study by analysis of variance, two-way, crossed, all effects random. `width`: of the tolerance.

    Negative variances count as none. Raises NoStatistic for a design that is not crossed and balanced, where all
    readings are the same, and (only where the interaction is larger than repeatability) without scipy.
    """
    parts, appraisers, repeats = shape_of(cells)
    names = list(next(iter(cells.values())))
    everything = [value for of in cells.values() for values in of.values() for value in values]
    total = squares_of(everything)
    if not total:
        raise NoStatistic(f"a study takes readings that differ, and all {len(everything)} are the same")
    by_part = squares_of([mean_of(list(chain.from_iterable(of.values()))) for of in cells.values()])
    by_appraiser = squares_of([mean_of([value for of in cells.values() for value in of[name]]) for name in names])
    part_squares = by_part * appraisers * repeats
    appraiser_squares = by_appraiser * parts * repeats
    equipment = sum((squares_of(values) for of in cells.values() for values in of.values()), start=Fraction(0))
    crossed = total - part_squares - appraiser_squares - equipment
    freedoms = parts - 1, appraisers - 1, (parts - 1) * (appraisers - 1), parts * appraisers * (repeats - 1)
    pooled = _is_chance(crossed, freedoms[2], equipment, freedoms[3])
    rest = (equipment + crossed) / (freedoms[2] + freedoms[3]) if pooled else equipment / freedoms[3]
    between = rest if pooled else crossed / freedoms[2]
    variances = {
        REPEATABILITY: rest,
        REPRODUCIBILITY: _none_below(appraiser_squares / freedoms[1] - between) / (parts * repeats),
        INTERACTION: Fraction(0) if pooled else _none_below(between - rest) / repeats,
        PARTS: _none_below(part_squares / freedoms[0] - between) / (appraisers * repeats),
    }
    lines = [
        _source("appraisers", freedoms[1], appraiser_squares, between),
        _source("units", freedoms[0], part_squares, between),
        _source("appraisers x units", freedoms[2], crossed, equipment / freedoms[3]),
        _source("repeats", freedoms[3], equipment, None),
    ]
    found = _components({name: float(each) for name, each in variances.items()}, width)
    return Study("analysis of variance", tuple(lines), pooled, found, _categories(found))


def by_ranges(cells: Cells, width: float | None = None) -> Study:
    """Return the study by averages and ranges: EV = R K1, AV^2 = (X K2)^2 - EV^2 / (n r), PV = Rp K3.

    K1 = 1 / d2 of the repeats, K2 and K3 = 1 / sqrt(d2^2 + d3^2) of how many appraisers and parts. Raises NoStatistic
    as `by_variance`, scipy apart.
    """
    parts, appraisers, repeats = shape_of(cells)
    names = list(next(iter(cells.values())))
    ranges = {
        (part, name): float(max(values) - min(values))  # type: ignore[operator]  # of one cell: one kind of number
        for part, of in cells.items()
        for name, values in of.items()
    }
    mean_range = math.fsum(ranges.values()) / len(ranges)
    own = [float(mean_of([value for of in cells.values() for value in of[name]])) for name in names]
    averages = [float(mean_of(list(chain.from_iterable(of.values())))) for of in cells.values()]
    ev = mean_range / mean_and_deviation(repeats)[0]
    av = max(0.0, ((max(own) - min(own)) * one_range(appraisers)) ** 2 - ev * ev / (parts * repeats))
    pv = (max(averages) - min(averages)) * one_range(parts)
    if not (ev or av or pv):
        raise NoStatistic(f"a study takes readings that differ, and all {len(ranges) * repeats} are the same")
    found = _components({REPEATABILITY: ev * ev, REPRODUCIBILITY: av, PARTS: pv * pv}, width)
    limit = highest_range(repeats) * mean_range
    wide = tuple((part, name, each) for (part, name), each in ranges.items() if each > limit)
    return Study(
        "averages and ranges",
        (),
        pooled=False,
        components=found,
        categories=_categories(found),
        wide=wide,
        range_limit=limit,
    )


def _is_chance(crossed: Fraction, over: int, equipment: Fraction, under: int) -> bool:
    """Whether the interaction is no more than chance. An F of 1 or less is one in four or more whatever the freedom."""
    if not equipment:
        return not crossed
    ratio = float(crossed / over / (equipment / under))
    return ratio <= 1.0 or f_tail(ratio, over, under) > POOL_ABOVE


def _source(name: str, freedom: int, squares: Fraction, against: Fraction | None) -> Source:
    ratio = float(squares / freedom / against) if against else None
    return Source(name, freedom, float(squares), ratio)


def _none_below(variance: Fraction) -> Fraction:
    return max(Fraction(0), variance)


def _components(variances: Mapping[str, float], width: float | None) -> tuple[Component, ...]:
    measuring = variances[REPEATABILITY] + variances[REPRODUCIBILITY] + variances.get(INTERACTION, 0.0)
    whole = {**variances, MEASUREMENT: measuring, TOTAL: measuring + variances[PARTS]}
    order = (REPEATABILITY, REPRODUCIBILITY, INTERACTION, MEASUREMENT, PARTS, TOTAL)
    total = whole[TOTAL]
    return tuple(
        Component(
            name,
            math.sqrt(whole[name]),
            100 * math.sqrt(whole[name] / total),
            100 * whole[name] / total,
            600 * math.sqrt(whole[name]) / width if width else None,
        )
        for name in order
        if name in whole
    )


def _categories(of: Sequence[Component]) -> float | None:
    sigma = {each.name: each.sigma for each in of}
    return CATEGORIES * sigma[PARTS] / sigma[MEASUREMENT] if sigma[MEASUREMENT] else None
