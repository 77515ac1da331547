"""What befalls the logbook while `bringup run` measures, and what becomes of the supply and of the readings.

Run by hand, as root for the disks of its own: `python tests/benchmarks/logbook_faults.py`. Each fault strikes a program
in a process of its own, at simulated instruments on real sockets, with the output on. Then the logbook is opened
again, as the next run would. `lost`: readings that the screen had shown and that are in no logbook then; it must be 0.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests import logbook_faults as faults
from tests.benchmarks.machine import facts, table
from tests.rig import Rig, rig

Disk = Callable[[Rig], AbstractContextManager[Path]]
CASES: tuple[tuple[str, faults.Strike, Disk], ...] = (
    ("disk full", faults.full, faults.small_disk),
    ("disk turned read-only by an error", faults.read_only, faults.failing_disk),
    ("files made unwritable under it", faults.write_protected, faults.ordinary),
    ("file deleted", faults.deleted, faults.ordinary),
    ("all files deleted, rescue file too", faults.deleted_with_all, faults.ordinary),
    ("file replaced by an older one", faults.replaced, faults.ordinary),
    ("another writer keeps it locked", faults.locked, faults.ordinary),
)
HEAD = ("fault", "exit code", "output off", "off in the logbook", "shown", "lost", "rescued", "taken in", "audit sound")


def main() -> int:
    """Let each fault strike once; print the table. Returns 1 if anything was lost or left on."""
    machine = facts()
    rows: list[tuple[str, ...]] = [HEAD]
    good = True
    for name, fault, disk in CASES:
        with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder, rig(Path(folder)) as bench:
            try:
                found = faults.strike(bench, fault, disk(bench))
            except faults.Impossible as why:
                rows.append((name, f"not possible here: {why}", *[""] * (len(HEAD) - 2)))
                continue
        good &= found.code == 3 and not found.output_on and not found.lost and found.sound and found.rescued > 0
        yes = {True: "yes", False: "NO"}
        rows.append(
            (
                name,
                str(found.code),
                yes[not found.output_on],
                yes[found.off_verified],
                str(found.shown),
                str(found.lost),
                str(found.rescued),
                str(found.in_logbook),
                yes[found.sound],
            )
        )
    print(f"{machine}\n\n{table(rows)}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
