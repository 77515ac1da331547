"""What a re-check of 4 rails with a scanner takes, against the time in which meter and relays were at work.

Run by hand: `python tests/benchmarks/bench_scanner.py`. Simulated instruments on sockets in this process; `bringup run`
as a person starts it, in a process of its own, an output on and polled every 200 ms, every reading committed. The board
is a table of fixed voltages, so that no simulating is counted.

The meter integrates over a power-line cycle of 50 Hz, and as long again for its automatic zero; a relay moves in 12 ms
(`scanner_styles`) and has 5 ms to settle (the dialect). Sum: the integrations of all readings that were asked for, the
moves of the relays, one settling time after each connection. A process that sleeps wakes late, so a simulated meter
takes longer for a reading than stated: what `run` may take is judged by the integrations as the meter took them, and
printed beside what the stated ones give. Three readings at least settle a rail, more where they
are noisy. Timed is what lies between the beginnings and ends of the `measure` steps after the first, as the logbook
has them: the meter's set-up is known by then.
"""

from __future__ import annotations

import os
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from bringup.files.dialect_file import find_dialect  # noqa: E402 - found through the line above
from bringup.simulation.instrument import Exchange, Instrument  # noqa: E402 - as above
from bringup.simulation.meter import Meter  # noqa: E402 - as above
from bringup.simulation.scanner_styles import SCANNER_STYLES  # noqa: E402 - as above
from bringup.simulation.server import InstrumentServer  # noqa: E402 - as above
from bringup.simulation.styled_scanner import MeterWithCard, StyledScanner  # noqa: E402 - as above
from bringup.simulation.supply import select_by_number  # noqa: E402 - as above
from tests.benchmarks.machine import facts, spread, table  # noqa: E402 - as above
from tests.fake_instrument import FakeWorld  # noqa: E402 - as above

Span = tuple[float, float]
"""Wall times of the beginning and end of a step."""
AT_MOST = 1.1
CHECKS = 11
"""`measure` steps; the first is not timed."""
ROUNDS = 3
VOLTS = {"VIN": 24.0, "12V0": 12.0, "5V0": 5.0, "3V3": 3.3, "1V8": 1.8}
RAILS = ("12V0", "5V0", "3V3", "1V8")
CHANNELS = {"VIN": 101, "12V0": 102, "5V0": 103, "3V3": 104, "1V8": 105}
PROCEDURE = """procedure: Re-check
board:
  board: Table of volts
  inputs:
    VIN: {voltage: 24 V, damage_above: 33 V, probe: J1}
  rails:
    12V0: {from: VIN, probe: TP2, expect: 12 V ± 2 %}
    5V0: {from: VIN, probe: TP3, expect: 5 V ± 2 %}
    3V3: {from: VIN, probe: TP4, expect: 3.3 V ± 2 %}
    1V8: {from: VIN, probe: TP5, expect: 1.8 V ± 2 %}
steps:
  - apply: {input: VIN, short_check: 1 V, then: [24 V], current_limit: 400 mA, expect_current: 60 mA .. 110 mA}
"""
BENCH = """bench: Timed bench
supply: {{resource: '{supply}', dialect: select-by-number, outputs: {{VIN: 1}},
         ceiling: {{voltage: 30 V, current: 1 A}}}}
meter: {{resource: '{meter}', dialect: configure-and-read}}
scanner: {{resource: '{scanner}', dialect: {dialect}, rating: 60 V, channels: {channels}}}
"""


class FixedWorld(FakeWorld):
    """Fixed voltages while the output is on."""

    def probe_volts(self, now: float, aperture: float, input_resistance: float) -> float:
        """Volts of the point that is connected."""
        return super().probe_volts(now, aperture, input_resistance) if self.outputs[1].on else 0.0


class Worked(NamedTuple):
    """What an instrument did with one message: wall time of its coming, seconds stated and seconds taken."""

    at: float
    text: str
    stated: float
    taken: float


class Timed:
    """An instrument whose own time is kept."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self.worked: list[Worked] = []

    def exchange(self, message: bytes, now: float) -> Exchange:
        """Work on a message, keeping the time that the instrument asks for."""
        begun, needed, work = time.time(), 0.0, self.instrument.exchange(message, now)
        try:
            wanted = next(work)
            while True:
                needed += max(0.0, wanted - now)
                now = yield wanted
                wanted = work.send(now)
        except StopIteration as end:
            text = message.decode("latin-1").strip()
            self.worked.append(Worked(begun, text, needed, time.time() - begun))
            reply: bytes | None = end.value
            return reply

    def overrun(self) -> None:
        """Hand it on."""
        self.instrument.overrun()

    def interrupted(self) -> None:
        """Hand it on."""
        self.instrument.interrupted()


@dataclass(frozen=True, slots=True)
class Case:
    """One way to have a scanner."""

    name: str
    dialect: str
    in_meter: bool


CASES = (
    Case("beside the meter", "state-by-channel", in_meter=False),
    Case("card in the meter", "list-of-closed", in_meter=True),
)


@dataclass(frozen=True, slots=True)
class Taken:
    """What one attempt took in its timed steps, in seconds, and how many readings and connections there were."""

    seconds: float
    integrating: float
    switching: float
    at_work: float
    """Integrating as the simulated meter took it, and switching."""
    readings: int
    connections: int

    @property
    def by_stated(self) -> float:
        """What it took by what the instruments are stated to need."""
        return self.seconds / (self.integrating + self.switching)

    @property
    def ratio(self) -> float:
        """What it took by what the instruments took."""
        return self.seconds / self.at_work


def once(case: Case, folder: Path) -> Taken:
    """Run one attempt."""
    world = FixedWorld(load=300.0, points=dict(VOLTS))
    style = SCANNER_STYLES[case.dialect]
    relays = StyledScanner(world, style, wired={channel: point for point, channel in CHANNELS.items()})
    meter = Meter(world)
    timed = Timed(MeterWithCard(meter, relays) if case.in_meter else meter)
    at_relays = timed if case.in_meter else Timed(relays)
    served: dict[str, Instrument] = {"supply": select_by_number(world, pace=0.0), "meter": timed}
    served |= {} if case.in_meter else {"scanner": at_relays}
    with InstrumentServer(served) as server:
        names = server.resources()
        bench = BENCH.format(
            supply=names["supply"],
            meter=names["meter"],
            scanner=names.get("scanner", "in the meter"),
            dialect=case.dialect,
            channels="{" + ", ".join(f"{point}: {channel}" for point, channel in CHANNELS.items()) + "}",
        )
        (folder / "bench.yaml").write_text(bench, encoding="utf-8")
        spans = list(_attempt(folder))
    return _taken(spans, timed, at_relays, find_dialect(case.dialect, ".").settling, style.seconds)


def _taken(spans: Sequence[Span], meter: Timed, relays: Timed, settling: float, move: float) -> Taken:
    """Add up what lies within the timed steps."""

    def within(at: float) -> bool:
        return any(begun <= at <= ended for begun, ended in spans)

    readings = [one for one in meter.worked if within(one.at) and one.text == "READ?"]
    told = [one for one in relays.worked if within(one.at) and one.text.startswith("ROUT:") and "?" not in one.text]
    connections = sum("CLOS" in one.text for one in told)
    switching = len(told) * move + connections * settling
    return Taken(
        seconds=sum(ended - begun for begun, ended in spans),
        integrating=sum(one.stated for one in readings),
        switching=switching,
        at_work=sum(one.taken for one in readings) + switching,
        readings=len(readings),
        connections=connections,
    )


def _attempt(folder: Path) -> Iterator[Span]:
    """Carry the attempt out; yield when each timed step began and ended."""
    for old in folder.glob("scanner.db*"):
        old.unlink()
    steps = "".join(f"  - measure: [{', '.join(RAILS)}]\n" for _ in range(CHECKS))
    (folder / "procedure.yaml").write_text(f"{PROCEDURE}{steps}  - power_off: {{}}\n", encoding="utf-8")
    command = [sys.executable, "-m", "bringup", "run", "procedure.yaml", "--serial", "A1", "--bench", "bench.yaml"]
    environment = {**os.environ, "BRINGUP_STATE": str(folder / "state"), "NO_COLOR": "1"}
    ended = subprocess.run(
        [*command, "--logbook", "scanner.db"],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        env=environment,
        check=False,
    )
    if ended.returncode:
        sys.exit(f"{ended.stdout}{ended.stderr}")
    with closing(sqlite3.connect(folder / "scanner.db")) as connection:
        kept = connection.execute(
            "SELECT started, ended FROM steps WHERE kind = 'measure' ORDER BY started LIMIT -1 OFFSET 1"
        ).fetchall()
    for times in kept:
        begun, over = (datetime.fromisoformat(text).timestamp() for text in times)
        yield begun, over


def main() -> None:
    """Measure and print; exit code 1 where a median is above the bound."""
    machine = facts()
    rows: list[tuple[str, ...]] = [
        (
            "scanner",
            "rails",
            "readings",
            "integrating, s",
            "switching, s",
            "as taken, s",
            "took, s",
            "by stated",
            "ratio",
            "at most",
        )
    ]
    missed = False
    # On a disk, not in memory: the commits are part of it.
    with tempfile.TemporaryDirectory(dir=Path.home()) as name:
        for case in CASES:
            taken = [once(case, Path(name)) for _ in range(ROUNDS)]
            missed = missed or statistics.median(one.ratio for one in taken) > AT_MOST
            middle = taken[0]
            rows.append(
                (
                    case.name,
                    str(middle.connections),
                    str(middle.readings),
                    spread([one.integrating for one in taken]),
                    spread([one.switching for one in taken]),
                    spread([one.at_work for one in taken]),
                    spread([one.seconds for one in taken]),
                    spread([one.by_stated for one in taken], digits=3),
                    spread([one.ratio for one in taken], digits=3),
                    f"{AT_MOST:.2f}",
                )
            )
    print(f"{CHECKS - 1} re-checks of {len(RAILS)} rails, {ROUNDS} attempts each. {machine}\n\n{table(rows)}")
    sys.exit(int(missed))


if __name__ == "__main__":
    main()
