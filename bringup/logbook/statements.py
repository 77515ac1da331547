"""What each record of an attempt becomes as SQL: a statement and its values. Pure; record.py executes them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import datetime

from bringup.core.limits import Limits
from bringup.core.reading import Reading, new_id
from bringup.core.words import AttemptResult, StepOutcome
from bringup.errors import LogbookError
from bringup.logbook.processes import Process
from bringup.logbook.values import decimal_columns, flag, number, storable, storable_or_none, time_text
from bringup.runner.records import AttemptStart, InstrumentInfo, LineText, PollSample, SourceText

Values = tuple[str | int | float | bytes | None, ...]
Statement = tuple[str, Values]


def insert(table: str, columns: str, tail: str = "") -> str:
    """Return an INSERT of these columns. `tail`: what to do about a row that is there already."""
    names = columns.split()
    marks = ", ".join("?" * len(names))
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks}){tail}"  # noqa: S608 - words of ours only


UNIT = insert(
    "units",
    "serial simulated board revision variant lot",
    " ON CONFLICT (serial, simulated) DO UPDATE SET revision = excluded.revision, variant = excluded.variant,"
    " lot = CASE WHEN excluded.lot = '' THEN units.lot ELSE excluded.lot END",
)
ATTEMPT = insert(
    "attempts",
    "id serial simulated procedure board revision variant lot bench operator attended started tool_version ambient"
    " fixture monotonic host boot process process_started continues",
)
STEP = insert("steps", "attempt step kind title outcome", " ON CONFLICT (attempt, step) DO NOTHING")
INSTRUMENT = insert(
    "instruments",
    "attempt role resource dialect identity maker model serial firmware calibration_due simulated by_hand",
)
SOURCE = insert("sources", "sha256 content", " ON CONFLICT (sha256) DO NOTHING")
ATTEMPT_SOURCE = insert("attempt_sources", "attempt kind path sha256")
READING = insert(
    "readings",
    "id attempt step rail quantity aspect value unit limits limits_from nominal nominal_text low low_text high"
    " high_text result decision_rule uncertainty at monotonic instrument raw how resolution board_state"
    " input_volts input_amps unsettled lowest highest note replaces meter_range limits_basis"
    " coverage_factor degrees_of_freedom uncertainty_from conformance",
)
SAMPLE = insert("samples", "attempt step channel unit at monotonic value raw")
POLL = insert("polls", "attempt monotonic output volts amps is_on mode set_volts set_amps tripped fault")
LINE_TEXT = insert("line_texts", "attempt step line at monotonic content")
STEP_BEGUN = "UPDATE steps SET outcome = NULL, started = ?, monotonic = ? WHERE attempt = ? AND step = ?"
STEP_ENDED = "UPDATE steps SET outcome = ?, result = ?, why = ?, who = ?, ended = ? WHERE attempt = ? AND step = ?"
STEP_CARRIED = "UPDATE steps SET outcome = ?, result = 'pass', carried_from = ? WHERE attempt = ? AND step = ?"
END = "UPDATE attempts SET result = ?, cause = ?, ended = ?, off_verified = ? WHERE id = ?"
NOTE = insert("notes", "id serial simulated attempt step at who content")
EVENT = insert("events", "attempt step kind content at monotonic data")


def place(step: int) -> int:
    """Return the number of a step as stored and shown, from its index."""
    return step + 1


def attempt_statements(attempt: str, start: AttemptStart, process: Process) -> list[Statement]:
    """Everything that is known when an attempt begins."""
    simulated = int(start.simulated)
    design = tuple(storable(text) for text in (start.board, start.revision, start.variant, start.lot))
    row: Values = (
        attempt,
        storable(start.serial),
        simulated,
        storable(start.procedure),
        *design,
        storable(start.bench),
        storable(start.operator),
        int(start.attended),
        time_text(start.started),
        start.tool_version,
        number(start.ambient, "the ambient temperature"),
        storable(start.fixture),
        number(start.monotonic, "the attempt's monotonic time"),
        process.host,
        process.boot,
        process.number,
        process.started,
        start.continues,
    )
    made: list[Statement] = [(UNIT, (storable(start.serial), simulated, *design)), (ATTEMPT, row)]
    made += [
        step_statement(attempt, index, kind, title, "not reached") for index, (kind, title) in enumerate(start.steps)
    ]
    made += [
        (STEP_CARRIED, (StepOutcome.DONE, origin, attempt, place(index))) for index, origin in start.carried.items()
    ]
    made += [instrument_statement(attempt, info) for info in start.instruments]
    for source in start.sources:
        made += source_statements(attempt, source)
    return made


def step_statement(attempt: str, index: int, kind: str, title: str, outcome: str | None) -> Statement:
    """One step of an attempt."""
    return STEP, (attempt, place(index), storable(kind), storable(title), outcome)


def step_begun_statement(attempt: str, index: int, at: datetime, monotonic: float) -> Statement:
    """A step begins: from here to its end its outcome is open."""
    return STEP_BEGUN, (time_text(at), number(monotonic, "the monotonic time"), attempt, place(index))


def step_ended_statement(
    attempt: str, index: int, outcome: StepOutcome, result: str, at: datetime, why: str, who: str
) -> Statement:
    """A step ended."""
    return STEP_ENDED, (outcome, result, storable(why), storable(who), time_text(at), attempt, place(index))


def end_statement(
    attempt: str, result: AttemptResult, cause: str, at: datetime, off_verified: bool | None
) -> Statement:
    """The attempt ended."""
    return END, (result, storable(cause), time_text(at), flag(off_verified), attempt)


def note_statement(
    unit: tuple[str, bool, str | None], step: int | None, at: datetime, who: str, text: str
) -> Statement:
    """A note. `unit`: serial number, whether simulated, attempt."""
    serial, simulated, attempt = unit
    number_of_step = None if step is None else place(step)
    return NOTE, (
        new_id(),
        storable(serial),
        int(simulated),
        attempt,
        number_of_step,
        time_text(at),
        storable(who),
        storable(text),
    )


def instrument_statement(attempt: str, info: InstrumentInfo) -> Statement:
    """One instrument as it took part."""
    identity = info.identity
    fields: Values = (None,) * 5
    if identity is not None:
        words = (identity.text, identity.maker, identity.model, identity.serial, identity.firmware)
        fields = tuple(storable(word) for word in words)
    due = info.calibration_due.isoformat() if info.calibration_due else None
    return INSTRUMENT, (
        attempt,
        storable(info.role),
        storable(info.resource),
        storable(info.dialect),
        *fields,
        due,
        int(info.simulated),
        int(info.by_hand),
    )


def source_statements(attempt: str, source: SourceText) -> list[Statement]:
    """A file's text, once per content, and that this attempt used it."""
    content = storable(source.text)
    digest = hashlib.sha256(content.encode()).hexdigest()
    return [
        (SOURCE, (digest, content)),
        (ATTEMPT_SOURCE, (attempt, source.kind, storable(source.path), digest)),
    ]


def reading_statement(attempt: str, reading: Reading) -> Statement:
    """One reading. Raises LogbookError for what is not finite, or limits in another unit than the value's."""
    name = f"{reading.point or 'a reading'} {reading.kind}"
    return READING, (
        reading.id,
        attempt,
        place(reading.step),
        storable_or_none(reading.point),
        reading.kind,
        storable(reading.aspect),
        number(reading.value, f"{name}: the value"),
        reading.unit,
        *_limit_columns(reading.limits, reading, name),
        reading.result,
        storable(reading.decision_rule),
        number(reading.uncertainty, f"{name}: the uncertainty"),
        time_text(reading.at),
        number(reading.monotonic, f"{name}: the monotonic time"),
        storable(reading.instrument),
        storable(reading.raw),
        reading.how,
        number(reading.resolution, f"{name}: the resolution"),
        storable_or_none(reading.board_state),
        number(reading.input_volts, f"{name}: the input voltage"),
        number(reading.input_amps, f"{name}: the input current"),
        int(reading.unsettled),
        number(reading.lowest, f"{name}: the lowest value"),
        number(reading.highest, f"{name}: the highest value"),
        storable(reading.note),
        storable_or_none(reading.replaces),
        number(reading.meter_range, f"{name}: the meter's range"),
        storable(reading.limits_basis) or None,
        number(reading.coverage_factor, f"{name}: the coverage factor"),
        number(reading.degrees_of_freedom, f"{name}: the degrees of freedom"),
        storable(reading.uncertainty_from) or None,
        number(reading.conformance, f"{name}: the probability of conformance"),
    )


def _limit_columns(limits: Limits | None, reading: Reading, name: str) -> Values:
    if limits is None:
        return (None, reading.limits_from, *(None,) * 6)
    if limits.unit != reading.unit:
        raise LogbookError(f"{name}: limits in {limits.unit} on a value in {reading.unit}")
    columns: Values = (storable(limits.text), reading.limits_from)
    for value, what in ((limits.nominal, "nominal value"), (limits.low, "lower limit"), (limits.high, "upper limit")):
        columns += decimal_columns(value, f"{name}: the {what}")
    return columns


def sample_statement(
    attempt: str, step: int, channel: str, unit: str, at: datetime, monotonic: float, value: float | None, raw: str
) -> Statement:
    """One sample of a log."""
    return SAMPLE, (
        attempt,
        place(step),
        storable(channel),
        unit,
        time_text(at),
        number(monotonic, f"{channel}: the monotonic time"),
        number(value, f"{channel}: the value"),
        storable(raw),
    )


def poll_statement(attempt: str, poll: PollSample) -> Statement:
    """One look at the supply."""
    name = f"output {poll.output}"
    return POLL, (
        attempt,
        number(poll.monotonic, f"{name}: the monotonic time"),
        poll.output,
        number(poll.volts, f"{name}: the voltage"),
        number(poll.amps, f"{name}: the current"),
        flag(poll.on),
        poll.mode,
        number(poll.set_volts, f"{name}: the set voltage"),
        number(poll.set_amps, f"{name}: the set current"),
        storable_or_none(poll.tripped),
        poll.fault,
    )


def line_text_statement(attempt: str, text: LineText) -> Statement:
    """What came on a serial line."""
    step = None if text.step is None else place(text.step)
    moment = number(text.monotonic, f"{text.line}: the monotonic time")
    return LINE_TEXT, (attempt, step, storable(text.line), time_text(text.at), moment, storable(text.content))


def event_statement(
    attempt: str,
    step: int | None,
    kind: str,
    text: str,
    at: datetime,
    monotonic: float,
    data: Mapping[str, str] | None,
) -> Statement:
    """Something that happened."""
    return EVENT, (
        attempt,
        None if step is None else place(step),
        storable(kind),
        storable(text),
        time_text(at),
        number(monotonic, f"{kind}: the monotonic time"),
        storable(json.dumps(dict(data), ensure_ascii=False)) if data else None,
    )
