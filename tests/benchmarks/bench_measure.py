"""What a measurement costs in an attempt, against a bare pyvisa loop that sends the same messages.

Run by hand: `python tests/benchmarks/bench_measure.py`. Ours is `bringup run` as a person starts it, in a process of
its own: one worker thread per instrument, the wait point, an output on and polled every 200 ms, every row committed.
The instruments answer at once, from another process (quick_instruments.py, which says why not the simulated ones).
That process keeps what it is sent. The bare loop then sends exactly these messages, each to the same instrument and in
the same order, through pyvisa alone, and commits one row for each measurement with the same journal and sync setting.
Its sockets have Nagle's algorithm off, as ours have: with it on, every look at the supply would cost the bare loop
another 40 ms.

Timed is what lies between the first step's beginning and the last one's end, as the logbook has them:
- `log`, as many samples of one rail as half a second holds, at an interval that is always overdue: nothing is waited
  for but answers and disk; once with plain lines, once with the live view at a pseudo-terminal;
- `measure`, 1,000 rails. A settled reading is at least three readings, LEAST_STEP apart; these pauses belong to the
  settling, so the bare loop makes them too, one after each reading but a rail's last.
"""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pyvisa

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from bringup.runner.measuring import LEAST_STEP  # noqa: E402 - found through the line above
from tests.benchmarks.machine import facts, spread, table  # noqa: E402 - as above

MEASUREMENTS = 1000
RAILS = 100
BENCH = """bench: Quick bench
supply: {{resource: '{supply}', dialect: select-by-number, outputs: {{VIN: 1}},
         ceiling: {{voltage: 30 V, current: 1 A}}}}
meter: {{resource: '{meter}', dialect: configure-and-read}}
probing: fixed wiring
"""
APPLY = "apply: {input: VIN, short_check: 1 V, then: [24 V], current_limit: 400 mA, expect_current: 60 mA .. 110 mA}"
Sent = tuple[float, str, str]
"""Wall time, role, message."""


@dataclass(frozen=True, slots=True)
class Case:
    """What is run and how often. `kind`: the steps that are timed; `live`: at a pseudo-terminal."""

    name: str
    kind: str
    rounds: int
    live: bool = False

    @property
    def procedure(self) -> str:
        """Return the procedure file."""
        rails = [f"R{number:02d}" for number in range(RAILS if self.kind == "measure" else 1)]
        listed = "\n".join(f"    {rail}: {{from: VIN, probe: TP{rail}, expect: 3.3 V ± 2 %}}" for rail in rails)
        if self.kind == "log":
            steps = ["log: {what: R00 voltage, for: 500 ms, every: 100 us}"]
        else:
            steps = [f"measure: [{', '.join(rails)}]"] * (MEASUREMENTS // RAILS)
        lines = "\n".join(f"  - {step}" for step in (APPLY, *steps, "power_off: {}"))
        inputs = "    VIN: {voltage: 24 V, damage_above: 33 V, probe: J1}"
        return f"procedure: Many\nboard:\n  board: Many\n  inputs:\n{inputs}\n  rails:\n{listed}\nsteps:\n{lines}\n"


class Instruments:
    """The instruments' process."""

    def __init__(self) -> None:
        script = Path(__file__).with_name("quick_instruments.py")
        self.process = subprocess.Popen(
            [sys.executable, str(script)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        self.resources: dict[str, str] = json.loads(self.process.stdout.readline())

    def sent(self) -> list[Sent]:
        """Return what they have been sent since this was asked last."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write("\n")
        self.process.stdin.flush()
        return [(at, role, text) for at, role, text in json.loads(self.process.stdout.readline())]


@contextmanager
def screen(*, live: bool) -> Iterator[int]:
    """Give the file that the tool writes to: a pseudo-terminal that is read all the time, or nothing."""
    if not live:
        yield subprocess.DEVNULL
        return
    import pty

    ours, theirs = pty.openpty()

    def drain() -> None:
        try:
            while os.read(ours, 65536):
                pass
        except OSError:  # the other end is closed: Linux says so by an error
            return

    reader = threading.Thread(target=drain, daemon=True)
    reader.start()
    try:
        yield theirs
    finally:
        os.close(theirs)
        reader.join(2.0)
        os.close(ours)


def ours(case: Case, folder: Path, instruments: Instruments) -> tuple[float, list[Sent], int]:
    """Run the attempt; return the seconds its timed steps took, what was sent in them, and how many rows were kept."""
    logbook = folder / "ours.db"
    for old in folder.glob("ours.db*"):
        old.unlink()
    instruments.sent()
    names = ("procedure.yaml", "bench.yaml")
    command = [sys.executable, "-m", "bringup", "run", names[0], "--serial", "A1", "--bench", names[1]]
    environment = {**os.environ, "TERM": "xterm-256color"}
    environment.pop("NO_COLOR", None)
    with screen(live=case.live) as out:
        subprocess.run(
            [*command, "--logbook", logbook.name],
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=out,
            env=environment,
            check=True,
        )
    with closing(sqlite3.connect(logbook)) as connection:
        span = connection.execute("SELECT min(started), max(ended) FROM steps WHERE kind = ?", (case.kind,)).fetchone()
        kept = {"log": "samples", "measure": "readings JOIN steps USING (attempt, step) WHERE kind = 'measure'"}
        (count,) = connection.execute(f"SELECT count(*) FROM {kept[case.kind]}").fetchone()  # noqa: S608 - ours
    assert count == MEASUREMENTS or (case.kind == "log" and count > 0), f"{count} rows"
    begun, ended = (datetime.fromisoformat(text).timestamp() for text in span)
    return ended - begun, [each for each in instruments.sent() if begun <= each[0] <= ended], count


def bare(folder: Path, instruments: Instruments, sent: Sequence[Sent], count: int) -> float:
    """Send the same through pyvisa alone, a row and a commit for each measurement; return the seconds."""
    readings = sum(text == "READ?" for _, _, text in sent)
    each, rest = divmod(readings, count)
    assert rest == 0, f"{readings} readings of the meter for {count} measurements"
    manager = pyvisa.ResourceManager("@py")
    opened = {role: plain(manager, resource) for role, resource in instruments.resources.items()}
    path = folder / "bare.db"
    for old in folder.glob("bare.db*"):
        old.unlink()
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("CREATE TABLE readings (at REAL, rail TEXT, value REAL, raw TEXT)")
        taken = 0
        begun = time.perf_counter()
        for _, role, text in sent:
            if "?" not in text:
                opened[role].write(text)
                continue
            raw = opened[role].query(text)
            if text != "READ?":
                continue
            taken += 1
            if taken % each:
                time.sleep(LEAST_STEP)
            else:
                connection.execute("INSERT INTO readings VALUES (?, ?, ?, ?)", (time.time(), "R00", float(raw), raw))
        seconds = time.perf_counter() - begun
    for resource in opened.values():
        resource.close()
    manager.close()
    return seconds


def plain(manager: pyvisa.ResourceManager, resource: str) -> Any:
    """Open as a script would, Nagle's algorithm off."""
    opened: Any = manager.open_resource(resource, read_termination="\n", write_termination="\n")
    opened.visalib.sessions[opened.session].interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return opened


def main() -> None:
    """Measure and print."""
    machine = facts()
    cases = (
        Case("log, plain lines", "log", 15),
        Case("log, live view", "log", 15, live=True),
        Case("measure, plain lines", "measure", 1),
    )
    rows: list[tuple[str, ...]] = [
        ("1,000 measurements, or 500 ms of log", "messages", "ours, s", "bare, s", "ratio of each pair", "at most")
    ]
    instruments = Instruments()
    try:
        for case in cases:
            # On a disk, not in memory: the commits are part of it.
            with tempfile.TemporaryDirectory(dir=Path.home()) as name:
                rows.append(compared(case, Path(name), instruments))
    finally:
        instruments.process.kill()
        instruments.process.communicate()
    print(f"Median (lowest .. highest) of pairs, ours and bare by turns. {machine}\n\n{table(rows)}")


def compared(case: Case, folder: Path, instruments: Instruments) -> tuple[str, ...]:
    """Return the row of one case."""
    (folder / "procedure.yaml").write_text(case.procedure, encoding="utf-8")
    (folder / "bench.yaml").write_text(BENCH.format(**instruments.resources), encoding="utf-8")
    pairs = []
    sent: list[Sent] = []
    for _ in range(case.rounds):
        seconds, sent, count = ours(case, folder, instruments)
        pairs.append((seconds, bare(folder, instruments, sent, count)))
    ratios = [mine / theirs for mine, theirs in pairs]
    columns = [[mine for mine, _ in pairs], [theirs for _, theirs in pairs]]
    return (case.name, str(len(sent)), *(spread(column) for column in columns), spread(ratios, digits=2), "1.50")


if __name__ == "__main__":
    main()
