"""Everything told of one quantity over units, gathered in one place; what cannot be told has its reason in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from bringup.core.capability import Capability, capability
from bringup.core.charts import Chart, Trend, chart, trend
from bringup.core.distributions import INSTALL, special
from bringup.core.frozen import frozen
from bringup.core.intervals import (
    Interval,
    clopper_pearson,
    deviation_interval,
    mean_interval,
    median_interval,
    quantile,
)
from bringup.core.outliers import Extreme, count_odd, grubbs, several
from bringup.core.spread import Summary, odd_ones, summary
from bringup.core.yields import wilson
from bringup.errors import NoStatistic

T = TypeVar("T")

MOST_OUTLIERS = 10
"""So many at most are looked for, and never more than a fifth of the units."""
QUARTILES = (0.25, 0.5, 0.75)


@frozen
class UnitStatistics:
    """Of values in build order, all in one unit; places count from 0 in that order. None: see `missing`."""

    summary: Summary
    quartiles: tuple[float, float, float]
    mean: Interval | None
    deviation: Interval | None
    median: Interval | None
    capability: Capability | None
    chart: Chart | None
    trend: Trend | None
    odd: tuple[int, ...]
    """Modified z-score beyond 3.5."""
    grubbs: Extreme | None
    several: tuple[Extreme, ...]
    """The generalised test, farthest first; `outliers` of them do not belong."""
    outliers: int
    missing: tuple[tuple[str, str], ...]
    """What is not told, and why."""

    @property
    def without_scipy(self) -> tuple[str, ...]:
        """What is not told only because scipy is not installed."""
        return tuple(name for name, why in self.missing if "scipy" in why)


@frozen
class Share:
    """Units within their limits, of those judged, with two intervals of 95 %; exact: Clopper-Pearson, by scipy."""

    within: int
    judged: int
    wilson: tuple[float, float]
    exact: tuple[float, float] | None

    @property
    def text(self) -> str:
        """Say it for people."""
        ends = [f"{_percent(self.wilson)} Wilson"]
        ends += [f"{_percent(self.exact)} Clopper-Pearson"] if self.exact is not None else []
        return f"{self.within} of {self.judged} ({100 * self.within / self.judged:.1f} %; 95 %: {', '.join(ends)})"


def statistics_of(values: Sequence[float], low: float | None, high: float | None) -> UnitStatistics:
    """Return everything of values in build order, against limits in their unit.

    Raises NoStatistic for no values and for one that is no number; all else that cannot be told is in `missing`.
    """
    of = summary(values)
    missing: list[tuple[str, str]] = []

    def told(name: str, work: Callable[[], T]) -> T | None:
        try:
            return work()
        except NoStatistic as error:
            missing.append((name, error.message))
            return None

    can = told("capability", lambda: capability(values, low, high))
    if can is not None and can.why_not:
        missing.append(("Cp and Pp", can.why_not))
    many = told("several outliers", lambda: several(values, min(MOST_OUTLIERS, len(values) // 5))) or []
    first, middle, last = (quantile(values, share) for share in QUARTILES)
    return UnitStatistics(
        summary=of,
        quartiles=(first, middle, last),
        mean=told("interval of the mean", lambda: mean_interval(of)),
        deviation=told("interval of the standard deviation", lambda: deviation_interval(of)),
        median=told("interval of the median", lambda: median_interval(values)),
        capability=can,
        chart=told("control chart", lambda: chart(values)),
        trend=told("trend", lambda: trend(values)),
        odd=tuple(odd_ones(values)),
        grubbs=told("Grubbs' test", lambda: grubbs(values)),
        several=tuple(many),
        outliers=count_odd(many),
        missing=tuple(missing),
    )


def share_of(within: int, judged: int) -> Share:
    """Return a share with its intervals. Raises ValueError unless 0 <= within <= judged, judged above 0."""
    exact = None
    if special() is not None:
        found = clopper_pearson(within, judged)
        exact = (found.low, found.high)
    return Share(within, judged, wilson(within, judged), exact)


def scipy_words(names: Sequence[str]) -> str:
    """Say what is left out without scipy, and how to have it."""
    return f"Left out, for they need scipy ({INSTALL}): {', '.join(names)}."


def _percent(ends: tuple[float, float]) -> str:
    return f"{100 * ends[0]:.1f} % to {100 * ends[1]:.1f} %"
