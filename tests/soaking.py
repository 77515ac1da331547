"""A long `log` on the simulated bench, in simulated time, into a real logbook that others read meanwhile.

Shared by the short soak of the suite and by benchmarks/soak.py. What is looked at every simulated minute: memory
(allocated by Python, and resident), the files of the logbook, and what another connection finds in it.
"""

from __future__ import annotations

import gc
import io
import os
import sys
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path

from bringup.commands.main import main
from bringup.core.procedure import Channel, Log, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import Kind
from bringup.logbook.opening import open_for_writing
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.runner.setup import AttemptOutcome
from bringup.terminal.plain import PlainView
from tests.fakes import SEEN, picked, simulated_bench, with_steps

EVERY = 0.2
MIB = 1 << 20
SETTLED_AFTER = 3
"""Minutes after which memory may not grow any more: caches are filled, the view's queue has its length."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One look, in bytes and rows. `samples`: as another connection finds them."""

    minute: int
    blocks: int
    """Pieces of memory that Python has given out: a list that keeps something of every sample shows here."""
    traced: int
    """Bytes that Python has given out since the start; 0 where they are not counted."""
    resident: int
    logbook: int
    ahead: int
    samples: int


@dataclass(slots=True)
class Soak:
    """What came of it."""

    marks: list[Mark] = field(default_factory=list)
    outcome: AttemptOutcome | None = None
    listed: int = 0
    """Characters that `bringup readings` and `bringup attempts` printed while the attempt was going."""

    def growth(self, what: str) -> int:
        """Most by which 'blocks', 'traced' or 'resident' ever stood above what it was once settled."""
        values = [int(getattr(mark, what)) for mark in self.marks if mark.minute >= SETTLED_AFTER]
        return max(values) - values[0]

    def per_hour(self) -> float:
        """Bytes of logbook (write-ahead file aside) that an hour adds, once it is settled."""
        first, last = self.marks[SETTLED_AFTER - 1], self.marks[-1]
        return 60.0 * (last.logbook - first.logbook) / (last.minute - first.minute)

    def worst_bend(self) -> float:
        """Largest distance of the logbook's size from the straight line, as a part of the whole growth."""
        first, last = self.marks[SETTLED_AFTER - 1], self.marks[-1]
        slope = (last.logbook - first.logbook) / (last.minute - first.minute)
        settled = self.marks[SETTLED_AFTER - 1 :]
        off = (abs(mark.logbook - first.logbook - slope * (mark.minute - first.minute)) for mark in settled)
        return max(off) / (last.logbook - first.logbook)


class Forgetful(list[str]):
    """Keeps nothing: the in-memory carrier notes every message, which is no part of what is measured."""

    def append(self, text: str) -> None:
        """Forget it."""


def soak(logbook: Path, minutes: int, *, rails: bool = False, trace: bool = True, sync: bool = True) -> Soak:
    """Log the input current (and 3V3, with `rails`) five times a second for so many simulated minutes.

    `trace` counts bytes, which takes four times as long. Without `sync` commits do not wait for the disk: the same
    files grow to the same size, but a power cut would lose the last of them.
    """
    found = Soak()
    channels = [Channel("VIN", Kind.CURRENT, "VIN current")]
    if rails:
        channels.append(Channel("3V3", Kind.VOLTAGE, "3V3"))
    log = Log(tuple(channels), parse_quantity(f"{60 * minutes} s"), parse_quantity(f"{1000 * EVERY:g} ms"))
    bench = simulated_bench(with_steps(*picked("apply").steps, Step(0, log), *picked("power_off").steps), history=SEEN)
    bench.supply_link.sent, bench.meter_link.sent = Forgetful(), Forgetful()
    begun: list[float] = []

    def look() -> None:
        minute = len(found.marks) + 1
        found.marks.append(_mark(logbook, minute))
        if minute in (1, (minutes + 1) // 2):
            # Once early on, too: what it imports is no growth.
            found.listed = _listed(logbook)
        if minute < minutes:
            bench.clock.at(begun[0] + 60.0 * (minute + 1), look, wakes=False)

    opened = open_for_writing(logbook)
    if not sync:
        opened.connection.execute("PRAGMA synchronous = OFF")
    with _view() as view, tracing(really=trace), LogbookRecord(opened, simulated=True) as record:
        begun.append(bench.clock.monotonic())
        bench.clock.at(begun[0] + 60.0, look, wakes=False)
        found.outcome = bench.run(record=record, tell=view.tell)
    return found


@contextmanager
def _view() -> Iterator[PlainView]:
    """The plain view of a pipe that nobody reads."""
    with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
        view = PlainView(nowhere)
        view.start()
        try:
            yield view
        finally:
            view.close()


@contextmanager
def tracing(*, really: bool) -> Iterator[None]:
    """Count the bytes that Python allocates."""
    if really:
        tracemalloc.start()
    try:
        yield
    finally:
        tracemalloc.stop()


def _mark(logbook: Path, minute: int) -> Mark:
    samples = read(logbook, lambda connection: int(connection.execute("SELECT count(*) FROM samples").fetchone()[0]))
    gc.collect()
    ahead = logbook.with_name(f"{logbook.name}-wal")
    return Mark(
        minute,
        sys.getallocatedblocks(),
        tracemalloc.get_traced_memory()[0],
        resident(),
        logbook.stat().st_size,
        ahead.stat().st_size if ahead.exists() else 0,
        samples,
    )


def resident() -> int:
    """Bytes of this process in memory; 0 where the system does not say so simply."""
    if not sys.platform.startswith("linux"):
        return 0
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def _listed(logbook: Path) -> int:
    said = io.StringIO()
    with redirect_stdout(said):
        for command in ("readings", "attempts"):
            code = main([command, "--logbook", str(logbook)])
            assert code == 0, said.getvalue()
    return len(said.getvalue())
