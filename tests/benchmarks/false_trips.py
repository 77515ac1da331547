"""How many sound units are tripped: one after the other, each with other parts, wiring, loads and manners.

`python tests/benchmarks/false_trips.py [N] [FIRST]` runs N attempts (default 1000) on simulated time, numbered from
FIRST. Each is a whole power-up with its start-up transients, readings, a steady log of several quantities and a dwell.
"""

from __future__ import annotations

import random
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from bringup.core.board import Board
from bringup.core.creep import ALLOWED
from bringup.core.procedure import Apply, Channel, Dwell, Log, Measure, Procedure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, Kind
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.world import BoardWorld
from tests.fakes import FIRST_POWER_ON, ROOT, SEEN, SimulatedBench, simulated_bench, the_procedure

BENCHES = ("simulated.yaml", "simulated-single-output.yaml", "simulated-watchdog.yaml")
STATES = ("blank", "programmed", "asleep", "transmitting")
ALARMS = ("trip", "creep", "meter-lost", "off-unknown", "came-back-on")


@dataclass(frozen=True, slots=True)
class Sound:
    """One sound attempt and what came of it."""

    number: int
    serial: str
    how: str
    outcome: AttemptOutcome
    alarms: tuple[str, ...]

    @property
    def false(self) -> bool:
        """Whether anything was taken for what it was not."""
        return self.outcome.result is not AttemptResult.PASSED or bool(self.alarms) or not self.outcome.off_verified


def with_bulk(board: Board, microfarads: float) -> Board:
    """Return the board with another bulk capacitance behind its input."""
    vin = replace(board.inputs["VIN"], capacitance=parse_quantity(f"{microfarads:.0f} uF"))
    return replace(board, inputs={"VIN": vin})


def procedure_for(draw: random.Random) -> Procedure:
    """Return a power-up, readings, a steady log and a dwell, with drawn loads, capacitance and steps."""
    base = the_procedure(FIRST_POWER_ON)
    limit = draw.choice(("350 mA", "400 mA", "600 mA"))
    then = draw.choice((("18 V", "24 V"), ("19 V",), ("20 V", "24 V", "30 V")))
    power = Apply("VIN", tuple(map(parse_quantity, then)), parse_quantity(limit), parse_quantity("1 V"))
    quantities = (Channel("VIN", Kind.CURRENT, "VIN current"), *(Channel(n, Kind.VOLTAGE, n) for n in ("3V3", "5V0")))
    every = parse_quantity(draw.choice(("300 ms", "500 ms", "1 s")))
    steps = (
        Step(0, power),
        Step(1, Measure(("12V0", "3V3", "1V8"))),
        Step(2, Log(quantities, parse_quantity("11 s"), every), steady=ALLOWED, end_on_creep=True),
        Step(3, Dwell(parse_quantity("1 s"))),
    )
    board = with_bulk(base.board, draw.choice((22, 100, 220, 470, 1000)))
    return replace(base, board=board, steps=steps, board_state=draw.choice(STATES))


def sound(number: int) -> Sound:
    """Run one sound attempt. The same number gives the same attempt."""
    draw = random.Random(number)  # noqa: S311 - variation, not secrecy
    serial = f"MBL-{number % 10_000:04d}"
    where = draw.choice(BENCHES)
    bench = simulated_bench(procedure_for(draw), history=SEEN, bench_path=ROOT / "fixtures/benches" / where)
    ohms, every, late = draw.uniform(0.02, 0.4), draw.uniform(0.1, 0.3), draw.choice((0.0, 0.0, 0.01, 0.03))
    bench.world._bench.lead_ohms = ohms
    for link in (bench.supply_link, bench.meter_link):
        link.troubles.late_from, link.troubles.late_by = 0.0, late
    assert isinstance(bench.world, BoardWorld)
    outcome = bench.run(serial=serial, poll_every=every)
    how = f"{where}, {bench.procedure.board_state}, leads {ohms:.2f} ohm, looks every {every:.2f} s, {late} s late"
    return Sound(number, serial, how, outcome, alarms_of(bench))


def alarms_of(bench: SimulatedBench) -> tuple[str, ...]:
    """Return every alarm that was recorded."""
    return tuple(f"{kind}: {text}" for kind, text, _ in bench.record.events if kind in ALARMS)


def main() -> int:
    """Run them all and print the count."""
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    begun, false = time.perf_counter(), 0
    for number in range(first, first + wanted):
        one = sound(number)
        if one.false:
            false += 1
            print(f"{one.number} {one.serial} {one.how}: {one.outcome.result} {one.outcome.cause} {one.alarms}")
    print(f"{wanted} sound attempts, {false} false alarms, {time.perf_counter() - begun:.0f} s")
    return 1 if false else 0


if __name__ == "__main__":
    sys.exit(main())
