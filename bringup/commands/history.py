"""`bringup history SN`: one unit's whole story, in time."""

from __future__ import annotations

import click

from bringup.commands.asking import parse_time, simulated_asked
from bringup.commands.common import asked_logbook_option, print_json
from bringup.commands.history_beside import effect_lines, entries
from bringup.commands.history_rows import COLUMNS, part_of, rows_of
from bringup.commands.output import output_options, print_records
from bringup.commands.saying import columns, say
from bringup.commands.tables import (
    INDENT,
    SIMULATED,
    failure_text,
    links,
    local_time,
    result_text,
    value_text,
    with_waiver,
)
from bringup.commands.waiting_rescues import FIELD, say_what_waits
from bringup.core.wording import folded
from bringup.core.words import MISSED, StepOutcome
from bringup.logbook.database import Database
from bringup.logbook.deviation_rows import LoggedDisposition, waiver_of
from bringup.logbook.filters import ID_SHOWN, Filters
from bringup.logbook.known_names import check_names
from bringup.logbook.line_texts import LoggedText, line_texts
from bringup.logbook.queries import Story, history
from bringup.logbook.reading import read
from bringup.logbook.rows import LoggedAttempt, LoggedEvent, LoggedReading
from bringup.logbook.server_address import AnyLogbook

ROUTINE_EVENTS = frozenset({"power", "attached", "settings", "caution", "board-state", "awake"}) | frozenset(
    {"go", "trip-level", "unread", "range", "look-behind", "heard", "sent"}
)
"""Events of every attempt, and how a reading came about: kept, but not told again."""
TAKEN_ON = frozenset({"override", "accepted"})
"""Events by which a person let through what the tool would have stopped at."""
BENCH_ITSELF = "the simulated bench"
NOTHING_WRONG = ("inspected", "all good")
"""Kind of event, and how its text begins, where an inspection found nothing."""

EVENT_WORDS = {
    "live": "not without volts",
    "leads": "supply leads",
    "left open": "found open",
}
"""Kind of event -> what it is called here, where the kind alone says too little; hyphens become blanks in any case."""


@click.command("history")
@click.argument("serial", metavar="SN")
@asked_logbook_option
@click.option("--real", "simulated", flag_value="real", help="Only what happened to the real unit.")
@click.option("--simulated", "simulated", flag_value="simulated", help="Only simulated attempts.")
@click.option("--serial-text", is_flag=True, help="Also all that came on the board's serial lines, with its time.")
@click.option("--procedure", metavar="NAME", help="Only attempts with this procedure.")
@click.option("--since", metavar="TIME", help="Only what happened since then, such as 2026-11-25.")
@click.option("--until", metavar="TIME", help="Only what happened by then (a date: its whole day).")
@output_options
def command(
    serial: str,
    logbook: AnyLogbook,
    simulated: str | None,
    serial_text: bool,
    procedure: str | None,
    since: str | None,
    until: str | None,
    form: str,
) -> None:
    """Tell one unit's whole story: attempts, what failed, notes, trips, overrides, corrected readings, reworks.

    As JSON everything is in one document; as JSON lines or CSV each thing that happened is a row.
    """
    lacking = say_what_waits(logbook)
    ends = (parse_time(since), parse_time(until, end_of_day=True))

    def ask(connection: Database) -> list[Story]:
        check_names(connection, Filters(procedure=procedure))
        found = history(connection, serial, simulated_asked(simulated))
        return [part_of(story, procedure, *ends) for story in found]

    stories = read(logbook, ask)
    said = said_in(logbook, stories) if serial_text else {}
    if form in ("json-lines", "csv"):
        rows = [row for story in stories for row in rows_of(story)]
        print_records([lacking.beside(row, serial) for row in rows], form, (*COLUMNS, FIELD))
    elif form == "json":
        told = {
            "serial": serial,
            "attempts": [
                attempt.as_story() | ({"serial_text": [each.as_json() for each in said[attempt.id]]} if said else {})
                for story in stories
                for attempt in story.attempts
            ],
            "notes": [note.as_json() | {"simulated": story.simulated} for story in stories for note in story.notes],
            "reworks": [each.as_json() for story in stories for each in story.beside.reworks],
            "observations": [each.as_json() for story in stories for each in story.beside.observations],
            "photos": [each.as_json() for story in stories for each in story.beside.photos],
            "dispositions": [each.as_json() for story in stories for each in story.beside.dispositions],
            "references": [each.as_json() for story in stories for each in story.beside.references],
            "changes": [each.as_json() for story in stories for each in story.effects],
        }
        print_json(lacking.beside(told, stories[0].serial))
    else:
        width = columns(unknown=None)
        say("\n\n".join("\n".join(folded(line, width) for line in _told(story, said)) for story in stories))


def said_in(logbook: AnyLogbook, stories: list[Story]) -> dict[str, list[LoggedText]]:
    """Return what came on serial lines, by attempt."""
    ids = [attempt.id for story in stories for attempt in story.attempts]
    return read(logbook, lambda connection: {each: line_texts(connection, each) for each in ids})


def _said(texts: list[LoggedText]) -> list[str]:
    """Tell what came on serial lines, each line with its time of day."""
    times = [f"{each.at.astimezone():%H:%M:%S.%f}"[:-3] for each in texts]
    return [
        f"{INDENT}{at} step {each.step or '-'} {each.line}: {each.text}" for at, each in zip(times, texts, strict=True)
    ]


def _told(story: Story, said: dict[str, list[LoggedText]]) -> list[str]:
    lines = _head(story)
    told = entries(story.attempts, story.notes, story.beside)
    inside = {attempt.id for attempt in story.attempts}
    outside = [entry for entry in told if entry.attempt not in inside]
    effects = {effect.attempt: effect for effect in story.effects}
    for number, attempt in enumerate(story.attempts):
        lines += [entry.line for entry in outside if entry.place == number]
        lines += ["", *_attempt(attempt, story.beside.dispositions), *_said(said.get(attempt.id, []))]
        lines += [f"{INDENT}{entry.line}" for entry in told if entry.attempt == attempt.id]
        if attempt.id in effects:
            lines += [f"{INDENT}{line}" for line in effect_lines(effects[attempt.id])]
    return lines + [entry.line for entry in outside if entry.place >= len(story.attempts)]


def _head(story: Story) -> list[str]:
    last = next((attempt for attempt in story.attempts if attempt.id == story.last), None)
    (board, revision), variant, lot = story.design, "", ""
    if last is not None:
        board, revision, variant, lot = last.board, last.revision, last.variant, last.lot
    design = f"{board}, revision {revision}" + (f", {variant}" if variant else "")
    lines = [f"{story.serial}  {design}" + (f", lot {lot}" if lot else "")]
    if story.simulated:
        lines.append(f"{SIMULATED}: none of this happened to a real unit.")
    return lines if last is not None else [*lines, "It was not run yet."]


def _attempt(attempt: LoggedAttempt, decided: tuple[LoggedDisposition, ...]) -> list[str]:
    current = [reading for reading in attempt.readings if not reading.replaced_by]
    head = f"{local_time(attempt.started)}  {attempt.procedure}: {result_text(attempt)}"
    lines = [f"{head}  {SIMULATED}" if attempt.simulated else head]
    count = f"{len(current)} reading{'' if len(current) == 1 else 's'}"
    corrected = len(attempt.readings) - len(current)
    count += f" and {corrected} corrected" if corrected else ""
    who = f"attempt {attempt.id[:ID_SHOWN]}, {count}, by {attempt.operator or 'nobody named'}"
    lines.append(f"{INDENT}{who} at {attempt.bench}{'' if attempt.attended else ', unattended'}")
    if attempt.cause:
        lines.append(f"{INDENT}cause: {attempt.cause}")
    if attempt.off_verified is False:
        lines.append(f"{INDENT}It is not known whether the outputs went off.")
    lines += [f"{INDENT}{text}" for text in links(attempt)]
    for step in attempt.steps:
        if step.outcome is StepOutcome.LEFT_OUT:
            by = f" by {step.who}" if step.who else ""
            lines.append(f"{INDENT}step {step.step} {step.title or step.kind}: left out{by}: {step.why}")
    failed = [reading for reading in current if reading.reading.result in MISSED]
    lines += [f"{INDENT}{with_waiver(failure_text(each), waiver_of(each.reading, decided))}" for each in failed]
    lines += _corrections(attempt.readings)
    told = [event for event in attempt.events if worth_telling(event) and not _said_by(attempt.cause, event)]
    lines += [f"{INDENT}{_event(event, attempt)}" for event in told]
    return lines


def _event(event: LoggedEvent, attempt: LoggedAttempt) -> str:
    """Tell an event; what somebody took on themselves with its time and who it was."""
    kind = EVENT_WORDS.get(event.kind, event.kind.replace("-", " "))
    if event.kind not in TAKEN_ON:
        return f"{kind}: {event.text}"
    by = event.data.get("given by", "")
    who = by if by == BENCH_ITSELF else attempt.operator or "nobody named"
    return f"{kind}, {local_time(event.at)}, by {who}: {event.text}"


def worth_telling(event: LoggedEvent) -> bool:
    """Whether an event is more than what happens in every attempt."""
    kind, beginning = NOTHING_WRONG
    return event.kind not in ROUTINE_EVENTS and not (event.kind == kind and event.text.startswith(beginning))


def _said_by(cause: str, event: LoggedEvent) -> bool:
    """Whether the cause, which stands above, says the same sentence."""
    said = event.text.strip().rstrip(".")
    return bool(said) and said in cause


def _corrections(readings: tuple[LoggedReading, ...]) -> list[str]:
    """Tell what was typed first and what it was corrected to."""
    by_id = {logged.reading.id: logged.reading for logged in readings}
    lines = []
    for logged in readings:
        old = by_id.get(logged.reading.replaces or "")
        if old is not None:
            new = logged.reading
            why = f" ({new.note})" if new.note else ""
            lines.append(f"{INDENT}corrected: {new.point or ''} {new.kind} {value_text(old)} -> {value_text(new)}{why}")
    return lines
