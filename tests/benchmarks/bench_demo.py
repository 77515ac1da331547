"""How much of the demo procedure's time is the instruments' and the board's, and how much the tool's own.

Run by hand: `python tests/benchmarks/bench_demo.py`. `bringup run` steps through procedures/first-power-on.yaml on the
simulated bench, which is served by a process of its own in wall time. A tap between the two, in this process, notes
when each message comes and when its answer goes. Of the attempt's wall time (started to ended, as the logbook has
them; starting Python is the business of bench_start.py) these are told apart:

- busy: a query is with an instrument, from its arrival at the tap to its answer; a command without an answer counts
  with the query that follows it. Supply and meter overlap: their union counts;
- stated: the tool waits because the procedure says so (`log` between samples, `dwell`, and holding a stage);
- settling: the tool waits because the board or the supply has to come to rest (start-up, between two looks at a
  current, between two readings of an instant meter, discharge). Each such wait is shown with its place in the code,
  for it is the tool that chooses how long a board may need;
- own: the rest, of what is in none of them.

Busy, stated and settling are joined as intervals of the system's one monotonic clock, so nothing counts twice. The
waits are noted where they all pass, WaitPoint.sleep_until, by a wrapper in the tool's process: this file, once more.

The same procedure also runs in memory on a simulated clock, where all waiting costs nothing: that wall time is what
the tool and the simulation compute.
"""

from __future__ import annotations

import json
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.benchmarks.machine import facts, spread, table  # noqa: E402 - found through the line above

PROCEDURE = ROOT / "procedures" / "first-power-on.yaml"
SIMULATED = ROOT / "fixtures" / "benches" / "simulated.yaml"
SERIAL = "MBL-0001"
ROUNDS = 3
IN_MEMORY = 5
BENCH = """bench: Tapped bench
supply: {{resource: '{supply}', dialect: select-by-number, outputs: {{VIN: 1}},
         ceiling: {{voltage: 30 V, current: 1 A}}}}
meter: {{resource: '{meter}', dialect: configure-and-read}}
probing: fixed wiring
"""
STATED = ("log.py", "dwell.py", "apply.py")
"""Files of the actions whose waits the procedure states."""
Interval = tuple[float, float]


class Tap:
    """A port that passes lines on to an instrument and its answers back, and notes when it was busy."""

    def __init__(self, resource: str) -> None:
        self.busy: list[Interval] = []
        self.messages = 0
        self._to = int(resource.split("::")[2])
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.resource = f"TCPIP0::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            try:
                client = self._listener.accept()[0]
            except OSError:
                return
            threading.Thread(target=self._pass_on, args=(client,), daemon=True).start()

    def _pass_on(self, client: socket.socket) -> None:
        with client, socket.create_connection(("127.0.0.1", self._to)) as instrument:
            for end in (client, instrument):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            answers = instrument.makefile("rb")
            since: float | None = None
            for line in client.makefile("rb"):
                since = time.monotonic() if since is None else since
                self.messages += 1
                instrument.sendall(line)
                if b"?" in line:
                    answer = answers.readline()
                    # Noted before it is passed on: what comes after is the tool's time.
                    self.busy.append((since, time.monotonic()))
                    since = None
                    client.sendall(answer)

    def close(self) -> None:
        """Take no more clients."""
        self._listener.close()


@contextmanager
def tapped(folder: Path) -> Iterator[dict[str, Tap]]:
    """Serve the simulated bench in a process of its own and write a bench file that names the taps before it."""
    command = [sys.executable, "-m", "bringup", "simulate", "--bench", str(SIMULATED), "--serial", SERIAL]
    process = subprocess.Popen(
        [*command, "--json", "--until-stdin-closes"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    taps: dict[str, Tap] = {}
    try:
        resources: dict[str, str] = json.loads(process.stdout.readline())
        taps.update((role, Tap(resource)) for role, resource in resources.items())
        text = BENCH.format(**{role: tap.resource for role, tap in taps.items()})
        (folder / "bench.yaml").write_text(text, encoding="utf-8")
        yield taps
    finally:
        for tap in taps.values():
            tap.close()
        process.communicate()


def inside(arguments: Sequence[str]) -> int:
    """Be `bringup`, and at the end write every wait of the runner to the file named first: begin, end, place."""
    from bringup.commands.main import main as bringup
    from bringup.runner.wait import WaitPoint

    waits: list[tuple[float, float, str, str]] = []
    sleep_until = WaitPoint.sleep_until

    def noted(self: WaitPoint, until: float, text: str = "") -> None:
        frame = sys._getframe(1)
        if frame.f_code.co_name == "sleep" and frame.f_back is not None:
            frame = frame.f_back
        begun = time.monotonic()
        try:
            sleep_until(self, until, text)
        finally:
            waits.append((begun, time.monotonic(), Path(frame.f_code.co_filename).name, frame.f_code.co_name))

    WaitPoint.sleep_until = noted  # type: ignore[method-assign]
    try:
        return bringup(list(arguments[1:]))
    finally:
        Path(arguments[0]).write_text(json.dumps(waits), encoding="utf-8")


@dataclass
class Parts:
    """Where the time of one attempt went, in seconds."""

    wall: float
    process: float
    busy: float
    stated: float
    settling: float
    covered: float
    without_settling: float
    messages: int
    places: dict[str, float] = field(default_factory=dict)

    @property
    def ratio(self) -> float:
        """Return the wall time to the union of what the instruments, the procedure and the board take."""
        return self.wall / self.covered

    @property
    def strict(self) -> float:
        """Return the same as if the board never had to come to rest."""
        return self.wall / self.without_settling


def joined(intervals: Iterable[Interval], within: Interval) -> float:
    """Return how much of `within` the union of the intervals covers."""
    total, reached = 0.0, within[0]
    for begun, ended in sorted(intervals):
        start, end = max(begun, reached), min(ended, within[1])
        if end > start:
            total, reached = total + end - start, end
    return total


def attempt(folder: Path, number: int) -> Parts:
    """Run the demo procedure in wall time."""
    logbook, waits_file = folder / f"{number}.db", folder / f"{number}.json"
    with tapped(folder) as taps:
        command = [sys.executable, __file__, "inside", str(waits_file), "run", str(PROCEDURE), "--serial", SERIAL]
        begun = time.perf_counter()
        subprocess.run(
            [*command, "--bench", str(folder / "bench.yaml"), "--logbook", str(logbook)],
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            check=True,
        )
        process = time.perf_counter() - begun
        busy = [interval for tap in taps.values() for interval in tap.busy]
        messages = sum(tap.messages for tap in taps.values())
    with closing(sqlite3.connect(logbook)) as connection:
        columns = "started, ended, monotonic, result"
        started, ended, monotonic, result = connection.execute(f"SELECT {columns} FROM attempts").fetchone()  # noqa: S608 - ours
    assert result == "passed", result
    wall = (datetime.fromisoformat(ended) - datetime.fromisoformat(started)).total_seconds()
    span = (monotonic, monotonic + wall)
    waits = json.loads(waits_file.read_text(encoding="utf-8"))
    stated = [(begun, end) for begun, end, file, _ in waits if file in STATED]
    settling = [(begun, end) for begun, end, file, _ in waits if file not in STATED]
    places: dict[str, float] = defaultdict(float)
    for begun, end, file, name in waits:
        places[f"{'stated' if file in STATED else 'settling'}: {name} in {file}"] += end - begun
    return Parts(
        wall,
        process,
        busy=joined(busy, span),
        stated=joined(stated, span),
        settling=joined(settling, span),
        covered=joined([*busy, *stated, *settling], span),
        without_settling=joined([*busy, *stated], span),
        messages=messages,
        places=dict(places),
    )


def in_memory() -> tuple[float, float]:
    """Run the demo procedure on a simulated clock; return wall and simulated seconds."""
    from tests.fakes import simulated_bench

    bench = simulated_bench()
    begun = time.perf_counter()
    outcome = bench.run()
    seconds = time.perf_counter() - begun
    assert outcome.result == "passed", outcome.cause
    return seconds, bench.clock.monotonic()


def main() -> None:
    """Measure and print."""
    machine = facts()
    memory = [in_memory() for _ in range(IN_MEMORY)]
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name:
        attempts = [attempt(Path(name), number) for number in range(ROUNDS)]
    rows = [
        ("demo procedure, wall time", "s", "at most"),
        ("attempt", spread([each.wall for each in attempts]), ""),
        ("  instruments busy (union)", spread([each.busy for each in attempts]), ""),
        ("  stated waits", spread([each.stated for each in attempts]), ""),
        ("  settling waits", spread([each.settling for each in attempts]), ""),
        ("  union of these three", spread([each.covered for each in attempts]), ""),
        ("  own: in none of them", spread([each.wall - each.covered for each in attempts]), ""),
        ("attempt / union", spread([each.ratio for each in attempts]), "1.15"),
        ("attempt / union of busy and stated alone", spread([each.strict for each in attempts]), ""),
        ("whole process, bench served already", spread([each.process for each in attempts]), ""),
        (f"on a simulated clock ({memory[0][1]:.1f} s simulated)", spread([each for each, _ in memory]), "2"),
    ]
    print(f"Median (lowest .. highest) of {ROUNDS}, in memory of {IN_MEMORY}. {machine}\n\n{table(rows)}\n")
    last = attempts[-1]
    print(f"{last.messages} messages. Waits of the last attempt, which may overlap busy instruments:")
    for place, seconds in sorted(last.places.items(), key=lambda each: -each[1]):
        print(f"  {seconds:7.3f} s  {place}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["inside"]:
        sys.exit(inside(sys.argv[2:]))
    main()
