"""Is every reading on the disk before the next message goes out? The whole of an attempt, by a trace of system calls.

Run by hand, with strace: `python tests/benchmarks/sync_order.py`. A process kill cannot show what a loss of power
would lose: what was written but not synced survives the one and not the other. So the order of the calls is shown. For
each reading of an attempt that measures with the output on and the supply polled: the write to the write-ahead file
that holds its id, the return of the sync after it, and the beginning of the next message to an instrument.
Not shown, and not in anybody's hand here: whether the disk itself keeps what it was told to sync.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.machine import facts, table
from tests.rig import BEFORE, UP, rig
from tests.sync_trace import order, traced_run, why_not

MEASURE = "  - measure: [VIN, 12V0, 3V3]\n"
LOG = "  - log: {what: VIN current, for: 2 s, every: 100 ms}\n"


def main() -> int:
    """Trace, look, print."""
    reason = why_not()
    if reason is not None:
        print(f"not run: {reason}")
        return 1
    machine = facts()
    # On a disk, not in memory.
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder, rig(Path(folder)) as bench:
        code, trace = traced_run(bench, BEFORE + UP + MEASURE * 10 + LOG + "  - power_off: {discharged_below: 1 V}\n")
        found = order(bench, trace)
    rows = [
        ("readings", "synced before the next message", "looks at the supply meanwhile", "out of order"),
        (str(found.readings), str(found.synced_first), str(found.looks), str(len(found.wrong))),
    ]
    print(f"Exit code of the attempt: {code}. {machine}\n\n{table(rows)}")
    print("\n".join(found.wrong))
    return 0 if code == 0 and not found.wrong else 1


if __name__ == "__main__":
    sys.exit(main())
