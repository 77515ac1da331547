"""Whether the bench has the serial lines that the steps listen to. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.bench import Bench
from bringup.core.finding import Finding
from bringup.core.listening import Listen
from bringup.core.procedure import Log, Procedure, Step
from bringup.core.wording import listed


def lines_of(procedure: Procedure) -> tuple[str, ...]:
    """Return the names of the serial lines that the steps listen to, each once."""
    return tuple(dict.fromkeys(line for step in procedure.steps for line in _heard_in(step)))


def _heard_in(step: Step) -> tuple[str, ...]:
    """Return the lines that a step listens to."""
    if isinstance(step.action, Listen):
        return (step.action.line,)
    return tuple(each.line for each in step.action.heard) if isinstance(step.action, Log) else ()


def examine_lines(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """Find steps that listen to a line that the bench file does not name."""
    has = f"it has {listed(bench.lines)}" if bench.lines else "it has none"
    for step in procedure.steps:
        for line in dict.fromkeys(_heard_in(step)):
            if line not in bench.lines:
                yield Finding(
                    step.index,
                    f"the bench has no serial line called {line!r}; {has}",
                    f"Name it in the bench file: `serial_lines: {{{line}: {{port: /dev/ttyUSB0, serial_port: "
                    "{baud: 115200, dtr: off, rts: off}}}`.",
                    refused=True,
                )
