"""`--trace FILE`: what is said to the instruments and by them, and what the person answers, in a file to be mailed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bringup import __version__
from bringup.commands.saying import say

if TYPE_CHECKING:
    from bringup.host.traffic_file import TrafficFile
    from bringup.runner.protocols import Ask, Line, Photos
    from bringup.runner.records import Interruption

F = TypeVar("F", bound=Callable[..., Any])


def trace_option(function: F) -> F:
    """Add `--trace FILE`; the function receives `trace: Path | None`."""
    return click.option(
        "--trace",
        metavar="FILE",
        default=None,
        type=click.Path(path_type=Path),
        help="Write every message to and from the instruments into a new text file, to be sent along with the report "
        "of a problem. Serial numbers and what is typed are in it.",
    )(function)


def replay_option(function: F) -> F:
    """Add `--replay FILE`; the function receives `replay: Path | None`."""
    return click.option(
        "--replay",
        metavar="FILE",
        default=None,
        type=click.Path(dir_okay=False, path_type=Path),
        help="Open no instrument: take their answers, and the person's, from a file of --trace, and say at the first "
        "message that is another one than then. Kept as simulated, in a logbook of its own.",
    )(function)


@contextmanager
def tracing(path: Path | None, command: str) -> Iterator[TrafficFile | None]:
    """Keep a trace while the context lasts, if a file is named. Raises CommandError where it cannot be begun."""
    if path is None:
        yield None
        return
    from bringup.host.traffic_file import begin

    trace = begin(path, f"bringup {__version__}: {command}")
    try:
        yield trace
    finally:
        trace.close()
        if trace.trouble:
            say(trace.trouble, err=True)


def noted_by(trace: TrafficFile) -> tuple[Callable[[Interruption], None], Callable[[], None]]:
    """Return what keeps interruptions in the trace, and ends of waits."""
    return (
        lambda interruption: trace.note("person", "interrupted", data=interruption.value.encode()),
        lambda: trace.note("tool", "woke"),
    )


def traced_lines(lines: Mapping[str, Line], trace: TrafficFile | None) -> Mapping[str, Line]:
    """Return the serial lines as given, what is said on them kept in the trace if there is one."""
    if trace is None or not lines:
        return lines
    from bringup.instruments.traced_line import TracedLine, names_in_traces

    return {name: TracedLine(lines[name], who, trace.note) for name, who in names_in_traces(lines).items()}


def traced_photos(photos: Photos, trace: TrafficFile | None) -> Photos:
    """Return where photos come from as given, what is found there kept in the trace if there is one."""
    if trace is None:
        return photos
    from bringup.host.traced_photos import TracedPhotos

    return TracedPhotos(photos, trace.note)


def traced_ask(ask: Ask, trace: TrafficFile | None) -> Ask:
    """Return the person as given, what is asked and answered kept in the trace if there is one."""
    if trace is None:
        return ask
    from bringup.terminal.traced_person import TracedPerson

    return TracedPerson(ask, trace.note)
