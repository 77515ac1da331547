"""A bench with two supplies for tests of the whole program: simulated instruments on real sockets, of two styles."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from bringup.commands.instruments import AnsweringBench
from bringup.commands.reaching import dialect_of
from bringup.core.bench import Bench
from bringup.core.faults import Fault
from bringup.files.bench_file import load_bench
from bringup.files.board_file import load_board
from bringup.files.procedure_file import load_procedure
from bringup.runner.attempt import run_attempt
from bringup.runner.protocols import Told
from bringup.runner.setup import AttemptOutcome, AttemptSetup
from bringup.simulation.bench import build
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.hand import HeldWorld
from bringup.simulation.instrument import Instrument
from bringup.simulation.manners import Manners
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.person import SimulatedPerson
from bringup.simulation.server import InstrumentServer
from tests.fakes import RecordFake
from tests.rig import Rig, Said
from tests.served_bench import BENCHES, nobody

TWO = BENCHES / "simulated-two-supplies.yaml"
BOARD = BENCHES.parent / "boards" / "depth-sounder.yaml"
SERIAL = "DS-001"
VIN, VDRV = 1, 102
"""The outputs in the simulated world."""
HEAD = f"procedure: Two inputs\nboard: {BOARD}\nsteps:\n"
BEFORE = "  - resistance: [VIN, VDRV, 5V0, 15V0]\n  - leads: VIN\n  - leads: VDRV\n"
UP = (
    "  - apply: {input: VIN, short_check: 1 V, then: [12 V], current_limit: 100 mA}\n"
    "  - apply: {input: VDRV, short_check: 1 V, then: [24 V], current_limit: 60 mA}\n"
)
SUPPLY_2 = "supply drive"


def _nothing(message: bytes, now: float) -> Generator[float, float, bytes | None]:
    del message, now
    yield from ()
    return None


@dataclass(frozen=True, slots=True)
class TwoRig(Rig):
    """The rig of two supplies."""

    def procedure(self, steps: str, name: str = "procedure.yaml") -> Path:
        path = self.folder / name
        path.write_text(HEAD + steps, encoding="utf-8")
        return path

    def run_arguments(self, steps: str, *more: str, serial: str = SERIAL) -> list[str]:
        return Rig.run_arguments(self, steps, *more, serial=serial)

    def run(self, steps: str, *more: str, serial: str = SERIAL) -> Said:
        return Rig.run(self, steps, *more, serial=serial)

    def fall_silent(self, role: str) -> None:
        """From now on that instrument answers nothing, and obeys nothing."""
        with self.server.world:
            self.simulated.instruments()[role].exchange = _nothing  # type: ignore[method-assign]

    @property
    def on(self) -> tuple[bool, bool]:
        """Whether either power stage is on, whatever anybody says."""
        return self.output_is_on(VIN), self.output_is_on(VDRV)


@contextmanager
def two_supplies(
    folder: Path,
    *,
    first: str = "",
    second: str = "",
    manners: Mapping[str, Manners] | None = None,
    missing: tuple[str, ...] = (),
) -> Iterator[TwoRig]:
    """Serve both supplies and the meter. `first`, `second`: more of their fields; `missing`: nobody listens there."""
    described = load_bench(TWO)
    simulated = build(described, load_board(BOARD), SERIAL, pace=0.0)
    with ExitStack() as leave:
        server = leave.enter_context(InstrumentServer(simulated.instruments(), manners))
        at = {role: nobody() if role in missing else server.resource(role) for role in ("supply", SUPPLY_2, "meter")}
        bench = folder / "bench.yaml"
        bench.write_text(
            "bench: Two supplies\n"
            f"supply: {{resource: '{at['supply']}', dialect: single-output, outputs: {{VIN: 1}}{first}}}\n"
            "more_supplies:\n"
            f"  drive: {{resource: '{at[SUPPLY_2]}', dialect: select-by-number, outputs: {{VDRV: 2}}{second}}}\n"
            f"meter: {{resource: '{at['meter']}', dialect: configure-and-read}}\n"
            "probing: fixed wiring\n",
            encoding="utf-8",
        )
        made = TwoRig(folder, bench, simulated, server)
        try:
            yield made
        finally:
            made.end_what_is_left()


@dataclass
class InMemory:
    """The same bench in simulated time, with links whose troubles a test may choose."""

    setup: AttemptSetup
    clock: SimulatedClock
    links: dict[str, MemoryLink]
    instruments: Mapping[str, Instrument]
    world: HeldWorld
    record: RecordFake
    told: list[Told] = field(default_factory=list)
    off_at: dict[int, float] = field(default_factory=dict)
    """Output -> when it was found off first, once something had gone wrong."""

    def run(self, in_dwell: Callable[[], None] = lambda: None, after: float = 1.0) -> AttemptOutcome:
        """Run the attempt; `in_dwell` happens so many seconds after its step that dwells has begun."""

        def tell(told: Told) -> None:
            self.told.append(told)
            if told.kind == "step-begun" and "dwell" in told.text:
                self.clock.at(self.clock.monotonic() + after, in_dwell, wakes=False)

        return run_attempt(replace(self.setup, tell=tell))

    @property
    def on(self) -> tuple[bool, bool]:
        now = self.clock.monotonic()
        return self.world.is_on(VIN, now), self.world.is_on(VDRV, now)

    def hand(self, role: str, message: str) -> None:
        """Do something at that instrument beside the tool, as a hand at its panel does."""
        for _ in self.instruments[role].exchange(message.encode(), self.clock.monotonic()):
            pass

    def sent(self, role: str, start: str) -> list[str]:
        return [text for text in self.links[role].sent if text.startswith(start)]

    def texts(self, kind: str) -> list[str]:
        return [text for each, text, _ in self.record.events if each == kind]


def in_memory(
    folder: Path, steps: str, *, faults: Sequence[Fault] = (), change: Callable[[Bench], Bench] = lambda bench: bench
) -> InMemory:
    """Build it. `change`: another bench than the shipped one."""
    path = folder / "procedure.yaml"
    path.write_text(HEAD + steps, encoding="utf-8")
    procedure, bench = load_procedure(path), change(load_bench(TWO))
    assert bench.simulate is not None
    bench = replace(bench, simulate=replace(bench.simulate, faults=tuple(faults)))
    clock, record = SimulatedClock(), RecordFake()
    built = build(bench, procedure.board, SERIAL, pace=0.0)
    dialects = {role: dialect_of(bench, role) for role in built.instruments()}
    links = {
        role: MemoryLink(f"{role} (simulated)", each, clock, dialect=dialects[role])
        for role, each in built.instruments().items()
    }
    for link in links.values():
        asked = link.submit(())
        while not asked.done:
            clock.wait(asked.deadline)
    person = SimulatedPerson(attended=True, clock=clock)
    answering = AnsweringBench(bench, dialects, dict.fromkeys(links, ""), links)
    setup = AttemptSetup(
        serial=SERIAL,
        procedure=procedure,
        bench=bench,
        supply=answering.supply(person),
        meter=answering.meter(person, {}),
        clock=clock,
        ask=person,
        record=record,
        tell=lambda _told: None,
        operator="tester",
        tool_version="0",
        simulated_link=links["meter"],
    )
    assert isinstance(built.world, HeldWorld)
    return InMemory(setup, clock, links, built.instruments(), built.world, record)
