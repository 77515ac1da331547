"""The page of a report: one HTML document about an attempt and its unit, that needs nothing else and prints."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from bringup.commands.history import worth_telling
from bringup.commands.likely import likely_lines
from bringup.commands.pages import failed, page
from bringup.commands.report_curves import curves
from bringup.commands.report_photos import shown
from bringup.commands.report_traces import INSTALL
from bringup.commands.tables import failure_text, links, local_time, result_text, with_waiver
from bringup.core.frozen import frozen
from bringup.core.words import AttemptResult
from bringup.logbook.deviation_rows import waiver_of
from bringup.logbook.rows import LoggedAttempt, LoggedReading
from bringup.logbook.whole import Whole


@frozen
class OfStep:
    """The readings of one step, as they were taken."""

    step: int
    """Counted from 1."""
    kind: str
    title: str
    readings: tuple[LoggedReading, ...]


def report_page(of: Whole, figure: Any | None, made: str, sheet: str = "") -> str:
    """Return the document. `figure`: what draws curves, None: nothing; `made`: when and by which version.

    `sheet`: the address of the style where it is a page of a site; "": it stands by itself.
    """
    attempt = of.attempt
    current = [each for each in attempt.readings if not each.replaced_by]
    events = attempt.events
    sure = attempt.result is AttemptResult.FAILED
    return page(
        "report.html",
        of=of,
        made=made,
        sheet=sheet,
        simulated=attempt.simulated,
        head=_head(attempt),
        verdict=result_text(attempt),
        failures=[_failure(each, of) for each in current if failed(each)],
        likely=likely_lines(current, of.sources, attempt.variant) if sure else [],
        groups=_groups(attempt.readings),
        current=len(current),
        curves=list(curves(of, figure)),
        install=INSTALL if figure is None else "",
        photos=list(shown(of.beside.photos, of.pictures)),
        cautions=list(dict.fromkeys(event.text for event in events if event.kind == "caution")),
        told=[event for event in events if event.kind != "mark" and worth_telling(event)],
    )


def _failure(logged: LoggedReading, of: Whole) -> str:
    return with_waiver(failure_text(logged), waiver_of(logged.reading, of.beside.dispositions))


def _groups(readings: tuple[LoggedReading, ...]) -> list[OfStep]:
    """Put together what one step read, in the order in which the steps were done."""
    grouped = groupby(readings, key=lambda each: each.reading.step)
    return [OfStep(step + 1, of[0].step_kind, of[0].step_title, of) for step, each in grouped for of in [tuple(each)]]


def _head(attempt: LoggedAttempt) -> list[tuple[str, str]]:
    return [
        ("Board", attempt.board),
        ("Revision", attempt.revision),
        ("Variant", attempt.variant),
        ("Lot", attempt.lot),
        ("Procedure", attempt.procedure),
        ("Started", local_time(attempt.started)),
        ("Ended", local_time(attempt.ended) if attempt.ended else "not ended"),
        ("Operator", attempt.operator or "nobody named"),
        ("Attended", "yes" if attempt.attended else "no"),
        ("Bench", attempt.bench),
        ("Fixture", attempt.fixture),
        ("Ambient", "" if attempt.ambient is None else f"{attempt.ambient:g} °C"),
        ("Outputs off", {True: "verified", False: "NOT KNOWN", None: "nothing was switched on"}[attempt.off_verified]),
        ("Attempt", attempt.id),
        *(("Going on", text) for text in links(attempt)),
    ]
