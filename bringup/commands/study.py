"""`bringup study RAIL`: how much of the spread of a rail's readings is the measuring, from logged attempts."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import click

from bringup.commands.asking import parse_time, point_options, simulated_asked, unit_options
from bringup.commands.common import asked_logbook_option, json_option, print_json
from bringup.commands.saying import columns, say
from bringup.commands.study_text import study_lines
from bringup.commands.waiting_rescues import say_what_waits
from bringup.core.crossed import crossed
from bringup.core.gauge import Study, by_ranges, by_variance
from bringup.core.taken import Point, Taken, usual_point
from bringup.core.words import Kind
from bringup.errors import CommandError, NoStatistic
from bringup.logbook.comparable import of_one_kind
from bringup.logbook.filters import Filters
from bringup.logbook.groupings import grouped
from bringup.logbook.reading import read
from bringup.logbook.server_address import AnyLogbook


@click.command("study")
@click.argument("rail")
@asked_logbook_option
@unit_options
@click.option("--procedure", metavar="NAME", help="Only attempts with this procedure.")
@click.option("--since", metavar="TIME", help="Only attempts that started since then, such as 2026-11-25.")
@click.option("--until", metavar="TIME", help="Only attempts that started by then (a date: its whole day).")
@point_options
@click.option(
    "--by",
    "way",
    type=click.Choice(("operator", "bench", "meter", "fixture")),
    default="operator",
    show_default=True,
    help="Who or what the appraisers are.",
)
@click.option("--among", metavar="NAMES", help="Only these appraisers, such as ada,ben; else all there are.")
@json_option
def command(
    rail: str,
    logbook: AnyLogbook,
    simulated: str | None,
    since: str | None,
    until: str | None,
    quantity: str | None,
    way: str,
    among: str | None,
    as_json: bool,
    **others: Any,
) -> None:
    """Study the measuring of RAIL: units x operators (or benches, meters) x repeats, by variance and by ranges.

    Have each operator run the same procedure on the same units, at least twice each, and start it with `--operator
    NAME`. Each attempt is one repeat, so that leads and probe are put on anew. The units should span what the lot
    spans; ten units, three operators and three repeats are usual. The tolerance is the width between the limits.
    """
    filters = Filters(
        rail=rail,
        simulated=simulated_asked(simulated),
        since=parse_time(since),
        until=parse_time(until, end_of_day=True),
        quantity=Kind(quantity) if quantity else None,
        **others,
    )
    say_what_waits(logbook)
    found, is_simulated = read(logbook, lambda connection: of_one_kind(connection, filters))
    point, of = _first_of_each_attempt(found)
    groups = read(logbook, lambda connection: grouped(connection, of, way))
    design = crossed(groups if among is None else _among(groups, among))
    width = _tolerance(of)
    studies: list[Study] = []
    why_not = {}
    for name, method in (("analysis of variance", by_variance), ("averages and ranges", by_ranges)):
        try:
            studies.append(method(design.cells, width))
        except NoStatistic as error:
            if name == "averages and ranges":
                raise
            why_not[name] = error
    if as_json:
        print_json(
            {
                "rail": point.rail,
                "quantity": point.kind.value,
                "unit": of[0].unit,
                "simulated": is_simulated,
                "by": way,
                "repeats": design.repeats,
                "tolerance": width,
                "cells": design.cells,
                "lacking": {serial: list(names) for serial, names in design.lacking},
                "readings_left_out": design.spare,
                "studies": [asdict(each) for each in studies],
                "missing": {name: str(error) for name, error in why_not.items()},
            }
        )
        return
    lines = study_lines(point, of[0].unit, way, design, studies, width=columns(), simulated=is_simulated)
    lines += [f"No {name}: {error}" for name, error in why_not.items()]
    say("\n".join(lines))


def _first_of_each_attempt(found: list[Taken]) -> tuple[Point, list[Taken]]:
    groups: dict[Point, list[Taken]] = {}
    for each in found:
        if each.point.nth == 1:
            groups.setdefault(each.point, []).append(each)
    point = usual_point({each: len(of) for each, of in groups.items()})
    return point, groups[point]


def _among(groups: dict[str, list[Taken]], names: str) -> dict[str, list[Taken]]:
    """Return the appraisers that are named. Raises CommandError for one that has no readings here."""
    asked = [name.strip() for name in names.split(",")]
    for name in asked:
        if name not in groups:
            raise CommandError(f"no reading here is by '{name}'", f"Readings are by: {', '.join(groups)}.")
    return {name: groups[name] for name in asked}


def _tolerance(of: list[Taken]) -> float | None:
    """Return the width between the limits, where all were judged by the same two."""
    ends = {(each.limits.low, each.limits.high) for each in of if each.limits is not None}
    if len(ends) != 1:
        return None
    low, high = ends.pop()
    return None if low is None or high is None else float(high - low)
