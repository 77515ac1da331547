"""The page of a report: one HTML document about an attempt and its unit, that needs nothing else and prints."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from bringup.commands.pages import failed, page
from bringup.commands.report_traces import INSTALL, drawn
from bringup.commands.tables import links, local_time
from bringup.core.frozen import frozen
from bringup.logbook.rows import LoggedAttempt
from bringup.logbook.traces import Trace
from bringup.logbook.whole import Whole

TOLD = frozenset({"trip", "override", "accepted", "warning", "out-of-order", "late"})
"""Kinds of event that are told; the logbook has them all."""


@frozen
class Curves:
    """What of one output or one log went on over time. `drawn`: the picture, None where nothing draws it."""

    title: str
    drawn: Any | None
    ranges: tuple[str, ...]


def report_page(of: Whole, figure: Any | None, made: str) -> str:
    """Return the document. `figure`: what draws curves, None: nothing; `made`: when and by which version."""
    attempt = of.attempt
    current = [each for each in attempt.readings if not each.replaced_by]
    events = attempt.events
    return page(
        "report.html",
        of=of,
        made=made,
        simulated=attempt.simulated,
        head=_head(attempt),
        failures=[each for each in current if failed(each)],
        current=len(current),
        curves=list(_curves(of, figure)),
        install=INSTALL if figure is None else "",
        cautions=list(dict.fromkeys(event.text for event in events if event.kind == "caution")),
        told=[event for event in events if event.kind in TOLD],
    )


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
        ("Attempt", attempt.id),
        *(("Going on", text) for text in links(attempt)),
        ("Anchor of the logbook", attempt.anchor),
    ]


def _curves(of: Whole, figure: Any | None) -> Iterator[Curves]:
    """Yield what there is of each output and each log, one picture each."""
    groups: dict[tuple[str, int | None], list[Trace]] = {}
    for trace in of.supply:
        if any(value is not None for _, value in trace.course):
            groups.setdefault((trace.name.rpartition(" ")[0], None), []).append(trace)
    for trace in of.logs:
        if any(value is not None for _, value in trace.course):
            groups.setdefault((trace.name, trace.step), []).append(trace)
    for number, ((name, step), traces) in enumerate(groups.items(), 1):
        title = f"Supply, {name}" if step is None else f"Step {step}, log of {name}"
        picture = None if figure is None else _drawn(of, figure, step, traces, number)
        yield Curves(title, picture, tuple(_range(trace) for trace in traces))


def _drawn(of: Whole, figure: Any, step: int | None, traces: list[Trace], number: int) -> Any:
    marks = [mark for mark in of.marks if mark.step == step]
    return drawn(figure, traces, of.beginnings, marks, number=number)


def _range(trace: Trace) -> str:
    from bringup.core.wording import shown

    values = [value for _, value in trace.course if value is not None]
    missing = len(trace.course) - len(values)
    text = f"{trace.name}: {shown(min(values), trace.unit)} to {shown(max(values), trace.unit)}, {len(values)} values"
    return f"{text}, {missing} times no value" if missing else text
