"""Reading what `--trace` wrote, all faults of the file at once."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from bringup.core.frozen import frozen
from bringup.core.traffic import FIRST_LINE, Event, read
from bringup.errors import FileError, Problem

BEGAN = "# began "
MOST_BYTES = 500_000_000
MOST_PROBLEMS = 20
"""Of more faults than these the rest is only counted."""


@frozen
class Traffic:
    """A trace as it was read."""

    path: str
    began: datetime
    events: tuple[Event, ...]
    cut: bool
    """Whether the last line is not whole: whoever wrote it was killed, or the disk was full. It is left out."""


def load_traffic(path: Path) -> Traffic:
    """Read a trace. Raises FileError with file, line and column."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise FileError([Problem(str(path), 0, 0, f"it is larger than {MOST_BYTES} bytes: this is no trace")])
        text = path.read_bytes().decode("latin-1")
    except OSError as error:
        raise FileError([Problem(str(path), 0, 0, f"it cannot be read: {error.strerror or error}")]) from error
    # A mail program may have changed the ends of the lines.
    lines = text.replace("\r\n", "\n").split("\n")
    cut = lines.pop() != ""
    problems = [] if lines and lines[0] == FIRST_LINE else [_problem(path, 1, lines, f"a trace begins: {FIRST_LINE}")]
    began = None if problems else _began(path, lines, problems)
    events = [] if problems else _events(path, lines, problems)
    if problems or began is None:
        raise FileError(problems)
    return Traffic(str(path), began, tuple(events), cut)


def _began(path: Path, lines: list[str], problems: list[Problem]) -> datetime | None:
    """Return the wall time of second 0."""
    said = lines[1].removeprefix(BEGAN) if len(lines) > 1 else ""
    try:
        began = datetime.fromisoformat(said)
    except ValueError:
        began = None
    if began is None or began.tzinfo is None:
        problems.append(_problem(path, 2, lines, f"here stands when it began: {BEGAN}2026-11-28T13:31:21.040415+00:00"))
        return None
    return began


def _events(path: Path, lines: list[str], problems: list[Problem]) -> list[Event]:
    events: list[Event] = []
    wrong = 0
    for number, line in enumerate(lines, 1):
        try:
            event = read(line, number)
        except ValueError as error:
            wrong += 1
            if wrong <= MOST_PROBLEMS:
                problems.append(_problem(path, number, lines, str(error)))
            continue
        if event is not None and event.what == "lost":
            problems.append(
                _problem(path, number, lines, f"{event.words} lines are missing here: nothing can follow it")
            )
        elif event is not None:
            events.append(event)
    if wrong > MOST_PROBLEMS:
        problems.append(Problem(str(path), 0, 0, f"{wrong - MOST_PROBLEMS} more lines are no lines of a trace"))
    return events


def _problem(path: Path, number: int, lines: list[str], message: str) -> Problem:
    source = lines[number - 1] if number <= len(lines) else ""
    return Problem(str(path), number, 1, message, source.encode("ascii", "backslashreplace").decode("ascii")[:200])
