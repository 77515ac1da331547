"""Whether the bench has the serial lines that the steps listen to. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.bench import Bench
from bringup.core.finding import Finding
from bringup.core.listening import Listen
from bringup.core.procedure import Procedure
from bringup.core.wording import listed


def lines_of(procedure: Procedure) -> tuple[str, ...]:
    """Return the names of the serial lines that the steps listen to, each once."""
    return tuple(dict.fromkeys(step.action.line for step in procedure.steps if isinstance(step.action, Listen)))


def examine_lines(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """Find steps that listen to a line that the bench file does not name."""
    for step in procedure.steps:
        if not isinstance(step.action, Listen) or step.action.line in bench.lines:
            continue
        has = f"it has {listed(bench.lines)}" if bench.lines else "it has none"
        yield Finding(
            step.index,
            f"the bench has no serial line called {step.action.line!r}; {has}",
            f"Name it in the bench file: `serial_lines: {{{step.action.line}: {{port: /dev/ttyUSB0, serial_port: "
            "{baud: 115200, dtr: off, rts: off}}}`.",
            refused=True,
        )
