"""Stand-ins for the runner's tests: a record that keeps lists, and a whole simulated bench on a simulated clock."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.deviations import Observation, Photo, Rework
from bringup.core.faults import Fault
from bringup.core.procedure import Procedure, Step
from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, StepOutcome
from bringup.errors import LogbookError
from bringup.files.bench_file import load_bench
from bringup.files.dialect_file import find_dialect
from bringup.files.procedure_file import load_procedure
from bringup.runner.attempt import run_attempt
from bringup.runner.pending import Pending
from bringup.runner.protocols import Ask, Told
from bringup.runner.records import (
    AttemptStart,
    InstrumentInfo,
    LineText,
    PhotoFile,
    PollSample,
    SisterQuestion,
    UnitHistory,
)
from bringup.runner.roles import Attached, Done, Meter, OneSupply, OutputSettings, Protection, Supply
from bringup.runner.scpi_load import ScpiLoad
from bringup.runner.scpi_meter import ScpiMeter
from bringup.runner.scpi_supply import ScpiSupply
from bringup.runner.setup import AttemptOutcome, AttemptSetup
from bringup.simulation import meter as simulated_meter
from bringup.simulation.bench import DEFAULT_METER, LOADS, METERS, SUPPLIES
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.hand import HeldWorld
from bringup.simulation.memory_line import MemoryLine
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.person import SimulatedPerson
from bringup.simulation.talking import Talking

ROOT = Path(__file__).parent.parent
BENCH = ROOT / "fixtures/benches/simulated.yaml"
FIRST_POWER_ON = ROOT / "procedures/first-power-on.yaml"


the_procedure = cache(load_procedure)
the_bench = cache(load_bench)
the_dialect = cache(find_dialect)
"""Files read once: what they give is frozen."""

SEEN = UnitHistory(
    known=True,
    first_power_passed=True,
    resistance_seen=frozenset({"VIN", "12V0", "5V0", "3V3", "1V8", "VREF", "N12V"}),
    leads_seen=frozenset({("Simulated bench", "VIN")}),
)
"""The history of a unit that the gate lets through."""


def picked(*kinds: str, of: Path = FIRST_POWER_ON) -> Procedure:
    """Return the shipped procedure with only these kinds of steps, in this order."""
    procedure = the_procedure(of)
    steps = [next(step for step in procedure.steps if step.kind == kind) for kind in kinds]
    return replace(procedure, steps=tuple(replace(step, index=index) for index, step in enumerate(steps)))


def with_steps(*steps: Step) -> Procedure:
    """Return the shipped procedure with these steps instead of its own, numbered in order."""
    numbered = tuple(replace(step, index=index) for index, step in enumerate(steps))
    return replace(the_procedure(FIRST_POWER_ON), steps=numbered)


@dataclass
class RecordFake:
    """A Record that keeps everything in lists. `fail_from`: the n-th call that writes fails, and all after it."""

    known: UnitHistory = field(default_factory=UnitHistory)
    fail_from: int | None = None
    writes: int = 0
    on_write: Callable[[int], None] = lambda _: None
    started: list[AttemptStart] = field(default_factory=list)
    begun: list[int] = field(default_factory=list)
    ended_steps: list[tuple[int, StepOutcome, str, str, str]] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    samples: list[tuple[str, float | None]] = field(default_factory=list)
    batches: list[tuple[PollSample, ...]] = field(default_factory=list)
    batch_times: list[float] = field(default_factory=list)
    events: list[tuple[str, str, Mapping[str, str]]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    photos: list[tuple[Photo, PhotoFile]] = field(default_factory=list)
    reworks: list[Rework] = field(default_factory=list)
    observations: list[Observation] = field(default_factory=list)
    texts: list[LineText] = field(default_factory=list)
    ends: list[tuple[AttemptResult, str, bool | None]] = field(default_factory=list)
    clock: SimulatedClock | None = None
    sister_ohms: dict[str, tuple[float, ...]] = field(default_factory=dict)
    asked_sisters: list[SisterQuestion] = field(default_factory=list)

    def _write(self) -> None:
        self.writes += 1
        self.on_write(self.writes)
        if self.fail_from is not None and self.writes >= self.fail_from:
            raise LogbookError("the disk is full", "Make room.")

    def begin(self, start: AttemptStart) -> str:
        self._write()
        self.started.append(start)
        return "attempt-1"

    def step_begun(self, index: int, at: datetime, monotonic: float) -> None:
        self._write()
        self.begun.append(index)

    def step_ended(
        self, index: int, outcome: StepOutcome, result: str, *, at: datetime, why: str = "", who: str = ""
    ) -> None:
        self._write()
        self.ended_steps.append((index, outcome, result, why, who))

    def reading(self, reading: Reading) -> None:
        self._write()
        self.readings.append(reading)

    def sample(
        self, step: int, channel: str, unit: str, at: datetime, monotonic: float, value: float | None, raw: str
    ) -> None:
        self._write()
        self.samples.append((channel, value))

    def polls(self, samples: Sequence[PollSample]) -> None:
        self._write()
        self.batches.append(tuple(samples))
        if self.clock is not None:
            self.batch_times.append(self.clock.monotonic())

    def line_texts(self, texts: Sequence[LineText]) -> None:
        self._write()
        self.texts += texts

    def event(
        self,
        kind: str,
        text: str,
        *,
        at: datetime,
        monotonic: float,
        step: int | None = None,
        data: Mapping[str, str] | None = None,
    ) -> None:
        self._write()
        self.events.append((kind, text, data or {}))

    def note(self, text: str, *, at: datetime, step: int | None = None) -> None:
        self._write()
        self.notes.append(text)

    def rework(self, rework: Rework, *, at: datetime, monotonic: float, step: int | None = None) -> None:
        self._write()
        self.reworks.append(rework)

    def observation(self, observation: Observation, *, at: datetime, step: int | None = None) -> None:
        self._write()
        self.observations.append(observation)

    def photo(self, photo: Photo, found: PhotoFile, *, at: datetime, step: int | None = None) -> Iterator[None]:
        for _ in range(3):
            self._write()
            yield
        self.photos.append((photo, found))

    def end(self, result: AttemptResult, cause: str, *, at: datetime, off_verified: bool | None) -> None:
        self._write()
        self.ends.append((result, cause, off_verified))

    def history(self, serial: str) -> UnitHistory:
        return self.known

    def sisters(self, question: SisterQuestion) -> tuple[float, ...]:
        self.asked_sisters.append(question)
        return self.sister_ohms.get(" ".join(filter(None, (question.point, question.aspect))), ())

    def kinds(self) -> list[str]:
        """The kinds of all events, in order."""
        return [kind for kind, _, _ in self.events]


@dataclass
class SimulatedBench:
    """Everything of one attempt on the simulated mooring buoy logger, in memory."""

    procedure: Procedure
    bench: Bench
    clock: SimulatedClock
    world: HeldWorld
    supply_link: MemoryLink
    meter_link: MemoryLink
    supply: Supply
    meter: Meter
    ask: Ask
    record: RecordFake
    load_link: MemoryLink | None = None
    load: ScpiLoad | None = None
    lines: dict[str, MemoryLine] = field(default_factory=dict)
    told: list[Told] = field(default_factory=list)
    changes: dict[str, Any] = field(default_factory=dict)

    @property
    def board(self) -> Board:
        return self.procedure.board

    def setup(self, **changes: Any) -> AttemptSetup:
        """Put the attempt's setup together."""
        start = AttemptSetup(
            serial="MBL-0001",
            procedure=self.procedure,
            bench=self.bench,
            supply=self.supply,
            meter=self.meter,
            clock=self.clock,
            ask=self.ask,
            record=self.record,
            tell=self.told.append,
            operator="tester",
            tool_version="0",
            simulated_link=self.meter_link,
            load=self.load,
            lines=self.lines,
        )
        return replace(start, **{**self.changes, **changes})

    def run(self, **changes: Any) -> AttemptOutcome:
        """Run the attempt."""
        return run_attempt(self.setup(**changes))

    def on(self, output: int = 1) -> bool:
        """Whether the world says that the output is on now."""
        return self.world.is_on(output, self.clock.monotonic())

    def tell_kinds(self) -> list[str]:
        """The kinds of everything told, in order."""
        return [told.kind for told in self.told]


def simulated_bench(
    procedure: Path | Procedure = FIRST_POWER_ON,
    *,
    faults: Sequence[Fault] = (),
    ask: Ask | None = None,
    history: UnitHistory | None = None,
    bench_path: Path = BENCH,
    attended: bool = True,
) -> SimulatedBench:
    """Build the simulated bench in memory. `procedure`: a file or a record."""
    clock = SimulatedClock()
    bench = the_bench(bench_path)
    if isinstance(procedure, Path):
        procedure = the_procedure(procedure)
    assert bench.supply is not None
    assert bench.meter is not None
    loads = {} if bench.load is None else bench.load.channels
    world = HeldWorld(procedure.board, outputs=bench.supply.outputs, faults=faults, loads=loads)
    maker = SUPPLIES[bench.supply.dialect]
    dialect = the_dialect(bench.supply.dialect, BENCH)
    address = bench.supply.address
    supply_link = MemoryLink("supply (simulated)", maker(world), clock, dialect=dialect, address=address)
    usual = bench.meter.dialect == DEFAULT_METER
    instrument = simulated_meter.Meter(world) if usual else METERS[bench.meter.dialect](world)
    meter_dialect = the_dialect(bench.meter.dialect, BENCH)
    meter_link = MemoryLink("meter (simulated)", instrument, clock, dialect=meter_dialect)
    load_link = load = None
    if bench.load is not None:
        load_dialect = the_dialect(bench.load.dialect, BENCH)
        load_link = MemoryLink("load (simulated)", LOADS[bench.load.dialect](world), clock, dialect=load_dialect)
        load = ScpiLoad(bench.load, load_dialect, load_link, monotonic=clock.monotonic)
    talks = {} if bench.simulate is None else bench.simulate.talks
    lines = {name: MemoryLine(clock, Talking(world, talks[name]) if name in talks else None) for name in bench.lines}
    return SimulatedBench(
        lines=lines,
        procedure=procedure,
        bench=bench,
        clock=clock,
        world=world,
        supply_link=supply_link,
        meter_link=meter_link,
        supply=ScpiSupply(bench.supply, dialect, supply_link, monotonic=clock.monotonic),
        meter=ScpiMeter(bench.meter, meter_dialect, meter_link),
        ask=ask if ask is not None else SimulatedPerson(attended=attended, clock=clock),
        record=RecordFake(known=history or UnitHistory(), clock=clock),
        load_link=load_link,
        load=load,
    )


@dataclass
class SupplyFake(OneSupply):
    """A supply of one output whose looks a test decides. Everything else answers that it went well."""

    clock: SimulatedClock
    by_hand: bool = False
    answers_after: float = 0.005
    """Seconds until a look is answered; math.inf: never."""
    polled_at: list[float] = field(default_factory=list)
    next_samples: list[PollSample] = field(default_factory=list)
    """Answered first, one look each."""
    shown: PollSample = PollSample(0.0, 1, 24.0, 0.07, True, "voltage", 24.0, 0.4)  # noqa: RUF009 - frozen
    calls: list[tuple[object, ...]] = field(default_factory=list)

    def show(self, **changes: Any) -> None:
        """Change what the looks show from now on."""
        self.shown = replace(self.shown, **changes)

    def poll(self, output: int) -> Pending[PollSample]:
        self.polled_at.append(self.clock.monotonic())
        pending: Pending[PollSample] = Pending(self.clock.monotonic() + 2.0, self.clock.wake)

        def answer() -> None:
            sample = self.next_samples.pop(0) if self.next_samples else self.shown
            pending.settle(replace(sample, monotonic=self.clock.monotonic(), output=output))

        if not math.isinf(self.answers_after):
            self.clock.at(self.clock.monotonic() + self.answers_after, answer, wakes=False)
        return pending

    def _done(self, *call: object, readback: float | None = None, on: bool | None = None) -> Pending[Done]:
        self.calls.append(call)
        pending: Pending[Done] = Pending(self.clock.monotonic() + 2.0, self.clock.wake)
        pending.settle(Done(readback, on))
        return pending

    @property
    def info(self) -> InstrumentInfo:
        return InstrumentInfo("supply", "fake", "", None, None, simulated=True, by_hand=False)

    def can_protect(self, output: int, protection: Protection) -> bool:
        return False

    def outputs(self) -> Sequence[int]:
        return (1,)

    def attach(self) -> Pending[Attached]:
        raise NotImplementedError

    def settings(self, output: int) -> Pending[OutputSettings]:
        pending: Pending[OutputSettings] = Pending(self.clock.monotonic() + 2.0)
        pending.settle(OutputSettings(output, self.shown.set_volts, self.shown.set_amps, self.shown.on))
        return pending

    def pace(self, answer: float) -> float:
        return 9 * answer

    def set_voltage(self, output: int, volts: float) -> Pending[Done]:
        return self._done("volts", output, volts, readback=volts)

    def set_current_limit(self, output: int, amps: float) -> Pending[Done]:
        return self._done("amps", output, amps, readback=amps)

    def set_protection(
        self, output: int, protection: Protection, level: float | None, delay: float = 0.0
    ) -> Pending[Done]:
        return self._done("protection", output, protection, level, readback=level)

    def set_remote_sense(self, output: int, remote: bool) -> Pending[Done]:
        return self._done("sense", output, remote, on=remote)

    def switch(self, output: int, on: bool) -> Pending[Done]:
        return self._done("switch", output, on, on=on)

    def all_off(self) -> Pending[Done]:
        return self._done("all off", on=False)

    def clear_trip(self, output: int) -> Pending[Done]:
        return self._done("clear", output, on=False)

    def close(self) -> None:
        self.calls.append(("close",))
