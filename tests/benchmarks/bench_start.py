"""How soon `bringup run` speaks to an instrument, against a script that imports pyvisa and opens the same instrument.

Run by hand: `python tests/benchmarks/bench_start.py`. Each run is a process of its own, the kinds of run by turns, all
with byte code that an earlier run has written (into a folder of this benchmark, whatever PYTHONDONTWRITEBYTECODE says:
without it Python compiles the tool anew each time, but not the libraries that pip compiled when installing them).
Timed is from starting the process to the first byte at the instrument, which is a socket that this file listens on:
by the clock on the wall, and by the time that all threads of the process had of a processor, in user code and in the
system, which other work on the machine lengthens less. Bounded is the ratio of the lower quartiles of the latter; that
of the medians of the former stands beside it. (Where the system does not tell the one, there is only the other.)
`run` has by then read procedure, board and bench, refused what is to be refused, opened the logbook and locked the
bench; its first message is `*IDN?`, as the script's. It is then ended: what follows takes as long as the instruments
do. Between the two stands what the libraries alone cost: the same script once it has also imported click, quantiphy,
ruamel.yaml and sqlite3 and had the four files parsed. Also timed is the whole of `bringup --help`, against a Python
that does nothing. Where numpy is installed pyvisa imports it: the script waits for that, `run` does not, so the ratio
is another there.
"""

from __future__ import annotations

import os
import resource
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.benchmarks.machine import facts, spread, table  # noqa: E402 - found through the line above

ROUNDS = 15
BOARD = ROOT / "fixtures" / "boards" / "mooring-buoy-logger.yaml"
DIALECT = ROOT / "bringup" / "instruments" / "dialects" / "select-by-number.yaml"
PROCEDURE = ROOT / "procedures" / "first-power-on.yaml"
BENCH = """bench: Listening bench
supply: {{resource: '{resource}', dialect: select-by-number, outputs: {{VIN: 1}},
         ceiling: {{voltage: 30 V, current: 1 A}}}}
meter: {{resource: by hand}}
"""
SCRIPT = """
import pyvisa
manager = pyvisa.ResourceManager("@py")
instrument = manager.open_resource({resource!r}, read_termination="\\n", write_termination="\\n")
instrument.query("*IDN?")
"""
LIBRARIES = """
import sqlite3
from pathlib import Path
import click, quantiphy
from ruamel.yaml import YAML
for path in {paths!r}:
    list(YAML(typ="safe", pure=True).parse(Path(path).read_text(encoding="utf-8")))
"""
FIRST = b"*IDN?\n"


@dataclass(frozen=True)
class Took:
    """Seconds of one run."""

    wall: float
    processor: float
    """All its threads, user and system."""


def processor_of(pid: int) -> float:
    """Return the seconds of a processor that a process has had until now; not a number where that is not told."""
    try:
        return time.clock_gettime((~pid << 3) | 2)  # what clock_getcpuclockid() of glibc and musl makes of a pid
    except OSError:
        return float("nan")


def warm(folder: Path) -> dict[str, str]:
    """Return an environment in which this tree runs, byte code is kept, and no earlier run has left anything."""
    environment = {
        **os.environ,
        "PYTHONPATH": str(ROOT),
        "PYTHONPYCACHEPREFIX": str(folder / "byte code"),
        "BRINGUP_STATE": str(folder / "state"),
    }
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    return environment


def to_first_byte(listener: socket.socket, command: Sequence[str], folder: Path) -> Took:
    """Start the command; return what it took until the listener has its first byte. Ends the command."""
    begun = time.perf_counter()
    # At a terminal, for the meter of the bench is played by a person. Nobody reads it: we are gone by then.
    ours, theirs = os.openpty()
    process = subprocess.Popen(
        command, cwd=folder, env=warm(folder), stdin=theirs, stdout=theirs, stderr=subprocess.PIPE
    )
    os.close(theirs)
    try:
        client, _ = listener.accept()
        with client:
            first = client.recv(1)
            took = Took(time.perf_counter() - begun, processor_of(process.pid))
            rest = client.recv(64)
        assert first + rest == FIRST, f"{first + rest!r} came first"
    finally:
        process.kill()
        process.communicate()
        os.close(ours)
    return took


def whole(command: Sequence[str], folder: Path) -> Took:
    """Return what the whole command takes."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(
        command, cwd=folder, env=warm(folder), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, check=True
    )
    wall, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    return Took(wall, after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)


def measure(listener: socket.socket, folder: Path) -> dict[str, list[Took]]:
    """Return what every kind of run took, each time."""
    resource = f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    (folder / "bench.yaml").write_text(BENCH.format(resource=resource), encoding="utf-8")
    script = SCRIPT.format(resource=resource)
    (folder / "script.py").write_text(script, encoding="utf-8")
    paths = [str(path) for path in (PROCEDURE, BOARD, DIALECT, folder / "bench.yaml")]
    (folder / "libraries.py").write_text(LIBRARIES.format(paths=paths) + script, encoding="utf-8")
    tool = (sys.executable, "-m", "bringup")
    run = (*tool, "run", str(PROCEDURE), "--serial", "MBL-0001", "--bench", "bench.yaml", "--logbook")
    taken: dict[str, list[Took]] = {}
    for number in range(-1, ROUNDS):
        took = {
            "script": to_first_byte(listener, (sys.executable, "script.py"), folder),
            "script with the libraries": to_first_byte(listener, (sys.executable, "libraries.py"), folder),
            "run": to_first_byte(listener, (*run, "kept.db"), folder),
            "run, new logbook": to_first_byte(listener, (*run, f"new{number}.db"), folder),
            "python -c pass": whole((sys.executable, "-c", "pass"), folder),
            "bringup --help": whole((*tool, "--help"), folder),
        }
        if number >= 0:  # the round before wrote the byte code and the logbook
            for name, each in took.items():
                taken.setdefault(name, []).append(each)
    return taken


def come_at_once() -> None:
    """Have this process run as soon as something comes, where that is allowed: what it times goes on meanwhile."""
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(1))
    except (AttributeError, PermissionError):
        print("What else runs on this machine delays the looks at the clock: not allowed to go before it.")


def main() -> None:
    """Measure and print."""
    machine = facts()
    come_at_once()
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name, socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(20.0)
        taken = measure(listener, Path(name))
    bare = dict.fromkeys(("script with the libraries", "run", "run, new logbook"), "script")
    bare["bringup --help"] = "python -c pass"
    most = {"run": "1.60"}
    rows: list[tuple[str, ...]] = [
        ("start", "processor, ms", "to the bare one", "at most", "wall, ms", "to the bare one")
    ]
    for kind, took in taken.items():
        processor, wall = ([each.processor for each in took], [each.wall for each in took])
        ratios = ("", "")
        if kind in bare:
            than = taken[bare[kind]]
            ratios = (
                f"{quartile(processor) / quartile([each.processor for each in than]):.2f} x {bare[kind]}",
                f"{statistics.median(wall) / statistics.median(each.wall for each in than):.2f}",
            )
        of_processor = f"{quartile(processor) * 1000:.0f} ({min(processor) * 1000:.0f} .. {max(processor) * 1000:.0f})"
        rows.append((kind, of_processor, ratios[0], most.get(kind, ""), spread(wall, 1000, 0), ratios[1]))
    print(f"Lower quartile of the processor's time, median of the wall's (lowest .. highest) of {ROUNDS}, by turns.")
    print(f"{machine}\n\n{table(rows)}")


def quartile(values: Sequence[float]) -> float:
    """Return the lower quartile."""
    return statistics.quantiles(values, n=4, method="inclusive")[0]


if __name__ == "__main__":
    main()
