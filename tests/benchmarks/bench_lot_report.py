"""A report on a lot of 500 units, as a process: its time and its peak of memory, beside a bare read of the same rows.

    python -m tests.benchmarks.bench_lot_report [--units 500] [--readings 25000]

Bounds: 10 s and 300 MiB. matplotlib draws the pictures; where it is missing that is said, and the figures are those of
a page without pictures.
"""

from __future__ import annotations

import argparse
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from tests.benchmarks.large_logbook import write_large
from tests.benchmarks.machine import as_installed

MOST_SECONDS, MOST_MEBIBYTES = 10.0, 300.0
UNITS, READINGS = 500, 25_000


def main() -> int:
    """Write the logbook, make the page, print the figures. Returns 1 where a bound is missed."""
    as_installed()
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=UNITS)
    parser.add_argument("--readings", type=int, default=READINGS)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        logbook, out = Path(folder) / "large.db", Path(folder) / "lot.html"
        write_large(logbook, asked.units, asked.readings)
        with closing(sqlite3.connect(logbook)) as connection:
            lot, units = connection.execute(
                "SELECT lot, count(DISTINCT serial) FROM attempts GROUP BY lot ORDER BY 2 DESC LIMIT 1"
            ).fetchone()
            began = time.perf_counter()
            rows = connection.execute(
                "SELECT r.* FROM readings r JOIN attempts a ON a.id = r.attempt WHERE a.lot = ?", (lot,)
            ).fetchall()
            bare = time.perf_counter() - began
        command = (
            sys.executable,
            "-m",
            "bringup",
            "report",
            "--lot",
            lot,
            "--logbook",
            str(logbook),
            "--out",
            str(out),
        )
        began = time.perf_counter()
        done = subprocess.run(command, check=True, capture_output=True, text=True)
        seconds = time.perf_counter() - began
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        size = out.stat().st_size / 2**20
    print(f"lot of {units} units, {len(rows):,} readings (read bare in {bare:.2f} s): page of {size:.1f} MiB")
    print(f"{seconds:.2f} s (bound {MOST_SECONDS:g} s), peak of {peak:.0f} MiB (bound {MOST_MEBIBYTES:g} MiB)")
    print(done.stderr, end="")
    return 0 if seconds <= MOST_SECONDS and peak <= MOST_MEBIBYTES else 1


if __name__ == "__main__":
    sys.exit(main())
