"""The serial lines of an attempt: opened before power, closed when it has ended."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager

from bringup.core.bench import Bench
from bringup.instruments.line_reader import LineReader
from bringup.instruments.line_streams import opener_of


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
