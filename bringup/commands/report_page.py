"""The page of a report: one HTML document about an attempt and its unit, that needs nothing else and prints."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bringup.commands.markup import Markup, element, joined, trusted
from bringup.commands.report_pictures import place_picture
from bringup.commands.report_style import STYLE
from bringup.commands.report_traces import INSTALL, curves
from bringup.commands.tables import (
    SIMULATED,
    failure_text,
    limits_text,
    links,
    local_time,
    quantity_text,
    remarks,
    result_text,
    value_text,
)
from bringup.core.words import Result, StepOutcome
from bringup.logbook.filters import ID_SHOWN
from bringup.logbook.rows import LoggedAttempt, LoggedReading
from bringup.logbook.traces import Trace
from bringup.logbook.whole import Whole

FAILED = (Result.FAIL, Result.CONDITIONAL_FAIL, Result.NO_VALUE)
TOLD = frozenset({"trip", "override", "accepted", "warning", "out-of-order", "late"})
"""Kinds of event that are told; the logbook has them all."""


def page(of: Whole, figure: Any | None, made: str) -> str:
    """Return the document. `figure`: what draws curves, None: nothing; `made`: when and by which version."""
    attempt = of.attempt
    title = f"{attempt.serial}: {result_text(attempt)}"
    policy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=policy),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", title),
        element("style", trusted(STYLE)),
    )
    across = element("div", SIMULATED, class_="across", aria_hidden="true") if attempt.simulated else ""
    parts = (
        _head(of),
        _readings(attempt),
        _curves(of, figure),
        _steps(attempt),
        _told(of),
        _unit(of),
        _bench(of),
        _files(of),
    )
    body = element("body", across, element("main", *parts), element("footer", made))
    return f"<!doctype html>\n{element('html', head, body, lang='en')}\n"


def _head(of: Whole) -> Markup:
    attempt = of.attempt
    warned = [element("p", f"{SIMULATED}: none of this happened to a real unit.", class_="loud")] * attempt.simulated
    if attempt.off_verified is False:
        warned.append(element("p", "It is not known whether the outputs went off.", class_="loud"))
    ended = local_time(attempt.ended) if attempt.ended else "not ended"
    facts = [
        ("Board", attempt.board),
        ("Revision", attempt.revision),
        ("Variant", attempt.variant),
        ("Lot", attempt.lot),
        ("Procedure", attempt.procedure),
        ("Started", local_time(attempt.started)),
        ("Ended", ended),
        ("Operator", attempt.operator or "nobody named"),
        ("Attended", "yes" if attempt.attended else "no"),
        ("Bench", attempt.bench),
        ("Fixture", attempt.fixture),
        ("Ambient", "" if attempt.ambient is None else f"{attempt.ambient:g} °C"),
        ("Attempt", attempt.id),
        *(("Going on", text) for text in links(attempt)),
        ("Anchor of the logbook", attempt.anchor),
    ]
    rows = [element("tr", element("th", name, scope="row"), element("td", said)) for name, said in facts if said]
    failed = [each for each in _current(attempt) if each.reading.result in FAILED]
    return joined(
        element("h1", f"{attempt.serial}"),
        element("p", element("strong", f"Result: {result_text(attempt).upper()}"), class_="result"),
        element("p", f"Cause: {attempt.cause}") if attempt.cause else "",
        *warned,
        element("ul", *(element("li", failure_text(each)) for each in failed)) if failed else "",
        element("table", element("caption", "The attempt"), *rows, class_="facts"),
    )


def _current(attempt: LoggedAttempt) -> list[LoggedReading]:
    return [each for each in attempt.readings if not each.replaced_by]


def _readings(attempt: LoggedAttempt) -> Markup:
    rows = []
    for each in attempt.readings:
        reading = each.reading
        pictured = reading.limits is not None and (reading.limits.low is not None or reading.limits.high is not None)
        place: str = ""
        if pictured and reading.value is not None and reading.limits is not None:
            place = place_picture(reading.value, reading.limits)
        failed = reading.result in FAILED
        result = element("strong", reading.result.upper()) if failed else reading.result
        said = "; ".join(filter(None, (remarks(each).replace(SIMULATED, "").strip(", "), reading.note)))
        cells = (
            element("td", str(reading.step + 1)),
            element("th", reading.point or "-", scope="row"),
            element("td", quantity_text(reading)),
            element("td", value_text(reading), class_="number"),
            element("td", limits_text(reading)),
            element("td", place),
            element("td", result),
            element("td", reading.instrument),
            element("td", said),
        )
        rows.append(element("tr", *cells, class_="failed" if failed else None))
    heads = ("Step", "Point", "Quantity", "Value", "Limits", "Place in them", "Result", "By", "Remarks")
    caption = f"Readings: {len(_current(attempt))}; the thick line is what is permitted, the diamond the value"
    return _table(caption, heads, rows)


def _table(caption: str, heads: Sequence[str], rows: Sequence[Markup]) -> Markup:
    if not rows:
        return joined()
    names = element("tr", *(element("th", name, scope="col") for name in heads))
    table = element("table", element("caption", caption), element("thead", names), element("tbody", *rows))
    return element("div", table, class_="wide", tabindex=0, role="region", aria_label=caption)


def _curves(of: Whole, figure: Any | None) -> Markup:
    groups: dict[tuple[str, int | None], list[Trace]] = {}
    for trace in of.supply:
        if any(value is not None for _, value in trace.course):
            groups.setdefault((trace.name.rpartition(" ")[0], None), []).append(trace)
    for trace in of.logs:
        if any(value is not None for _, value in trace.course):
            groups.setdefault((trace.name, trace.step), []).append(trace)
    if not groups:
        return joined()
    parts = [element("h2", "Over time")]
    if figure is None:
        parts.append(element("p", f"Curves are left out: they are drawn by matplotlib. {INSTALL}"))
    for number, ((name, step), traces) in enumerate(groups.items(), 1):
        title = f"Supply, {name}" if step is None else f"Step {step}, log of {name}"
        parts.append(element("h3", title))
        if figure is not None:
            parts.append(curves(figure, traces, of.beginnings, title=f"{title}; its range below", number=number))
        parts.append(element("ul", *(element("li", _range(trace)) for trace in traces)))
    return joined(*parts)


def _range(trace: Trace) -> str:
    from bringup.core.wording import shown

    values = [value for _, value in trace.course if value is not None]
    missing = len(trace.course) - len(values)
    text = f"{trace.name}: {shown(min(values), trace.unit)} to {shown(max(values), trace.unit)}, {len(values)} values"
    return f"{text}, {missing} times no value" if missing else text


def _steps(attempt: LoggedAttempt) -> Markup:
    rows = []
    for each in attempt.steps:
        outcome = "begun, not ended" if each.outcome is None else each.outcome.value
        if each.outcome is StepOutcome.LEFT_OUT:
            outcome += f"{' by ' + each.who if each.who else ''}: {each.why}"
        if each.carried_from:
            outcome += f", in attempt {each.carried_from[:ID_SHOWN]}"
        cells = (element("td", str(each.step)), element("td", each.kind), element("td", each.title))
        started = local_time(each.started) if each.started else ""
        last = (element("td", outcome), element("td", each.result), element("td", started))
        rows.append(element("tr", *cells, *last))
    return _table("Steps", ("Step", "Kind", "Title", "What became of it", "Result", "Begun"), rows)


def _told(of: Whole) -> Markup:
    events = of.attempt.events
    cautions = list(dict.fromkeys(event.text for event in events if event.kind == "caution"))
    told = [event for event in events if event.kind in TOLD]
    parts = []
    if cautions:
        parts += [element("h2", "Cautions"), element("ul", *(element("li", text) for text in cautions))]
    if told:
        items = (element("li", f"{local_time(each.at)}, {each.kind}: {each.text}") for each in told)
        parts += [element("h2", "What happened"), element("ul", *items)]
    if of.notes:
        items = (element("li", f"{local_time(n.at)}{', ' + n.who if n.who else ''}: {n.text}") for n in of.notes)
        parts += [element("h2", "Notes"), element("ul", *items)]
    return joined(*parts)


def _unit(of: Whole) -> Markup:
    rows = [
        element(
            "tr",
            element("td", local_time(each.started)),
            element("th", each.id[:ID_SHOWN], scope="row"),
            element("td", each.procedure),
            element("td", element("strong", "this one") if each.id == of.attempt.id else ""),
            element("td", result_text(each)),
            element("td", each.cause),
        )
        for each in of.others
    ]
    kind = "simulated " if of.attempt.simulated else ""
    caption = f"All {kind}attempts on {of.attempt.serial}"
    return _table(caption, ("Started", "Attempt", "Procedure", "", "Result", "Cause"), rows)


def _bench(of: Whole) -> Markup:
    rows = [
        element(
            "tr",
            element("th", each.role, scope="row"),
            element("td", each.identity or ("by hand" if each.by_hand else "not known")),
            element("td", "simulated" if each.simulated else each.calibration_due or "not stated"),
            element("td", each.dialect),
            element("td", each.resource),
        )
        for each in of.instruments
    ]
    return _table("Instruments", ("Role", "Identity", "Calibration due", "Dialect", "Resource"), rows)


def _files(of: Whole) -> Markup:
    if not of.sources:
        return joined()
    parts = [element("h2", "Files as they were when the attempt began")]
    for each in of.sources:
        name = element("summary", f"{each.kind}: {each.path}")
        hashed = element("p", "SHA-256 ", element("code", each.sha256))
        opened = "open" if each.kind == "procedure" else None
        parts.append(element("details", name, hashed, element("pre", each.content), open=opened))
    return joined(*parts)
