"""`bringup spread RAIL`: how one rail's readings are distributed over the units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from bringup.commands.asking import parse_time, simulated_asked, unit_options
from bringup.commands.common import json_option, logbook_option, print_json
from bringup.commands.saying import columns, say
from bringup.commands.spread_text import histogram_lines, time_lines
from bringup.commands.tables import SIMULATED
from bringup.commands.waiting_rescues import say_what_waits
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.core.spread import FEW, Capability, Summary, capability, drifts, odd_ones, summary
from bringup.core.taken import Point, Taken, one_of_each_unit
from bringup.core.wording import folded, limits_text, listed
from bringup.core.words import Kind
from bringup.logbook.comparable import of_one_kind
from bringup.logbook.filters import Filters
from bringup.logbook.reading import read
from bringup.logbook.values import time_text

MOST_ODD = 12


@click.command("spread")
@click.argument("rail")
@logbook_option
@unit_options
@click.option("--procedure", metavar="NAME", help="Only attempts with this procedure.")
@click.option("--since", metavar="TIME", help="Only attempts that started since then, such as 2026-11-25.")
@click.option("--until", metavar="TIME", help="Only attempts that started by then (a date: its whole day).")
@click.option("--quantity", type=click.Choice([kind.value for kind in Kind]), help="Of this kind; else voltage.")
@click.option("--step", metavar="KIND", help="From steps of this kind; else measure.")
@click.option("--board-state", metavar="STATE", help="Only with the board in this state.")
@click.option("--last", is_flag=True, help="Of each unit the last attempt, not the first.")
@json_option
def command(
    rail: str,
    logbook: Path,
    simulated: str | None,
    since: str | None,
    until: str | None,
    quantity: str | None,
    last: bool,
    as_json: bool,
    **others: Any,
) -> None:
    """Show how RAIL is spread over units: statistics, histogram with limits, order in time, capability.

    One reading of each unit counts, of its first attempt unless --last is given. Cpk comes with its 95 % interval,
    from two units on. Real and simulated readings never mix: real ones where there are some.
    """
    filters = Filters(
        rail=rail,
        simulated=simulated_asked(simulated),
        since=parse_time(since),
        until=parse_time(until, end_of_day=True),
        quantity=Kind(quantity) if quantity else None,
        only="last" if last else "first",
        **others,
    )
    say_what_waits(logbook)
    found, is_simulated = read(logbook, lambda connection: of_one_kind(connection, filters))
    point, of, more = _chosen(found, filters)
    told = _Told(of, point, is_simulated, more)
    if as_json:
        print_json(told.as_json())
    else:
        say("\n".join(folded(line, None) for line in told.lines("last" if last else "first")))


def _chosen(found: Sequence[Taken], filters: Filters) -> tuple[Point, list[Taken], list[str]]:
    """Return what was asked for: voltage in a `measure` if that is there, else what most units have; and the others."""
    groups = {point: of for point, of in one_of_each_unit(found, "first").items() if point.nth == 1}

    def rank(point: Point) -> tuple[bool, bool, int]:
        return point.kind is Kind.VOLTAGE, point.step == "measure", len(groups[point])

    point = max(groups, key=rank)
    asked = [f"{each} ({len(groups[each])})" for each in groups if each != point]
    return point, groups[point], asked if filters.quantity is None or filters.step is None else []


class _Told:
    """What is told of the readings of one point."""

    def __init__(self, of: list[Taken], point: Point, simulated: bool, more: list[str]) -> None:
        self.of, self.point, self.simulated, self.more = of, point, simulated, more
        self.unit = of[0].unit
        self.values = [each.value for each in of]
        self.in_time = sorted(of, key=lambda each: each.at)
        self.summary: Summary = summary(self.values)
        ends = {(each.limits.low, each.limits.high): each.limits for each in of if each.limits is not None}
        self.limits: Limits | None = next(iter(ends.values())) if len(ends) == 1 else None
        self.several_limits = sorted(limits_text(limits) for limits in ends.values()) if len(ends) > 1 else []
        low, high = (None, None) if self.limits is None else (self.limits.low, self.limits.high)
        self.low, self.high = (None if end is None else float(end) for end in (low, high))
        self.capability: Capability | None = capability(self.summary, self.low, self.high)
        self.odd = [of[place] for place in odd_ones(self.values)]
        self.drifts = drifts([each.value for each in self.in_time])
        self.meters = sorted({each.meter for each in of})

    def lines(self, which: str) -> list[str]:
        """Return the page."""
        width = columns(unknown=None)
        units = f"{self.summary.n} unit{'' if self.summary.n == 1 else 's'}"
        head = f"{self.point}, {units}, each unit's {which} attempt"
        lines = [f"{head}  {SIMULATED}" if self.simulated else head]
        lines += ["", *self._numbers(), "", *histogram_lines(self.values, self.unit, self.limits), ""]
        lines += time_lines(self.of, self.limits)
        remarks = self._remarks()
        lines += ["", *(folded(text, width) for text in remarks)] if remarks else []
        return lines

    def _numbers(self) -> list[str]:
        of = self.summary
        lines = [f"  mean {self._text(of.mean)}, from {self._text(of.lowest)} to {self._text(of.highest)}"]
        if of.deviation is not None:
            lines.append(f"  standard deviation {format_quantity(float(f'{of.deviation:.3g}'), self.unit)}")
        if self.limits is not None:
            missed = sum(each.failed for each in self.of)
            lines.append(f"  limits {limits_text(self.limits)}: {missed} of {of.n} out of them")
        can = self.capability
        if can is not None:
            interval = f"{can.low:.2f} to {can.high:.2f} at {100 * can.confidence:.0f} % confidence"
            lines.append(f"  Cpk {can.cpk:.2f} ({interval}; nearer to the {can.nearer} limit)")
        return lines

    def _remarks(self) -> list[str]:
        lines = []
        if self.capability is not None and self.summary.n < FEW:
            lines.append(f"Few units: of {self.summary.n} a Cpk says little; mind its interval.")
        if self.capability is None:
            lines.append(f"No capability: {self._why_none()}.")
        if self.odd:
            more = f" and {len(self.odd) - MOST_ODD} more" if len(self.odd) > MOST_ODD else ""
            names = ", ".join(f"{each.serial} {self._text(each.value)}" for each in self.odd[:MOST_ODD])
            lines.append(f"Far from the others (modified score beyond 3.5): {names}{more}.")
        if self.drifts:
            lines.append("Units that followed one another are alike: a drift, or a change on the way.")
        if len(self.meters) > 1:
            lines.append(f"Read by different meters: {'; '.join(self.meters)}.")
        if self.more:
            lines.append(f"Also there: {listed(self.more)}; ask for it with --quantity, --step, --board-state.")
        return lines

    def _why_none(self) -> str:
        if self.several_limits:
            return f"judged by different limits ({'; '.join(self.several_limits)}); name one --revision or --procedure"
        if self.limits is None:
            return "these readings have no limits"
        return "it takes two units" if self.summary.n < 2 else "all values are the same"  # noqa: PLR2004

    def _text(self, value: float) -> str:
        return format_quantity(float(f"{value:.6g}"), self.unit)

    def as_json(self) -> dict[str, Any]:
        """Return everything, values in order of time."""
        return {
            "rail": self.point.rail,
            "quantity": self.point.kind.value,
            "aspect": self.point.aspect,
            "step_kind": self.point.step,
            "board_state": self.point.board_state,
            "unit": self.unit,
            "simulated": self.simulated,
            "n": self.summary.n,
            "mean": self.summary.mean,
            "standard_deviation": self.summary.deviation,
            "lowest": self.summary.lowest,
            "highest": self.summary.highest,
            "low": self.low,
            "high": self.high,
            "failed": sum(each.failed for each in self.of),
            "capability": None if self.capability is None else asdict(self.capability),
            "odd": [each.serial for each in self.odd],
            "drifts": self.drifts,
            "instruments": self.meters,
            "values": [
                {"serial": each.serial, "attempt": each.attempt, "at": time_text(each.at), "value": each.value}
                for each in self.in_time
            ],
        }
