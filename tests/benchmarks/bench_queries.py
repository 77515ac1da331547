"""What asking a large logbook costs beside a Python script with the same SQL written by hand, as whole processes.

    python -m tests.benchmarks.bench_queries [--units 20000] [--readings 1000000] [--times 9] [--logbook FILE ...]

Two logbooks, one with a tenth of the units, are written anew (minutes), or named with --logbook, the small one first.
Bounds: `readings --serial X --json` and `history X` 80 ms beyond the script, and 1.3 times as long with ten times
the readings; `spread RAIL` 1.5 times the script's SQL with the same statistics, imports taken off both; a lot's report
10 s and 300 MiB. Of each the shortest of several runs counts, for the machine may be busy.
"""

from __future__ import annotations

import argparse
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from tests.benchmarks.large_logbook import write_large
from tests.benchmarks.machine import as_installed

SMALLER = 10
MORE_SECONDS, GROWTH, SPREAD, LOT_SECONDS, LOT_MEBIBYTES = 0.080, 1.3, 1.5, 10.0, 300.0
RAIL = "3V3"

READINGS = """
import json, sqlite3
connection = sqlite3.connect({path!r})
connection.row_factory = sqlite3.Row
rows = connection.execute(
    "SELECT r.*, a.serial, a.procedure, a.board, a.revision, a.lot, a.operator, a.bench, s.kind, s.title, i.identity"
    " FROM attempts a JOIN readings r ON r.attempt = a.id JOIN steps s ON s.attempt = r.attempt AND s.step = r.step"
    " LEFT JOIN instruments i ON i.attempt = r.attempt AND i.role = r.instrument"
    " WHERE a.serial = ? AND a.simulated = 0 ORDER BY a.seq, r.monotonic", ({serial!r},))
print(json.dumps([dict(row) for row in rows], indent=2))
"""
HISTORY = """
import sqlite3
connection = sqlite3.connect({path!r})
for attempt in connection.execute("SELECT id, started, procedure, result, cause FROM attempts"
                                  " WHERE serial = ? AND simulated = 0 ORDER BY seq", ({serial!r},)).fetchall():
    print(*attempt)
    for table in ("readings", "steps", "events"):
        print(len(connection.execute(f"SELECT * FROM {{table}} WHERE attempt = ?", attempt[:1]).fetchall()))
for table in ("notes", "reworks", "photos", "observations", "dispositions"):
    print(connection.execute(f"SELECT * FROM {{table}} WHERE serial = ? AND simulated = 0", ({serial!r},)).fetchall())
"""
SPREAD_BY_HAND = """
SELECT a.serial, min(a.seq), r.value, r.low_text, r.high_text, r.at
  FROM attempts a JOIN readings r ON r.attempt = a.id JOIN steps s ON s.attempt = r.attempt AND s.step = r.step
 WHERE r.rail = ? AND r.quantity = 'voltage' AND s.kind = 'measure' AND a.simulated = 0 AND r.value IS NOT NULL
 GROUP BY a.serial ORDER BY a.serial
"""


def quickest(command: tuple[str, ...], times: int) -> float:
    """Return the seconds of the shortest of so many runs; the first, which warms caches up, not counted."""
    taken = []
    for _ in range(times + 1):
        began = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        taken.append(time.perf_counter() - began)
    return min(taken[1:])


def inside(work: Callable[[], object], times: int) -> float:
    """Return the seconds of the shortest of so many runs within this process: imports are done before."""
    work()
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        taken.append(time.perf_counter() - began)
    return min(taken)


def asked(path: Path, script: str, command: tuple[str, ...], serial: str, times: int) -> tuple[float, float]:
    """Return the seconds of the script and of the command."""
    bare = quickest((sys.executable, "-c", script.format(path=str(path), serial=serial)), times)
    return bare, quickest((sys.executable, "-m", "bringup", *command, "--logbook", str(path)), times)


def spread(path: Path, times: int) -> tuple[float, float]:
    """Return the seconds of hand-written SQL with the statistics of `spread`, and of `spread` itself; no imports."""
    from bringup.commands.spread_told import Told
    from bringup.core.taken import one_of_each_unit
    from bringup.core.unit_statistics import statistics_of
    from bringup.core.words import Kind
    from bringup.logbook.comparable import of_one_kind
    from bringup.logbook.filters import Filters
    from bringup.logbook.reading import read

    def by_hand() -> object:
        with closing(sqlite3.connect(path)) as connection:
            rows = connection.execute(SPREAD_BY_HAND, (RAIL,)).fetchall()
        return statistics_of([row[2] for row in rows], float(rows[0][3]), float(rows[0][4]))

    def tool() -> object:
        filters = Filters(rail=RAIL, quantity=Kind.VOLTAGE, step="measure", simulated=False, only="first")
        found, simulated = read(path, lambda connection: of_one_kind(connection, filters))
        ((point, of), *_) = one_of_each_unit(found, "first").items()
        return Told(of, point, simulated, []).lines("first", 80)

    return inside(by_hand, times), inside(tool, times)


def report(path: Path, lot: str, out: Path) -> tuple[float, float]:
    """Return the seconds and MiB of a lot's report."""
    command = (sys.executable, "-m", "bringup", "report", "--lot", lot, "--logbook", str(path), "--out", str(out))
    return quickest((*command, "--force"), 1), resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024


def measure(small: Path, large: Path, times: int, out: Path) -> bool:
    """Print a line for each figure. Returns whether all bounds were kept."""
    with closing(sqlite3.connect(large)) as connection:
        lot = connection.execute(
            "SELECT lot FROM attempts GROUP BY lot HAVING count(DISTINCT serial) >= 500"
        ).fetchone()
        (serial,) = connection.execute("SELECT serial FROM units ORDER BY rowid LIMIT 1 OFFSET 1000").fetchone()
    good = True
    for name, script, command in (
        ("readings --serial X --json", READINGS, ("readings", "--serial", serial, "--json")),
        ("history X", HISTORY, ("history", serial)),
    ):
        few, many = (asked(path, script, command, serial, times) for path in (small, large))
        more, growth = many[1] - many[0], many[1] / few[1]
        good &= more <= MORE_SECONDS and growth <= GROWTH
        print(
            f"{name}: {1000 * many[1]:.0f} ms, script {1000 * many[0]:.0f} ms: {1000 * more:.0f} ms more (bound 80 ms);"
        )
        print(f"  {growth:.2f} times as long as with a tenth of the readings (bound {GROWTH})")
    by_hand, tool = spread(large, 3)
    good &= tool / by_hand <= SPREAD
    print(f"spread {RAIL}: {tool:.2f} s, by hand {by_hand:.2f} s: {tool / by_hand:.2f} times (bound {SPREAD})")
    seconds, peak = report(large, lot[0], out)
    good &= seconds <= LOT_SECONDS and peak <= LOT_MEBIBYTES
    print(
        f"report --lot {lot[0]}: {seconds:.1f} s (bound {LOT_SECONDS:g} s),"
        f" {peak:.0f} MiB (bound {LOT_MEBIBYTES:g} MiB)"
    )
    return good


def main() -> int:
    """Write the logbooks if need be, and measure. Returns 1 where a bound is missed."""
    as_installed()
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=20_000)
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--times", type=int, default=9)
    parser.add_argument("--logbook", type=Path, nargs=2, metavar="FILE", help="a small and a large one that are there")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        paths = given.logbook or [Path(folder) / "small.db", Path(folder) / "large.db"]
        if not given.logbook:
            write_large(paths[0], given.units // SMALLER, given.readings // SMALLER)
            write_large(paths[1], given.units, given.readings)
        return 0 if measure(paths[0], paths[1], given.times, Path(folder) / "lot.html") else 1


if __name__ == "__main__":
    sys.exit(main())
