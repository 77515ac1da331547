"""What asking, merging and auditing a large logbook costs, against a script that does the same by hand.

    python -m tests.benchmarks.bench_logbook [--large FILE] [--small FILE] [--rounds 5]

Makes a logbook of 1,000,000 readings and one of 100,000 (large_logbook.py) where none are named; prints each figure
with its bound and the lowest of several rounds, in which both sides alternate. Returns 1 if one is beyond its bound.
"""

from __future__ import annotations

import argparse
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
sys.path.insert(0, str(ROOT))

from bringup.logbook.chain import COVERED  # noqa: E402 - the path comes first
from bringup.logbook.merging import merge  # noqa: E402
from bringup.logbook.opening import open_for_writing  # noqa: E402
from tests.benchmarks.large_logbook import write_large  # noqa: E402
from tests.benchmarks.machine import as_installed, facts, table  # noqa: E402

SERIAL, RAIL = "MBL-01990", "3V3"

READINGS_BY_HAND = """
import json, sqlite3, sys
c = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True); c.row_factory = sqlite3.Row
rows = c.execute('''SELECT r.*, a.serial, a.procedure, a.board, a.revision, a.variant, a.lot, a.operator, a.bench,
 a.simulated, s.kind, s.title, i.identity, i.calibration_due FROM attempts a JOIN readings r ON r.attempt = a.id
 JOIN steps s ON s.attempt = r.attempt AND s.step = r.step
 LEFT JOIN instruments i ON i.attempt = r.attempt AND i.role = r.instrument
 WHERE a.serial = ? ORDER BY a.seq, r.monotonic''', (sys.argv[2],)).fetchall()
print(json.dumps([dict(row) for row in rows], indent=2))
"""
HISTORY_BY_HAND = """
import sqlite3, sys
c = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)
unit = (sys.argv[2],)
query = "SELECT id, started, procedure, result, operator, bench FROM attempts WHERE serial = ? ORDER BY seq"
for a in c.execute(query, unit).fetchall():
    print(*a)
    for table in ("readings", "steps", "events"):
        for row in c.execute(f"SELECT * FROM {table} WHERE attempt = ?", a[:1]):
            print("  ", *row)
for table in ("notes", "reworks", "observations", "photos", "dispositions"):
    for row in c.execute(f"SELECT * FROM {table} WHERE serial = ?", unit):
        print(*row)
"""
SPREAD_BY_HAND = """
import sqlite3, sys, time
from bringup.core.charts import trend
from bringup.core.spread import drifts, histogram
from bringup.core.unit_statistics import share_of, statistics_of
begun = time.perf_counter()
c = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)
rows = c.execute('''SELECT a.serial, r.value, r.at, r.low, r.high, r.result, i.identity FROM readings r
 JOIN attempts a ON a.id = r.attempt JOIN steps s ON s.attempt = r.attempt AND s.step = r.step
 LEFT JOIN instruments i ON i.attempt = r.attempt AND i.role = r.instrument
 WHERE r.rail = ? AND r.quantity = 'voltage' AND r.aspect = '' AND s.kind = 'measure' AND a.simulated = 0
 AND r.value IS NOT NULL AND r.unsettled = 0 AND r.result <> 'not judged'
 AND a.seq = (SELECT min(b.seq) FROM attempts b WHERE b.serial = a.serial AND b.simulated = a.simulated)
 AND NOT EXISTS (SELECT 1 FROM readings c WHERE c.replaces = r.id) ORDER BY a.serial''', (sys.argv[2],)).fetchall()
values = [row[1] for row in rows]
in_time = [row[1] for row in sorted(rows, key=lambda row: row[2])]
found = statistics_of(values, rows[0][3], rows[0][4])
print(found, drifts(in_time), trend(in_time), histogram(values), share_of(sum(r[5] == "pass" for r in rows), len(rows)))
print(time.perf_counter() - begun, file=sys.stderr)
"""
SPREAD_BY_TOOL = """
import sys, time
from bringup.commands.main import main
import bringup.commands.spread
begun = time.perf_counter()
main(["spread", sys.argv[2], "--logbook", sys.argv[1]])
print(time.perf_counter() - begun, file=sys.stderr)
"""
Row = tuple[str, str, str, str]


def run(arguments: Sequence[str]) -> tuple[float, str]:
    """Run Python with these; return the seconds that the whole process took, and what it said on standard error."""
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, cwd=ROOT, check=True
    )
    return time.perf_counter() - begun, done.stderr


def alternating(rounds: int, *each: Sequence[str]) -> list[float]:
    """Return the lowest whole-process time of each, taken in turn."""
    found = [[run(arguments)[0] for arguments in each] for _ in range(rounds)]
    return [min(times) for times in zip(*found, strict=True)]


def ask_of_one_unit(large: Path, small: Path, rounds: int) -> list[Row]:
    """`readings` and `history` of one unit: milliseconds above the script, and what ten times the readings cost."""
    rows: list[Row] = []
    for name, by_hand, asked in (
        ("readings --serial X --json", READINGS_BY_HAND, ("readings", "--serial", SERIAL, "--json")),
        ("history X", HISTORY_BY_HAND, ("history", SERIAL)),
    ):
        tool = [("-m", "bringup", *asked, "--logbook", str(file)) for file in (large, small)]
        most, less, hand = alternating(rounds, *tool, ("-c", by_hand, str(large), SERIAL))
        above = 1e3 * (most - hand)
        rows.append((name, f"{1e3 * most:.0f} ms, by hand {1e3 * hand:.0f} ms", f"+{above:.0f} ms", "80 ms"))
        rows.append(("  with ten times the readings", f"{1e3 * less:.0f} ms", f"{most / less:.2f}", "1.3"))
    return rows


def spread_over_units(large: Path, rounds: int) -> list[Row]:
    """`spread` over all units against SQL and the same statistics, both without what importing takes."""
    tool, hand = [], []
    for _ in range(rounds):
        tool.append(float(run(("-c", SPREAD_BY_TOOL, str(large), RAIL))[1].split()[-1]))
        hand.append(float(run(("-c", SPREAD_BY_HAND, str(large), RAIL))[1].split()[-1]))
    most, least = min(tool), min(hand)
    return [(f"spread {RAIL}", f"{most:.2f} s, by hand {least:.2f} s", f"{most / least:.2f}", "1.5")]


def merging(small: Path, folder: Path, rounds: int) -> list[Row]:
    """`merge` of 100,000 readings against ATTACH and INSERT OR IGNORE, into a logbook in use and into a new one.

    By hand rows get new numbers, too: with the other file's, those of a logbook in use would be taken already.
    """
    used, fresh = folder / "used.db", folder / "fresh.db"
    write_large(used, 200, 10_000, seed=2)
    open_for_writing(fresh).close()
    rows: list[Row] = []
    for name, start, bound in (("merge into a logbook in use", used, "2"), ("merge into a new one", fresh, "")):
        tool, hand = list[float](), list[float]()
        for _ in range(rounds):
            for times, work in ((tool, _merge), (hand, _insert)):
                target = Path(shutil.copy(start, folder / "target.db"))
                begun = time.perf_counter()
                work(target, small)
                times.append(time.perf_counter() - begun)
                target.unlink()
        most, least = min(tool), min(hand)
        rows.append((name, f"{most:.2f} s, by hand {least:.2f} s", f"{most / least:.2f}", bound))
    return rows


def _merge(target: Path, small: Path) -> None:
    list(merge(target, [small]))


def _insert(target: Path, small: Path) -> None:
    with closing(sqlite3.connect(target, isolation_level=None)) as connection:
        connection.execute("ATTACH ? AS other", (str(small),))
        connection.execute("BEGIN")
        for name in (*COVERED, "chain"):
            found = (row[1] for row in connection.execute(f"PRAGMA table_info({name})"))
            columns = ", ".join(column for column in found if column != "seq")
            connection.execute(f"INSERT OR IGNORE INTO {name} ({columns}) SELECT {columns} FROM other.{name}")  # noqa: S608
        connection.execute("COMMIT")


def whole_logbook(large: Path) -> list[Row]:
    """What has no bound: commands about all of it, once each."""
    rows: list[Row] = []
    for asked in (("standing",), ("attempts", "--limit", "20", "--sort", "-started"), ("attempts",), ("audit",)):
        seconds, _ = run(("-m", "bringup", *asked, "--logbook", str(large)))
        rows.append((" ".join(asked), f"{seconds:.2f} s", "", ""))
    return rows


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print."""
    as_installed()
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--large", type=Path, default=None)
    parser.add_argument("--small", type=Path, default=None)
    parser.add_argument("--rounds", type=int, default=5)
    asked = parser.parse_args(arguments)
    print(facts())
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name:
        folder = Path(name)
        large, small = asked.large or folder / "large.db", asked.small or folder / "small.db"
        for path, units in ((large, 20_000), (small, 2_000)):
            if not path.exists():
                write_large(path, units, 50 * units)
        rows = [
            *ask_of_one_unit(large.absolute(), small.absolute(), asked.rounds),
            *spread_over_units(large.absolute(), asked.rounds),
            *merging(small.absolute(), folder, min(asked.rounds, 3)),
        ]
        missed = [row[0].strip() for row in rows if row[3] and _number(row[2]) > _number(row[3])]
        print(table([("what", "took", "ratio", "bound"), *rows, *whole_logbook(large.absolute())]))
    print(f"Beyond the bound: {', '.join(missed)}" if missed else "All within their bounds.")
    return 1 if missed else 0


def _number(text: str) -> float:
    return float(text.removeprefix("+").removesuffix(" ms"))


if __name__ == "__main__":
    sys.exit(main())
