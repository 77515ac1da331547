"""The serial lines of an attempt: opened before power, closed when it has ended."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path

from bringup.core.bench import Bench
from bringup.core.serial_line import SerialLine
from bringup.errors import BenchError
from bringup.instruments.line_reader import LineReader
from bringup.instruments.line_streams import found_port, opener_of
from bringup.instruments.serial_library import system_ports


@contextmanager
def open_lines(bench: Bench, resources: Mapping[str, str], wake: Callable[[], None]) -> Iterator[dict[str, LineReader]]:
    """Open every serial line of the bench. Raises BenchError, nothing being powered, for one that is not there.

    `resources`: where a simulated board talks, by line. `wake` ends the runner's wait when text comes.
    """
    with ExitStack() as leave:
        opened = {}
        for name, line in bench.lines.items():
            opened[name] = reader = LineReader(
                opener_of(line, resources.get(name, "")),
                wake,
                time.monotonic,
                where=line.where,
                lent_to_programs=line.lent_to_programs,
                may_come_later=line.comes_with_power,
            )
            leave.callback(reader.close)
        yield opened


def where_lines_are(bench: Bench) -> dict[str, str]:
    """Return in words where every serial line is, none being opened: that may reset the board."""
    return {name: _where(line) for name, line in bench.lines.items()}


def _where(line: SerialLine) -> str:
    if line.adapter is not None:
        try:
            return f"{line.adapter} at {found_port(line, system_ports())}, not opened"
        except BenchError as error:
            return f"{error.message.partition(': ')[2]}. {error.what_to_do}"
    if line.port and os.name != "nt" and not Path(line.port).exists():
        return f"{line.port}, which is not there"
    return "the simulated board" if line.simulated else f"{line.where}, not opened"
