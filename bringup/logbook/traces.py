"""What was recorded over time in an attempt: looks at the supply, samples, beginnings of steps; its sources."""

from __future__ import annotations

import json
from collections.abc import Callable

from bringup.core.frozen import frozen
from bringup.core.outputs import words_of
from bringup.logbook.database import Database

Course = tuple[tuple[float, float | None], ...]
"""Seconds since the attempt began, and the value then; None where there was none."""


@frozen
class Trace:
    """One quantity over time. `step`: of a `log`, counted from 1; None for looks at the supply."""

    name: str
    unit: str
    course: Course
    step: int | None = None


@frozen
class Mark:
    """A mark of a `log`: in which step, how many seconds after the attempt began, its name."""

    step: int
    at: float
    name: str


@frozen
class Instrument:
    """An instrument as the attempt found it; '' for what is not known."""

    role: str
    identity: str
    resource: str
    dialect: str
    calibration_due: str
    simulated: bool
    by_hand: bool


@frozen
class Source:
    """A file as it was when the attempt began."""

    kind: str
    path: str
    sha256: str
    content: str


POLLS = """
SELECT p.output, p.monotonic - a.monotonic AS at, p.volts, p.amps
  FROM polls p JOIN attempts a ON a.id = p.attempt WHERE p.attempt = :attempt ORDER BY p.output, p.monotonic, p.seq
"""
SAMPLES = """
SELECT s.step, s.channel, s.unit, s.monotonic - a.monotonic AS at, s.value
  FROM samples s JOIN attempts a ON a.id = s.attempt
 WHERE s.attempt = :attempt ORDER BY s.step, s.channel, s.monotonic, s.seq
"""
BEGINNINGS = """
SELECT s.step, s.monotonic - a.monotonic AS at FROM steps s JOIN attempts a ON a.id = s.attempt
 WHERE s.attempt = :attempt AND s.monotonic IS NOT NULL ORDER BY s.step
"""
MARKS = """
SELECT e.step, e.monotonic, a.monotonic AS began, e.data
  FROM events e JOIN attempts a ON a.id = e.attempt
 WHERE e.attempt = :attempt AND e.kind = 'mark' AND e.data IS NOT NULL AND e.step IS NOT NULL ORDER BY e.seq
"""
INSTRUMENTS = "SELECT i.* FROM instruments i WHERE i.attempt = :attempt ORDER BY i.role"
SUPPLIES = """
SELECT i.role FROM instruments i
 WHERE i.attempt = :attempt AND (i.role = 'supply' OR i.role LIKE 'supply %')
"""
SOURCES = """
SELECT u.kind, u.path, u.sha256, s.content FROM attempt_sources u JOIN sources s ON s.sha256 = u.sha256
 WHERE u.attempt = :attempt ORDER BY u.kind DESC, u.path
"""


def supply_traces(connection: Database, attempt: str) -> list[Trace]:
    """Return volts, amps and watts of each output that was looked at. Watts are the product of one look."""
    courses: dict[tuple[int, str, str], list[tuple[float, float | None]]] = {}
    called = output_names(connection, attempt)
    for row in connection.execute(POLLS, {"attempt": attempt}):
        volts, amps = row["volts"], row["amps"]
        watts = None if volts is None or amps is None else volts * amps
        for name, unit, value in (("voltage", "V", volts), ("current", "A", amps), ("power", "W", watts)):
            courses.setdefault((row["output"], name, unit), []).append((row["at"], value))
    names = {output: f"{said}," if " of " in (said := called(output)) else said for output, _, _ in courses}
    return [Trace(f"{names[at]} {what}", unit, tuple(course)) for (at, what, unit), course in courses.items()]


def output_names(connection: Database, attempt: str) -> Callable[[int], str]:
    """Return what says 'output 1', or which of several supplies it is of: 'output 1 of the supply bias'."""
    names = [row["role"] for row in connection.execute(SUPPLIES, {"attempt": attempt})]
    return lambda output: words_of(output, names)


def log_traces(connection: Database, attempt: str) -> list[Trace]:
    """Return what each `log` sampled. Of two of one moment the later one counts: it puts the other right."""
    courses: dict[tuple[int, str, str], dict[float, float | None]] = {}
    for row in connection.execute(SAMPLES, {"attempt": attempt}):
        courses.setdefault((row["step"], row["channel"], row["unit"]), {})[row["at"]] = row["value"]
    return [Trace(name, unit, tuple(course.items()), step) for (step, name, unit), course in courses.items()]


def beginnings(connection: Database, attempt: str) -> list[tuple[int, float]]:
    """Return each step that began, counted from 1, and after how many seconds."""
    return [(row["step"], row["at"]) for row in connection.execute(BEGINNINGS, {"attempt": attempt})]


def marks(connection: Database, attempt: str) -> list[Mark]:
    """Return the marks set in logs. What the board said has the moment at which it came, not that of the event."""
    found = []
    for row in connection.execute(MARKS, {"attempt": attempt}):
        data = json.loads(row["data"])
        at = float(data.get("at", row["monotonic"])) - row["began"]
        found.append(Mark(row["step"], at, str(data.get("mark", ""))))
    return sorted(found, key=lambda mark: mark.at)


def instruments(connection: Database, attempt: str) -> list[Instrument]:
    """Return the instruments of the attempt."""
    return [
        Instrument(
            row["role"],
            row["identity"] or "",
            row["resource"],
            row["dialect"],
            row["calibration_due"] or "",
            bool(row["simulated"]),
            bool(row["by_hand"]),
        )
        for row in connection.execute(INSTRUMENTS, {"attempt": attempt})
    ]


def sources(connection: Database, attempt: str) -> list[Source]:
    """Return the files of the attempt, the procedure first."""
    return [Source(*row) for row in connection.execute(SOURCES, {"attempt": attempt})]
