"""Hostile input in quantity: so many cases for every parser, spread over processes. Prints counts and what broke a law.

    python tests/benchmarks/fuzz.py [CASES] [PROCESSES] [PARSER ...]

The default is 100,000 cases for each parser on two processes. Every batch is a process with a seed of its own and an
address space of limited size; one that does not come back is a hang, one that dies is told as that.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import time
import warnings
from collections import Counter
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.fuzz_laws import Broke, Reader, obey
from tests.fuzzing import READERS

BATCH = 5000
HUNG = 900.0
"""Seconds after which a batch counts as hung."""
MEMORY = 1 << 30
"""Bytes of address space that a process may take beyond what it has at the start."""
MOST_TOLD = 5
"""Broken laws of one batch that are told in words; all are counted."""
ONE_BATCH = 3
"""Arguments that mark a process of ours: parser, cases, seed."""


def main(arguments: list[str]) -> int:
    """Run it; returns 1 if a law was broken."""
    cases = int(arguments[0]) if arguments else 100_000
    processes = int(arguments[1]) if len(arguments) > 1 else 2
    wanted = arguments[2:] or [reader.name for reader in READERS]
    first = int(time.time())
    jobs = [(name, min(BATCH, cases - begun), first + begun) for begun in range(0, cases, BATCH) for name in wanted]
    done, took, worst, broken = Counter[str](), Counter[str](), dict.fromkeys(wanted, 0.0), Counter[str]()
    with ThreadPoolExecutor(processes) as pool:
        for future in as_completed([pool.submit(_in_process, *job) for job in jobs]):
            name, said = future.result()
            done[name] += said["cases"]
            took[name] += said["seconds"]
            worst[name] = max(worst[name], said["slowest"])
            broken[name] += said["broken"]
            for what in said["what"]:
                print(f"BROKEN: {what}", flush=True)
            told = f"{name}: {done[name]} cases, {broken[name]} broken, slowest {worst[name]:.2f} s"
            print(told, file=sys.stderr, flush=True)
    print(f"\n{'parser':28} {'cases':>8} {'broken':>7} {'slowest s':>10} {'ms a case':>10}")
    for name in wanted:
        each = 1000 * took[name] / max(1, done[name])
        print(f"{name:28} {done[name]:8} {broken[name]:7} {worst[name]:10.2f} {each:10.2f}")
    return 1 if broken.total() else 0


def _in_process(name: str, cases: int, number: int) -> tuple[str, dict[str, Any]]:
    """Run one batch in a process of its own and return what it said."""
    command = [sys.executable, __file__, "--batch", name, str(cases), str(number)]
    nothing: dict[str, Any] = {"cases": 0, "seconds": 0.0, "slowest": 0.0, "broken": 1}
    try:
        ended = subprocess.run(command, capture_output=True, text=True, timeout=HUNG, check=False)
    except subprocess.TimeoutExpired:
        return name, nothing | {"what": [f"{name}: hangs (seed {number})"]}
    try:
        return name, json.loads(ended.stdout)
    except ValueError:
        return name, nothing | {"what": [f"{name}: died (seed {number}): {ended.returncode} {ended.stderr[-2000:]}"]}


def batch(name: str, cases: int, number: int) -> dict[str, Any]:
    """Read so many cases and return the counts."""
    (reader,) = (one for one in READERS if one.name == name)
    begun = time.perf_counter()
    count, slowest, what = _run(reader, cases, number)
    seconds = time.perf_counter() - begun
    return {"cases": count, "seconds": seconds, "slowest": slowest, "broken": len(what), "what": what[:MOST_TOLD]}


def _run(reader: Reader, cases: int, number: int) -> tuple[int, float, list[str]]:
    count, slowest = 0, 0.0
    what: list[str] = []
    with reader.opened() as read:

        @seed(number)
        @settings(
            max_examples=cases,
            database=None,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(reader.cases)
        def each(case: object) -> None:
            nonlocal count, slowest
            count += 1
            begun = time.process_time()
            try:
                obey(reader, read, case)
            except Broke as law:
                what.append(str(law))
            slowest = max(slowest, time.process_time() - begun)

        each()
    return count, slowest, what


def bound_memory() -> None:
    """Bound this process's address space, where the system can: what asks for more gets a MemoryError."""
    statm = Path("/proc/self/statm")
    if sys.platform == "win32" or not statm.exists():
        return
    import resource

    limit = int(statm.read_text(encoding="ascii").split()[0]) * resource.getpagesize() + MEMORY
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


if __name__ == "__main__":
    if len(sys.argv) == 2 + ONE_BATCH and sys.argv[1] == "--batch":
        warnings.simplefilter("ignore")  # Hypothesis minds that cases are large
        bound_memory()
        with contextlib.redirect_stdout(sys.stderr):
            found = batch(sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
        print(json.dumps(found))
        sys.exit(0)
    sys.exit(main(sys.argv[1:]))
