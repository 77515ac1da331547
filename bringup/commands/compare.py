"""`bringup compare A B`: two units, attempts, lots or revisions beside each other, or one against the rest."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

import click

from bringup.commands.asking import made_options, parse_time, simulated_asked
from bringup.commands.common import asked_logbook_option, json_option, print_json
from bringup.commands.saying import columns, say
from bringup.commands.tables import SIMULATED, format_table
from bringup.commands.waiting_rescues import say_what_waits
from bringup.core.comparison import LEAST_FREEDOM, Difference, compare, nothing_shared
from bringup.core.distributions import INSTALL, special
from bringup.core.patterns import patterns
from bringup.core.quantity import format_quantity
from bringup.core.spread import Summary
from bringup.core.taken import Point, Taken, one_of_each_unit
from bringup.core.verdict import rated
from bringup.core.wording import folded, limits_text
from bringup.core.words import Kind
from bringup.errors import CommandError
from bringup.logbook.filters import Filters
from bringup.logbook.reading import read
from bringup.logbook.server_address import AnyLogbook
from bringup.logbook.sides import Sides, find_sides, serials

HEADINGS = ("point", "A", "B", "B - A", "%", "sd", "limits", "remarks")
FEW_UNITS = 3
LEAST = 1e-12
"""Magnitudes below this are what is left of rounding, in any unit that a bench measures in."""


@click.command("compare")
@click.argument("one", metavar="A")
@click.argument("other", metavar="B")
@asked_logbook_option
@click.option("--rail", metavar="NAME", help="Only at this rail or input; * and ? as usual.")
@click.option("--quantity", type=click.Choice([kind.value for kind in Kind]), help="Only of this kind.")
@click.option("--step", metavar="KIND", help="Only from steps of this kind: measure, resistance ...")
@click.option("--board", metavar="NAME", help="Only units of this board.")
@made_options
@click.option("--first", "which", flag_value="first", help="Of each unit the first reading of a point, not the last.")
@click.option("--real", "simulated", flag_value="real", help="Only real units and attempts.")
@click.option("--simulated", "simulated", flag_value="simulated", help="Only simulated ones.")
@json_option
def command(
    one: str,
    other: str,
    logbook: AnyLogbook,
    which: str | None,
    simulated: str | None,
    quantity: str | None,
    since: str | None,
    until: str | None,
    as_json: bool,
    **others: Any,
) -> None:
    """Compare A with B: units, attempts (the beginning of an id), lots, revisions. Differences are B less A.

    One of them may be `reference`, what is marked so of the other one's board (`bringup reference`), or `rest`, all
    other units: it counts as A wherever it stands, so that what is told is by how much the other one differs.
    Where a name could be several, write unit=NAME, attempt=ID, lot=NAME or revision=NAME; a name may hold * and ?.
    Of each unit the last reading of a point counts. What missed a limit on one side only comes first, then what
    takes up most of the width between its limits. Real and simulated readings are never compared.
    """
    filters = Filters(
        simulated=simulated_asked(simulated),
        since=parse_time(since),
        until=parse_time(until, end_of_day=True),
        quantity=Kind(quantity) if quantity else None,
        **others,
    )
    say_what_waits(logbook)
    sides = read(logbook, lambda connection: find_sides(connection, (one, other), filters))
    of_one, of_other, usual = (
        one_of_each_unit(of, which or "last") for of in (sides.of_one, sides.of_other, sides.of_all)
    )
    differences = compare(of_one, of_other, usual)
    if not differences:
        raise _nothing_shared(sides, of_one, of_other)
    seen = patterns(differences, _units(of_one, of_other, usual, sides))
    if as_json:
        print_json(_as_json(sides, differences, seen))
    else:
        say("\n".join(_text(sides, differences, seen, which or "last")))


def _nothing_shared(sides: Sides, one: Iterable[Point], other: Iterable[Point]) -> CommandError:
    names = sides.one.label, sides.other.label
    if why := nothing_shared(one, other, names):
        text = "What a board draws differs with its state, and so may its rails: compare attempts in the same one."
        return CommandError(f"no point in common: {why}", text)
    text = "`bringup readings --serial SN` shows what a unit has."
    return CommandError(f"{names[0]} and {names[1]} have no reading in common", text)


def _units(
    one: dict[Point, list[Taken]], other: dict[Point, list[Taken]], usual: dict[Point, list[Taken]], sides: Sides
) -> dict[Point, list[Taken]]:
    """Return the units among which odd ones are looked for: those compared, or of few ones all of the board."""
    if len(serials((*sides.of_one, *sides.of_other))) < FEW_UNITS:
        return {}
    return {
        point: list({each.serial: each for each in (*one.get(point, ()), *other.get(point, ()))}.values())
        for point in usual
        if point in one and point in other
    }


def _text(sides: Sides, differences: list[Difference], seen: list[str], which: str) -> list[str]:
    width = columns()
    units = [len(serials(of)) for of in (sides.of_one, sides.of_other)]
    marked = f"  {SIMULATED}" if sides.simulated else ""
    names = f"A: {sides.one.label}{_count(units[0])}, B: {sides.other.label}{_count(units[1])}"
    lines = [folded(f"{names}; the {which} reading of each point; differences are B less A{marked}", width)]
    if sides.also:
        lines.append("Simulated readings match, too; they are left out (--simulated compares those).")
    if seen:
        lines += ["", "What it looks like (rules of thumb; check before you act on them):"]
        lines += [folded(f"  {text}", width) for text in seen]
    text = "sd: in standard deviations of one unit; limits: as a part of the width between them."
    lines += [
        "",
        folded(text, width),
        *format_table(HEADINGS, [_row(each) for each in differences], right=HEADINGS[1:7], width=width),
    ]
    if any(each.deviations is None and not each.below_accuracy for each in differences):
        text = f"No sd where fewer than {LEAST_FREEDOM + 1} units say what one is."
        lines.append(folded(text, width))
    if any(each.one.n + each.other.n > 2 for each in differences):  # noqa: PLR2004 - one value on each side
        text = (
            f"Of several units: mean ± standard deviation (number of units), from {LEAST_FREEDOM + 1} units on; "
            "95 %: of the difference of the means."
        )
        if special() is None:
            text = f"{text.rpartition(';')[0]}. Intervals of their difference need scipy ({INSTALL})."
        lines.append(folded(text, width))
    meters = {each.meters for each in differences if each.other_meter}
    for one, other in sorted(meters):
        lines.append(folded(f"Different meters: A {', '.join(one)}; B {', '.join(other)}.", width))
    if any(each.other_meter and each.uncertainty is None for each in differences):
        text = "Their accuracy is not in the logbook: a difference may be theirs and not the board's."
        lines.append(folded(text, width))
    return lines


def _count(units: int) -> str:
    return f" ({units} units)" if units != 1 else ""


def _row(each: Difference) -> tuple[str, ...]:
    """Return a line of the table; what the meters alone may differ by is no difference of the boards."""
    if each.below_accuracy:
        sides = (_side_text(side, each.unit, each.point.aspect) for side in (each.one, each.other))
        return (str(each.point), *sides, "not told", "", "", "", "; ".join(_remarks(each)))
    aspect = each.point.aspect
    return (
        str(each.point),
        _side_text(each.one, each.unit, aspect),
        _side_text(each.other, each.unit, aspect),
        rated(_signed(each.difference, each.unit), aspect),
        "" if each.percent is None else f"{round(each.percent, 2) + 0.0:+.2f}",
        "" if each.deviations is None else f"{round(each.deviations, 1) + 0.0:+.1f}",
        "" if each.of_limits is None else f"{100 * each.of_limits:.0f} %",
        "; ".join(_remarks(each)),
    )


def _remarks(each: Difference) -> list[str]:
    words = []
    if each.crossed:
        side, of = ("A", each.one) if each.failed[0] else ("B", each.other)
        count = f" in {max(each.failed)} of {of.n}" if of.n > 1 else ""
        words.append(f"OUT OF LIMITS{count} on side {side} only: {limits_text(each.limits)}".rstrip(": "))
    elif each.failed[0]:
        words.append("out of limits on both sides")
    if each.limits_differ:
        words.append("judged by different limits")
    if each.interval is not None:
        low, high = (_signed(end, each.unit) for end in (each.interval.low, each.interval.high))
        chance = ", no more than chance" if each.interval.low <= 0 <= each.interval.high else ""
        words.append(f"95 %: {low} to {high}{chance}")
    if each.below_accuracy:
        words.append(f"different meters, which may differ by {_short(each.uncertainty or 0.0, each.unit)}")
    elif each.other_meter:
        known = each.uncertainty is not None
        words.append(
            f"beyond the {_short(each.uncertainty or 0.0, each.unit)} of different meters"
            if known
            else "different meters"
        )
    return words


def _side_text(of: Summary, unit: str, aspect: str) -> str:
    if of.n == 1 or of.deviation is None:
        return rated(_digits(of.mean, unit, 6), aspect)
    mean = rated(_digits(of.mean, unit, 5), aspect)
    if of.n <= LEAST_FREEDOM:
        return f"{mean} ({of.n})"
    return f"{mean} ± {rated(_digits(of.deviation, unit, 2), aspect)} ({of.n})"


def _digits(value: float, unit: str, digits: int) -> str:
    value = value if abs(value) >= LEAST else 0.0
    return format_quantity(float(f"{value:.{digits}g}"), unit)


def _short(value: float, unit: str) -> str:
    return _digits(value, unit, 3)


def _signed(value: float, unit: str) -> str:
    return f"{'+' if value > 0 else ''}{_short(value, unit)}"


def _as_json(sides: Sides, differences: list[Difference], seen: list[str]) -> dict[str, Any]:
    return {
        "a": {"name": sides.one.label, "units": serials(sides.of_one)},
        "b": {"name": sides.other.label, "units": serials(sides.of_other)},
        "simulated": sides.simulated,
        "patterns": seen,
        "differences": [_difference_json(each) for each in differences],
    }


def _difference_json(each: Difference) -> dict[str, Any]:
    sides = {
        name: {
            "n": of.n,
            "mean": of.mean,
            "standard_deviation": of.deviation,
            "lowest": of.lowest,
            "highest": of.highest,
            "failed": each.failed[place],
            "instruments": list(each.meters[place]),
        }
        for place, (name, of) in enumerate((("a", each.one), ("b", each.other)))
    }
    return {
        "rail": each.point.rail,
        "quantity": each.point.kind.value,
        "aspect": each.point.aspect,
        "step_kind": each.point.step,
        "board_state": each.point.board_state,
        "nth": each.point.nth,
        "unit": each.unit,
        **sides,
        "difference": each.difference,
        "percent": each.percent,
        "standard_deviations": each.deviations,
        "of_limits": each.of_limits,
        "limits": limits_text(each.limits) or None,
        "limits_differ": each.limits_differ,
        "crossed": each.crossed,
        "different_meters": each.other_meter,
        "uncertainty": each.uncertainty,
        "below_accuracy": each.below_accuracy,
        "interval": None if each.interval is None else asdict(each.interval),
    }
