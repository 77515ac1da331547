"""How one point's readings spread over the units of a lot: in numbers, in words, and as a picture with the limits."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

from bringup.commands.report_traces import WIDE, inlined
from bringup.core.capability import Capability, capability
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.core.spread import Summary, odd_ones, summary
from bringup.core.taken import Point, Taken
from bringup.core.wording import limits_text, shown
from bringup.errors import NoStatistic
from bringup.pages.rendering import trusted

MOST_ODD = 8
"""Units far from the others that are named."""
NEAR = 12.0
"""A limit further from the values than so many times their own range is told in words, for it would hide them."""
BINS = 40
"""Of a histogram: one bar then is as high as a few pixels, and one far value leaves the others their shape."""
MANY = 60
"""Of more units than so many each is a small dot."""
BLUE, RED, GREY = "#3f6f97", "#a00018", "#444444"


@frozen
class Spread:
    """One value of each unit at a point. `limits` None where there are none, or several; `drawn` None: not drawn."""

    point: Point
    unit: str
    summary: Summary
    limits: Limits | None
    several: bool
    """Whether units were judged by different limits."""
    failed: tuple[str, ...]
    """Serial numbers of units that missed them."""
    judged: int
    capability: Capability | None
    odd: tuple[Taken, ...]
    drawn: Any | None

    @property
    def lines(self) -> list[str]:
        """What there is to say."""
        of, text = self.summary, self.text
        lines = [
            f"{of.n} unit{'' if of.n == 1 else 's'}: mean {text(of.mean)}, {text(of.lowest)} to {text(of.highest)}"
        ]
        if of.deviation is not None:
            lines[0] += f", standard deviation {text(of.deviation, 3)}"
        if self.several:
            lines.append(f"judged by different limits; {len(self.failed)} of {self.judged} missed theirs")
        elif self.limits is not None:
            lines.append(f"limits {limits_text(self.limits)}: {len(self.failed)} of {self.judged} out of them")
        if self.index:
            lines.append(f"Ppk {self.index} (95 % interval)")
        if self.odd:
            names = ", ".join(f"{each.serial} {text(each.value)}" for each in self.odd[:MOST_ODD])
            more = f" and {len(self.odd) - MOST_ODD} more" if len(self.odd) > MOST_ODD else ""
            lines.append(f"far from the others: {names}{more}")
        return lines

    @property
    def index(self) -> str:
        """Ppk with its interval, never without; '' where there is none."""
        if self.capability is None:
            return ""
        one = self.capability.ppk
        return f"{one.value:.2f} ({one.low:.2f} to {one.high:.2f})"

    @property
    def said(self) -> str:
        """The picture in words."""
        return f"{self.point} over the units: histogram, and order in time. {'; '.join(self.lines)}."

    def text(self, value: float, digits: int = 5) -> str:
        """Write a value with its unit."""
        return shown(value, self.unit, digits)


def spread_of(point: Point, taken: Sequence[Taken], figure: Any | None, number: int) -> Spread:
    """Return it of one value of each unit. `figure`: what draws it, None: nothing; `number`: of the picture."""
    in_time = sorted(taken, key=lambda each: each.at)
    values = [each.value for each in in_time]
    stated = {(each.limits.low, each.limits.high): each.limits for each in taken if each.limits is not None}
    limits = next(iter(stated.values())) if len(stated) == 1 else None
    return Spread(
        point=point,
        unit=taken[0].unit,
        summary=summary(values),
        limits=limits,
        several=len(stated) > 1,
        failed=tuple(each.serial for each in in_time if each.failed),
        judged=sum(each.limits is not None for each in taken),
        capability=_capability(values, limits),
        odd=tuple(in_time[place] for place in odd_ones(values)),
        drawn=None if figure is None else _drawn(figure, in_time, limits, number),
    )


def _capability(values: Sequence[float], limits: Limits | None) -> Capability | None:
    low, high = _ends(limits)
    try:
        return capability(values, low, high)
    except NoStatistic:
        return None


def _ends(limits: Limits | None) -> tuple[float | None, float | None]:
    low, high = (None, None) if limits is None else (limits.low, limits.high)
    return None if low is None else float(low), None if high is None else float(high)


def _drawn(figure: Any, in_time: Sequence[Taken], limits: Limits | None, number: int) -> Any:
    """Draw the histogram and the values in order of time over one axis of values; units that failed are crosses."""
    values = [each.value for each in in_time]
    made = figure(figsize=(WIDE, 2.1))
    bars, course = made.subplots(1, 2, sharey=True, width_ratios=(1, 2.4))
    made.subplots_adjust(left=0.11, right=0.99, top=0.93, bottom=0.2, wspace=0.05)
    span = (max(values) - min(values)) or abs(values[0]) / 100 or 1.0
    shown_ends = [
        end
        for end in _ends(limits)
        if end is not None and min(values) - NEAR * span <= end <= max(values) + NEAR * span
    ]
    reach = (min(*values, *shown_ends), max(*values, *shown_ends)) if len(values) + len(shown_ends) > 1 else None
    bars.hist(values, bins=BINS, range=reach, orientation="horizontal", color=BLUE)
    good = [(place, each.value) for place, each in enumerate(in_time, 1) if not each.failed]
    bad = [(place, each.value) for place, each in enumerate(in_time, 1) if each.failed]
    course.plot(*_columns(good), linestyle="", marker=".", markersize=3 if len(values) > MANY else 8, color=BLUE)
    course.plot(*_columns(bad), linestyle="", marker="x", markersize=6, color=RED)
    for end in shown_ends:
        for panel in (bars, course):
            panel.axhline(end, color=GREY, linewidth=1.1, linestyle="--")
    for panel, below in (
        (bars, "units"),
        (course, "units in order of time; crosses missed their limits; dashed: limits"),
    ):
        panel.set_xlabel(below, fontsize=8)
        panel.tick_params(labelsize=8)
        panel.locator_params(axis="x", integer=True, min_n_ticks=1)
        panel.spines[["top", "right"]].set_visible(False)
        panel.grid(visible=True, axis="y", color="#d5d5d5", linewidth=0.5)
    bars.yaxis.set_major_formatter(lambda value, _: format_quantity(float(f"{value:.6g}"), in_time[0].unit))
    out = io.StringIO()
    made.savefig(out, format="svg", metadata={"Creator": None, "Date": None, "Format": None, "Type": None})
    return trusted(inlined(out.getvalue(), f"s{number}"))


def _columns(points: Sequence[tuple[int, float]]) -> tuple[list[int], list[float]]:
    return [place for place, _ in points], [value for _, value in points]
