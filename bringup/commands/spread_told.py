"""What `bringup spread` tells of the readings of one point: a page in words, or everything as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from typing import Any

from bringup.commands.spread_text import histogram_lines, time_lines
from bringup.commands.tables import SIMULATED
from bringup.core.capability import Index
from bringup.core.charts import RULES, Trend, trend
from bringup.core.intervals import Interval
from bringup.core.limits import Limits
from bringup.core.patterns import counted
from bringup.core.quantity import format_quantity
from bringup.core.spread import FEW, drifts
from bringup.core.taken import Point, Taken
from bringup.core.unit_statistics import Share, scipy_words, share_of, statistics_of
from bringup.core.verdict import rated
from bringup.core.wording import folded, limits_text, listed
from bringup.errors import NoStatistic
from bringup.logbook.values import time_text

MOST_ODD = 12
RARE = 0.05
"""An order of values that chance makes more often than this is no trend."""
IN_CONTROL = 92
"""Without any change one unit in so many completes one of the four rules (Champ and Woodall 1987, from memory)."""


class Told:
    """What is told of one value of each unit; `more`: what else there is of the rail, in words."""

    def __init__(self, of: Sequence[Taken], point: Point, simulated: bool, more: Sequence[str] | None) -> None:
        self.of = sorted(of, key=lambda each: counted(each.serial))
        self.point, self.simulated, self.more = point, simulated, more
        self.unit = of[0].unit
        self.values = [each.value for each in self.of]
        self.in_time = sorted(of, key=lambda each: each.at)
        ends = {(each.limits.low, each.limits.high): each.limits for each in of if each.limits is not None}
        self.limits: Limits | None = next(iter(ends.values())) if len(ends) == 1 else None
        self.several_limits = sorted(limits_text(limits) for limits in ends.values()) if len(ends) > 1 else []
        low, high = (None, None) if self.limits is None else (self.limits.low, self.limits.high)
        self.low, self.high = (None if end is None else float(end) for end in (low, high))
        self.found = statistics_of(self.values, self.low, self.high)
        judged = [each for each in of if each.limits is not None]
        self.share: Share | None = None
        if judged:
            self.share = share_of(sum(not each.failed for each in judged), len(judged))
        self.drifts = drifts([each.value for each in self.in_time])
        self.measured = self._trend_of_measuring()
        self.meters = sorted({each.meter for each in of})

    def lines(self, which: str, width: int | None) -> list[str]:
        """Return the page, in so many columns."""
        lines = [self.head(which), "", *(folded(line, width) for line in self.numbers()), "", *self.drawn(width)]
        remarks = list(self.remarks())
        lines += ["", *(folded(text, width) for text in remarks)] if remarks else []
        return lines

    def head(self, which: str) -> str:
        """Return of what and how many units it is told."""
        count = len(self.of)
        head = f"{self.point}, {count} unit{'' if count == 1 else 's'}, each unit's {which} attempt"
        return f"{head}  {SIMULATED}" if self.simulated else head

    def drawn(self, width: int | None) -> list[str]:
        """Return histogram and order of time, drawn in letters."""
        return [*histogram_lines(self.values, self.unit, self.limits), "", *time_lines(self.of, self.limits, width)]

    def numbers(self) -> Iterator[str]:
        """Yield statistics and limits, one line each."""
        of, found = self.found.summary, self.found
        ends = f"from {self._text(of.lowest)} to {self._text(of.highest)}"
        yield f"  mean {self._text(of.mean)}{self._ends(found.mean)}, {ends}"
        if of.deviation is not None:
            ends = self._ends(found.deviation, digits=3)
            yield f"  standard deviation {self._text(of.deviation, 3)}{ends}"
            first, middle, last = (self._text(each) for each in found.quartiles)
            yield f"  median {middle}{self._ends(found.median)}, quartiles {first} and {last}"
        if self.limits is not None:
            missed = sum(each.failed for each in self.of)
            yield f"  limits {limits_text(self.limits)}: {missed} of {of.n} out of them"
        if self.share is not None:
            yield f"  within limits {self.share.text}"
        can = found.capability
        if can is not None:
            yield f"  {_indices(Pp=can.pp, Ppk=can.ppk)}: all units together"
            yield f"  {_indices(Cp=can.cp, Cpk=can.cpk)}: between neighbours in build order"
            yield f"  (in brackets: {100 * can.confidence:.0f} % intervals)"

    def remarks(self) -> Iterator[str]:
        """Yield what is to be minded."""
        found = self.found
        if found.capability is not None and found.summary.n < FEW:
            yield f"Few units: of {found.summary.n} an index says little; mind its interval."
        if found.capability is None:
            yield f"No capability: {self._why_none()}."
        yield from self._outliers()
        yield from self._courses()
        if len(self.meters) > 1:
            yield f"Read by different meters: {'; '.join(self.meters)}."
        if self.more is None:
            yield "Of so many units it is not counted what else was read: ask with --quantity, --step, --board-state."
        elif self.more:
            yield f"Also there: {listed(self.more)}; ask for it with --quantity, --step, --board-state."
        if found.without_scipy:
            yield scipy_words(found.without_scipy)

    def _outliers(self) -> Iterator[str]:
        found = self.found
        if found.odd:
            yield f"Far from the others (modified score beyond 3.5): {self._named(found.odd)}."
        if found.grubbs is not None and found.grubbs.odd:
            one = found.grubbs
            yield (
                f"Grubbs' test, 5 %: {self._named([one.place])} does not belong ({one.statistic:.3g} standard"
                f" deviations off; {one.critical:.3g} is critical)."
            )
        if found.outliers > 1:
            those = [each.place for each in found.several[: found.outliers]]
            yield f"Test for several outliers (generalised ESD, 5 %): {self._named(those)} do not belong."

    def _courses(self) -> Iterator[str]:
        found = self.found
        if found.trend is not None and found.trend.chance < RARE:
            yield f"Over build order (serial numbers) values {self._trend(found.trend)}."
        if self.measured is not None and self.measured.chance < RARE:
            yield f"In the order in which they were measured values {self._trend(self.measured)}."
        if self.drifts:
            yield "Units that followed one another are alike: a drift, or a change on the way."
        if found.chart is not None and found.chart.broken:
            ends = f"{self._text(found.chart.low)} to {self._text(found.chart.high)}"
            yield f"Control chart over build order (individuals, {ends}; chance alone marks one unit in {IN_CONTROL}):"
            for rule, (*_, words) in RULES.items():
                places = [place for each, place in found.chart.broken if each == rule]
                if places:
                    yield f"  {words}: {self._named(places)}"
        if found.chart is not None and found.chart.shifted:
            named = self._named(found.chart.shifted)
            yield f"A small shift that lasts (exponentially weighted mean beyond its limits): {named}."

    def _trend(self, found: Trend) -> str:
        way = "climb" if found.slope > 0 else "fall"
        chance = "under 0.1 %" if found.chance < 1e-3 else f"{100 * found.chance:.1f} %"  # noqa: PLR2004
        return f"{way}, by {self._text(abs(found.slope), 2)} a unit (Mann-Kendall; by chance alone {chance})"

    def _trend_of_measuring(self) -> Trend | None:
        """Return the trend over time where that is another order than that of the serial numbers."""
        if [each.serial for each in self.in_time] == [each.serial for each in self.of]:
            return None
        try:
            return trend([each.value for each in self.in_time])
        except NoStatistic:
            return None

    def _named(self, places: Iterable[int]) -> str:
        places = list(places)
        more = f" and {len(places) - MOST_ODD} more" if len(places) > MOST_ODD else ""
        those = (self.of[place] for place in places[:MOST_ODD])
        return ", ".join(f"{each.serial} {self._text(each.value)}" for each in those) + more

    def _why_none(self) -> str:
        if self.several_limits:
            return f"judged by different limits ({'; '.join(self.several_limits)}); name one --revision or --procedure"
        return dict(self.found.missing)["capability"]

    def _text(self, value: float, digits: int = 6) -> str:
        return rated(format_quantity(float(f"{value:.{digits}g}"), self.unit), self.point.aspect)

    def _ends(self, of: Interval | None, digits: int = 6) -> str:
        if of is None:
            return ""
        return f" ({100 * of.confidence:.3g} %: {self._text(of.low, digits)} to {self._text(of.high, digits)})"

    def as_json(self) -> dict[str, Any]:
        """Return everything, values in order of time."""
        found = self.found
        return {
            "rail": self.point.rail,
            "quantity": self.point.kind.value,
            "aspect": self.point.aspect,
            "step_kind": self.point.step,
            "board_state": self.point.board_state,
            "unit": self.unit,
            "simulated": self.simulated,
            "n": found.summary.n,
            "mean": found.summary.mean,
            "mean_interval": _json(found.mean),
            "standard_deviation": found.summary.deviation,
            "standard_deviation_interval": _json(found.deviation),
            "quartiles": list(found.quartiles),
            "median_interval": _json(found.median),
            "lowest": found.summary.lowest,
            "highest": found.summary.highest,
            "low": self.low,
            "high": self.high,
            "failed": sum(each.failed for each in self.of),
            "within_limits": _json(self.share),
            "capability": _json(found.capability),
            "odd": self._serials(found.odd),
            "grubbs": self._extremes([found.grubbs] if found.grubbs is not None else []),
            "several_outliers": self._extremes(found.several[: found.outliers]),
            "chart": self._chart(),
            "trend": _json(found.trend),
            "trend_of_measuring": _json(self.measured),
            "drifts": self.drifts,
            "missing": dict(found.missing),
            "instruments": self.meters,
            "values": [
                {"serial": each.serial, "attempt": each.attempt, "at": time_text(each.at), "value": each.value}
                for each in self.in_time
            ],
        }

    def _serials(self, places: Iterable[int]) -> list[str]:
        return [self.of[place].serial for place in places]

    def _extremes(self, of: Sequence[Any]) -> list[dict[str, Any]]:
        return [
            {"serial": self.of[one.place].serial, "statistic": one.statistic, "critical": one.critical, "odd": one.odd}
            for one in of
        ]

    def _chart(self) -> dict[str, Any] | None:
        if self.found.chart is None:
            return None
        broken = [
            {"rule": rule, "words": RULES[rule][-1], "serial": self.of[at].serial}
            for rule, at in self.found.chart.broken
        ]
        chart = self.found.chart
        return {
            "centre": chart.centre,
            "low": chart.low,
            "high": chart.high,
            "broken": broken,
            "shifted": self._serials(chart.shifted),
        }


def _json(record: Any) -> dict[str, Any] | None:
    return None if record is None else asdict(record)


def _indices(**of: Index | None) -> str:
    parts = []
    for name, one in of.items():
        if one is not None:
            nearer = f"; nearer to the {one.nearer} limit" if one.nearer else ""
            parts.append(f"{name} {one.value:.2f} ({one.low:.2f} to {one.high:.2f}{nearer})")
    return ", ".join(parts)
