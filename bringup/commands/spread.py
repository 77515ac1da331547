"""`bringup spread RAIL`: how one rail's readings are distributed over the units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import click

from bringup.commands.asking import made_options, parse_time, point_options, simulated_asked, unit_options
from bringup.commands.common import asked_logbook_option, json_option, print_json
from bringup.commands.saying import columns, say
from bringup.commands.spread_more import Groups, Together
from bringup.commands.spread_told import Told
from bringup.commands.waiting_rescues import say_what_waits
from bringup.core.taken import Point, Taken, one_of_each_unit
from bringup.core.wording import folded
from bringup.core.words import Kind
from bringup.logbook.comparable import Usual, taken, usual
from bringup.logbook.filters import Filters
from bringup.logbook.groupings import WAYS, grouped
from bringup.logbook.reading import read
from bringup.logbook.server_address import AnyLogbook


@click.command("spread")
@click.argument("rail")
@asked_logbook_option
@unit_options
@made_options
@point_options
@click.option("--last", is_flag=True, help="Of each unit the last attempt, not the first.")
@click.option("--by", "way", type=click.Choice(WAYS), help="Also whether such groups differ (analysis of variance).")
@click.option("--with", "beside", metavar="RAIL", help="Also whether it moves with these rails; '*' for all.")
@json_option
def command(
    rail: str,
    logbook: AnyLogbook,
    simulated: str | None,
    since: str | None,
    until: str | None,
    quantity: str | None,
    last: bool,
    way: str | None,
    beside: str | None,
    as_json: bool,
    **others: Any,
) -> None:
    """Show how RAIL is spread over units: statistics, histogram with limits, order in time, capability.

    One reading of each unit counts, of its first attempt unless --last is given. Build order is that of serial
    numbers. Indices come with their 95 % intervals, from two units on. Real and simulated readings never mix: real
    ones where there are some.
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
    found = read(logbook, lambda connection: usual(connection, filters))
    point, of = found.point, found.of
    told = Told(of, point, found.simulated, more_of(found))
    groups = together = None
    if way is not None:
        by = way
        groups = Groups(way, read(logbook, lambda connection: grouped(connection, told.of, by)))
    if beside is not None:
        asked = replace(filters, rail=beside, simulated=found.simulated, quantity=None)
        together = Together(of, _others(read(logbook, lambda connection: taken(connection, asked)), point))
    if as_json:
        added = {"by": None if groups is None else groups.as_json()}
        print_json({**told.as_json(), **added, "with": None if together is None else together.as_json()})
        return
    lines = told.lines("last" if last else "first", columns())
    for each in (groups, together):
        lines += [] if each is None else ["", *each.lines(columns())]
    say("\n".join(folded(line, None) for line in lines))


def _others(found: Sequence[Taken], own: Point) -> dict[Point, list[Taken]]:
    """Return the other points that were read: volts of a `measure`, and input currents, once an attempt."""
    return {
        point: of
        for point, of in one_of_each_unit(found, "first").items()
        if point != own
        and point.nth == 1
        and point.kind in (Kind.VOLTAGE, Kind.CURRENT)
        and (point.step, point.aspect) in (("measure", ""), ("apply", ""))
    }


def more_of(found: Usual) -> list[str] | None:
    """Return what else was read at the rail, with how many units have it; None where that was not counted."""
    return None if found.others is None else [f"{each} ({count})" for each, count in found.others.items()]
