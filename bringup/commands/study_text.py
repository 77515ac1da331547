"""A measurement-system study in words and tables."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bringup.commands.tables import SIMULATED, format_table
from bringup.core.crossed import Crossed
from bringup.core.gauge import MEASUREMENT, POOL_ABOVE, Study
from bringup.core.quantity import format_quantity
from bringup.core.taken import Point
from bringup.core.wording import folded

GOOD, POOR = 10.0, 30.0
"""Percent of all variation, or of the tolerance: below the first usually good, above the second not acceptable."""
WANTED = 5
"""Distinct categories usually asked for (these three: AIAG MSA 4th edition, second-hand)."""
MOST_NAMED = 6


def study_lines(
    point: Point,
    unit: str,
    way: str,
    design: Crossed,
    studies: Sequence[Study],
    *,
    width: int | None,
    simulated: bool,
) -> list[str]:
    """Return the page."""
    appraisers = len(next(iter(design.cells.values())))
    many = f"{way}{'es' if way == 'bench' else 's'}"
    units = f"{len(design.cells)} {'simulated' if simulated else 'real'} units"
    head = f"{point}: {units} x {appraisers} {many} x {design.repeats} repeats"
    lines = [f"{head}  {SIMULATED}" if simulated else head]
    lines += [folded(line, width) for line in _left_out(design)]
    for each in studies:
        lines += ["", f"By {each.method}:", *_components(each, unit, width)]
        lines += ["", *_sources(each, width)] if each.sources else []
        lines += [folded(line, width) for line in _said(each, unit)]
    return lines


def _left_out(design: Crossed) -> Iterator[str]:
    if design.lacking:
        named = "; ".join(f"{serial} by {', '.join(names)}" for serial, names in design.lacking[:MOST_NAMED])
        more = f" and {len(design.lacking) - MOST_NAMED} more" if len(design.lacking) > MOST_NAMED else ""
        yield f"Left out, for not measured twice: {named}{more}."
    if design.spare:
        many = "reading" if design.spare == 1 else "readings"
        yield f"Left out: {design.spare} {many} beyond the first {design.repeats} of a unit and appraiser."


def _components(of: Study, unit: str, width: int | None) -> list[str]:
    headings = ("", "sd", "% of all", "% of variance", "% of tolerance")
    rows = [
        (
            each.name,
            format_quantity(float(f"{each.sigma:.4g}"), unit),
            f"{each.of_total:.2f}",
            f"{each.contribution:.2f}",
            "" if each.of_tolerance is None else f"{each.of_tolerance:.2f}",
        )
        for each in of.components
    ]
    return format_table(headings, rows, right=headings[1:], width=width)


def _sources(of: Study, width: int | None) -> list[str]:
    headings = ("source", "freedom", "squares", "mean square", "F")
    rows = [
        (
            each.name,
            str(each.freedom),
            f"{each.squares:.5g}",
            f"{each.mean_square:.5g}",
            "" if each.ratio is None else f"{each.ratio:.4g}",
        )
        for each in of.sources
    ]
    return format_table(headings, rows, right=headings[1:], width=width)


def _said(of: Study, unit: str) -> Iterator[str]:
    if of.sources:
        yield (
            "The interaction is no more than chance, and counted as repeatability."
            if of.pooled
            else "Appraisers may differ by unit (an interaction that chance makes in fewer than "
            f"{100 * POOL_ABOVE:.0f} % of studies is kept): look at how each holds the probe on which unit."
        )
    measuring = of.component(MEASUREMENT)
    text = f"%GRR {measuring.of_total:.1f} of all variation: {_verdict(measuring.of_total)}"
    if measuring.of_tolerance is not None:
        text += f"; {measuring.of_tolerance:.1f} of the tolerance: {_verdict(measuring.of_tolerance)}"
    yield f"{text}."
    if of.categories is not None:
        few = "" if int(of.categories) >= WANTED else f", fewer than the {WANTED} usually asked for"
        yield f"Distinct categories: {int(of.categories)} ({of.categories:.2f}){few}."
    if of.wide:
        limit = format_quantity(float(f"{of.range_limit:.3g}"), unit)
        named = "; ".join(
            f"{part} by {name} {format_quantity(float(f'{each:.3g}'), unit)}"
            for part, name, each in of.wide[:MOST_NAMED]
        )
        yield f"Repeats farther apart than chance makes them (above {limit}): {named}: read those again."


def _verdict(percent: float) -> str:
    if percent < GOOD:
        return f"good (below {GOOD:g})"
    if percent <= POOR:
        return f"may do, depending on what is at stake ({GOOD:g} to {POOR:g})"
    return f"not acceptable (above {POOR:g})"
