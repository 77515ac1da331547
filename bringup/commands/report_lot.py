"""The page of a lot: yield, what failed most often, how each rail spreads over the units, where each unit stands."""

from __future__ import annotations

from typing import Any

from bringup.commands.pages import page
from bringup.commands.report_spreads import Spread, spread_of
from bringup.commands.report_traces import INSTALL
from bringup.commands.tables import local_time
from bringup.core.frozen import frozen
from bringup.core.patterns import counted
from bringup.core.taken import Point, Taken
from bringup.core.words import Kind
from bringup.core.yields import wilson
from bringup.logbook.lot_yields import LotYield
from bringup.logbook.whole_lot import WholeLot

MOST_PICTURES = 60
"""Points that are drawn; the table has all of them."""
MOST_UNITS = 10
"""Units that are named beside a failure."""
LEAST = 2
"""Of one unit there is no spread."""


@frozen
class Failure:
    """What failed, on which units, of how many."""

    what: str
    units: tuple[str, ...]
    judged: int

    @property
    def share(self) -> str:
        """The part that failed, with its Wilson interval of 95 %."""
        low, high = wilson(len(self.units), self.judged)
        return f"{_percent(len(self.units) / self.judged)} ({_percent(low)} to {_percent(high)})"

    @property
    def named(self) -> str:
        """The first of those units."""
        more = f" and {len(self.units) - MOST_UNITS} more" if len(self.units) > MOST_UNITS else ""
        return ", ".join(self.units[:MOST_UNITS]) + more


def lot_page(of: WholeLot, figure: Any | None, made: str, sheet: str = "") -> str:
    """Return the document. `figure`: what draws, None: nothing; `made`: when and by which version.

    `sheet`: the address of the style where it is a page of a site; "": it stands by itself.
    """
    spreads, drawn = [], 0
    for point, taken in sorted(of.values.items(), key=lambda each: _place(each[0])):
        draw = figure is not None and drawn < MOST_PICTURES and _is_drawn(point, taken)
        drawn += draw
        spreads.append(spread_of(point, taken, figure if draw else None, drawn))
    told = [each for each in spreads if each.point.nth == 1 and _is_drawn(each.point, of.values[each.point])]
    return page(
        "lot.html",
        of=of,
        made=made,
        sheet=sheet,
        simulated=of.simulated,
        head=_head(of),
        yields=[(each, _yield_text(each)) for each in of.yields],
        failures=failures(spreads),
        causes=[Failure(cause, tuple(units), len(of.units)) for cause, units in of.causes.items()],
        spreads=told,
        table_rows=[each for each in spreads if each.summary.n >= LEAST],
        left_out=max(0, len(told) - MOST_PICTURES),
        install=INSTALL if figure is None else "",
        units=sorted(of.units, key=lambda each: counted(each.last.serial)),
    )


def failures(spreads: list[Spread]) -> list[Failure]:
    """Return the points at which units missed their limits, what failed on most units first."""
    found = [Failure(str(each.point), each.failed, each.judged) for each in spreads if each.failed]
    return sorted(found, key=lambda each: (-len(each.units), each.what))


def _head(of: WholeLot) -> list[tuple[str, str]]:
    return [
        ("Board", of.board),
        ("Revision", ", ".join(of.revisions)),
        ("Units", str(len(of.units))),
        ("First attempt", local_time(of.first)),
        ("Last attempt", local_time(of.last)),
    ]


def _yield_text(of: LotYield) -> str:
    ends = of.interval
    if ends is None:
        return "no unit was decided yet"
    share = of.found.passed_first / of.found.judged
    return f"{_percent(share)} (95 %: {_percent(ends[0])} to {_percent(ends[1])})"


def _is_drawn(point: Point, taken: list[Taken]) -> bool:
    """Whether a point is one that a picture is wanted of: no points of a sweep, nothing read only to measure ohms."""
    plain = point.step in ("measure", "apply", "log", "ripple", "resistance")
    volts_first = point.step == "resistance" and point.kind is not Kind.RESISTANCE
    return len(taken) >= LEAST and point.nth == 1 and plain and not volts_first


def _place(point: Point) -> tuple[int, bool, int]:
    """Sort key: rails first, then currents, then the rest; those alike in that as they were read."""
    order = ("measure", "apply", "log", "ripple", "resistance", "leads")
    place = order.index(point.step) if point.step in order else len(order)
    return place, point.kind is not Kind.VOLTAGE, point.nth


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"
