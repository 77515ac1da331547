"""Every planted fault and every way in which supply and meter fail: what came of each, how soon, in what words.

`python tests/benchmarks/trips.py` prints a table: the outcome, how many samples showed the fault before the output was
off (looks at the supply, or samples of the rail), whether off was verified, and the words. On simulated time.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from bringup.core.faults import Fault, FaultKind
from bringup.core.procedure import Channel, Log, Measure, Procedure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.unpowered import Resistance
from bringup.core.words import Kind
from bringup.files.bench_file import load_bench
from bringup.runner.protocols import Told
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.instrument import Instrument, take
from tests.fakes import ROOT, SEEN, SimulatedBench, picked, simulated_bench, with_steps

FAULTS = ROOT / "fixtures/benches/faults"
APPLY = picked("apply").steps[0]
WORDS = 92


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table."""

    name: str
    outcome: AttemptOutcome
    samples: int | None
    """Samples that showed the fault before the output was off; None: it showed before power, or not in samples."""
    off: bool

    def text(self) -> str:
        """Write the line."""
        verified = {True: "verified", False: "UNKNOWN", None: "never on"}[self.outcome.off_verified]
        count = "-" if self.samples is None else str(self.samples)
        return f"{self.name:<26} {self.outcome.result:<11} {count:>3}  {verified:<9} {self.outcome.cause[:WORDS]}"


def steps(point: str) -> Procedure:
    """Return everything from ohms to a steady log of the point."""
    what = [Channel("VIN", Kind.CURRENT, "VIN current")]
    if point != "VIN":
        what.insert(0, Channel(point, Kind.VOLTAGE, point))
    ohms = Step(0, Resistance((*(() if point == "VIN" else (point,)), "VIN")))
    log = Step(4, Log(tuple(what), parse_quantity("25 s"), parse_quantity("500 ms")), steady=0.01, end_on_creep=True)
    return with_steps(ohms, picked("leads").steps[0], APPLY, Step(3, Measure(("12V0", "3V3", "1V8", "N12V"))), log)


def run(
    name: str, procedure: Procedure, *faults: Fault, act: Callable[[SimulatedBench, Told], None] | None = None
) -> Row:
    """Run one attempt; `act` is called for everything told."""
    bench = simulated_bench(procedure, history=SEEN, faults=faults, attended=False)
    showed: list[float] = []

    def tell(told: Told) -> None:
        if told.kind == "poll" and told.poll is not None and told.poll.on is not False and _wrong(told):
            showed.append(told.poll.monotonic)
        if (
            told.kind == "sample"
            and isinstance(told.data["value"], float)
            and _rail_wrong(told.text, told.data["value"])
        ):
            showed.append(bench.clock.monotonic())
        if act is not None:
            act(bench, told)

    outcome = bench.run(tell=tell)
    return Row(name, outcome, len(showed) or None, not bench.on())


def _wrong(told: Told) -> bool:
    """Whether a look, once the input is at its own voltage, shows what must not be."""
    look = told.poll
    if look is None or look.set_volts is None or look.set_volts < 20:
        return look is not None and look.fault is not None
    if (look.set_amps or 0.0) > 1.0:
        return True
    return (look.amps or 0.0) > 0.23 or (look.volts or 0.0) > 33 or abs(look.set_volts - 24) > 0.1


def _rail_wrong(name: str, volts: float) -> bool:
    most = {"12V0": 14.0, "5V0": 6.0, "3V3": 3.9, "1V8": 2.2, "N12V": 14.0}
    least = {"12V0": 5.8, "5V0": 2.4, "3V3": 1.6, "1V8": 0.88, "N12V": 5.8}
    return name in most and not least[name] <= abs(volts) <= most[name]


def scripted() -> list[Row]:
    """Run what no fault of a board shows: hands at the panel, instruments that are lost."""
    rows = []
    log = with_steps(
        APPLY,
        Step(1, Log((Channel("VIN", Kind.CURRENT, "VIN current"),), parse_quantity("8 s"), parse_quantity("500 ms"))),
    )

    def at_panel(text: str) -> Callable[[SimulatedBench, Told], None]:
        def act(bench: SimulatedBench, told: Told) -> None:
            if told.kind == "step-begun" and told.step == 1:
                panel = bench.supply_link._instrument
                for each in ("INST:NSEL 1", text):
                    bench.clock.at(bench.clock.monotonic() + 2.0, partial(_turn, panel, each, bench))

        return act

    def lost(bench: SimulatedBench, told: Told) -> None:
        if told.kind == "step-begun" and told.step == 1:
            bench.supply_link.troubles.lost_at = bench.clock.monotonic() + 2.0

    def high(bench: SimulatedBench, told: Told) -> None:
        if told.kind == "step-begun" and told.step == 1:
            bench.supply_link.troubles.garbage["MEAS:VOLT?"] = "+3.40000000E+01"

    def deaf(bench: SimulatedBench, told: Told) -> None:
        if told.kind == "step-begun" and told.step == 1:
            bench.meter_link.troubles.lost_at = bench.clock.monotonic() + 0.01

    rows.append(run("knob: voltage", log, act=at_panel("VOLT 20")))
    rows.append(run("knob: current limit", log, act=at_panel("CURR 2")))
    rows.append(run("knob: output off", log, act=at_panel("OUTP OFF")))
    rows.append(run("input above damage", log, act=high))
    rows.append(run("supply lost for good", log, act=lost))
    rows.append(run("meter lost", with_steps(APPLY, Step(1, Measure(("3V3",)))), act=deaf))
    limit = Fault("VIN", FaultKind.SHORTED_THROUGH, 0.5)
    rows.append(run("current limit too long", with_steps(APPLY), limit))
    return rows


def _turn(panel: Instrument, text: str, bench: SimulatedBench) -> None:
    take(panel, text.encode(), bench.clock.monotonic())


def main() -> int:
    """Print the table; 1 if anything was left on that could be reached."""
    print(f"{'fault':<26} {'outcome':<11} {'n':>3}  {'off':<9} words")
    rows = []
    for path in sorted(FAULTS.glob("*.yaml")):
        simulate = load_bench(path).simulate
        assert simulate is not None
        rows.append(run(path.stem, steps(simulate.faults[0].point), *simulate.faults))
        print(rows[-1].text(), flush=True)
    for row in scripted():
        rows.append(row)
        print(row.text(), flush=True)
    return 0 if all(row.off or row.name == "supply lost for good" for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
