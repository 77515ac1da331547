"""A long attempt in simulated time: what it takes of memory and disk, and whether others can read meanwhile.

    python tests/benchmarks/soak.py [HOURS] [--short] [--sync] [--untraced] [--folder FOLDER]

The default is 8 hours of a `log` of two quantities at 5 Hz (about a quarter of an hour of wall time); `--short` is 20
minutes. Commits do not wait for the disk unless `--sync` is given: what grows is the same, and a simulated clock has
no use for the time. `--untraced` counts the pieces of memory that Python gives out (512 bytes at most, each) instead of
their bytes, and is four times as fast. Prints a Markdown table; returns 1 if a bound is broken.
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from tests.benchmarks.machine import facts
from tests.soaking import EVERY, MIB, SETTLED_AFTER, Soak, soak

MOST_GROWTH = 5 * MIB
MOST_BEND = 0.05
PIECE = 512
"""Most bytes that one of Python's small pieces of memory has; where bytes are not counted, each counts as this."""
CLOSE = 1e-12
"""Part by which a statistic may differ from that of the whole list."""


def main(arguments: Sequence[str]) -> int:
    """Run it; returns 1 if a bound is broken."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("hours", nargs="?", type=float, default=8.0)
    parser.add_argument("--short", action="store_true", help="20 simulated minutes")
    parser.add_argument("--sync", action="store_true", help="have every commit wait for the disk, as in an attempt")
    parser.add_argument("--untraced", action="store_true", help="count pieces of memory instead of bytes")
    parser.add_argument("--folder", type=Path, default=None, help="where the logbook is made; default: a temporary one")
    asked = parser.parse_args(arguments)
    minutes = 20 if asked.short else round(60 * asked.hours)
    print(facts(), flush=True)
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        logbook = Path(folder, "bringup.db")
        begun = time.perf_counter()
        found = soak(logbook, minutes, rails=True, sync=asked.sync, trace=not asked.untraced)
        took = time.perf_counter() - begun
        broken = [*report(found, took), *wrong_statistics(found, logbook)]
    for text in broken:
        print(f"BROKEN: {text}")
    return 1 if broken else 0


def report(found: Soak, took: float) -> Iterator[str]:
    """Print the table; yield what breaks a bound."""
    assert found.outcome is not None, "the soak ended"
    marks = found.marks
    print(f"\n{marks[-1].minute} simulated minutes at {1 / EVERY:g} Hz in {took:.0f} s: {found.outcome.result}\n")
    print("| simulated | samples seen by another connection | logbook | written ahead | Python | pieces | resident |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    step = 60 if marks[-1].minute > 60 else 5
    shown = [mark for mark in marks if mark.minute in (SETTLED_AFTER, marks[-1].minute) or mark.minute % step == 0]
    for mark in shown:
        cells = (
            f"{mark.minute} min",
            f"{mark.samples:,}",
            *(f"{size / MIB:.2f} MiB" for size in (mark.logbook, mark.ahead)),
            f"{mark.traced / MIB:.2f} MiB" if mark.traced else "not counted",
            f"{mark.blocks:,}",
            f"{mark.resident / MIB:.2f} MiB",
        )
        print(f"| {' | '.join(cells)} |")
    resident, bend = found.growth("resident"), found.worst_bend()
    traced = found.growth("traced") or PIECE * found.growth("blocks")
    rate = found.per_hour()
    print(f"\n- memory growth after minute {SETTLED_AFTER}: {traced / MIB:.2f} MiB given out by Python, "
          f"{resident / MIB:.2f} MiB resident (bound {MOST_GROWTH / MIB:g} MiB)")  # fmt: skip
    samples_an_hour = 60 * (marks[-1].samples - marks[0].samples) / (marks[-1].minute - marks[0].minute)
    print(f"- the logbook grows by {rate:,.0f} bytes an hour ({rate / samples_an_hour:.0f} a sample, polls included), "
          f"at most {100 * bend:.1f} % off a straight line (bound {100 * MOST_BEND:g} %)")  # fmt: skip
    print(f"- read while it went: `bringup readings` and `bringup attempts` ({found.listed} characters), "
          f"and a count of samples each of {len(marks)} minutes")  # fmt: skip
    if found.outcome.result.value != "passed":
        yield f"the attempt did not pass: {found.outcome.cause}"
    for what, grown in (("Python's memory", traced), ("resident memory", resident)):
        if grown > MOST_GROWTH:
            yield f"{what} grew by {grown / MIB:.2f} MiB"
    if bend > MOST_BEND:
        yield f"the logbook's growth is {100 * bend:.1f} % off a straight line"
    steps = {after.samples - before.samples for before, after in pairwise(marks)}
    if min(steps) <= 0:
        yield "another connection saw no new samples for a minute"
    if not found.listed:
        yield "nothing was listed while it went"


def wrong_statistics(found: Soak, logbook: Path) -> Iterator[str]:
    """Compare what the log summed up with Python's statistics of all its samples; yield what differs."""
    assert found.outcome is not None, "the soak ended"
    with closing(sqlite3.connect(logbook)) as connection:
        rows = connection.execute("SELECT channel, value FROM samples WHERE value IS NOT NULL").fetchall()
    for channel, point in (("VIN current", "VIN"), ("3V3", "3V3")):
        values = [value for name, value in rows if name == channel]
        expected = {
            "minimum": min(values),
            "maximum": max(values),
            "mean": statistics.mean(values),
            "standard deviation": statistics.stdev(values),
        }
        summed = {each.aspect: each.value for each in found.outcome.readings if each.step == 1 and each.point == point}
        for aspect, right in expected.items():
            value = summed.get(aspect)
            if value is None or abs(value - right) > CLOSE * abs(right):
                yield f"{channel} {aspect} is {value!r}, of all {len(values)} samples it is {right!r}"
        print(f"- {channel}: minimum, maximum, mean and standard deviation of {len(values):,} samples compared")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
