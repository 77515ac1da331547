"""What one recorded reading costs, against a bare sqlite3 insert and commit with the same sync setting.

Run by hand: `python -m tests.benchmarks.bench_record`. Prints medians and their ratio; both loops alternate in one
run on one disk, so that neither has the quieter half of it.
"""

from __future__ import annotations

import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from bringup.logbook.record import LogbookRecord
from tests.logbook_samples import start, volts

ROUNDS = 20
EACH = 50


def bare(path: Path) -> sqlite3.Connection:
    """Open a table of a few columns, without checks, indexes or references."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("CREATE TABLE readings (at TEXT, rail TEXT, value REAL, raw TEXT)")
    return connection


def timed(work: Callable[[], None]) -> list[float]:
    """Return the seconds that each of EACH calls took."""
    taken = []
    for _ in range(EACH):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return taken


def main() -> None:
    """Measure and print."""
    row = ("2026-11-25T09:04:05.123456Z", "3V3", 3.306, "+3.306000E+00")
    plain: list[float] = []
    kept: list[float] = []
    with (
        tempfile.TemporaryDirectory(dir=Path.cwd()) as folder,
        closing(bare(Path(folder, "bare.db"))) as connection,
        LogbookRecord.open(Path(folder, "bringup.db"), simulated=False) as record,
    ):
        record.begin(start())
        for _ in range(ROUNDS):
            plain += timed(lambda: _insert(connection, row))
            kept += timed(lambda: record.reading(volts()))
    bare_median, kept_median = statistics.median(plain), statistics.median(kept)
    print(f"bare insert and commit: median {bare_median * 1e3:.3f} ms of {len(plain)}")
    print(f"one recorded reading:   median {kept_median * 1e3:.3f} ms of {len(kept)}")
    print(f"ratio of medians {kept_median / bare_median:.2f}, of totals {sum(kept) / sum(plain):.2f}")


def _insert(connection: sqlite3.Connection, row: tuple[str, str, float, str]) -> None:
    connection.execute("INSERT INTO readings VALUES (?, ?, ?, ?)", row)


if __name__ == "__main__":
    main()
