"""One attempt in simulated time, in this process: what a rehearsal makes a hundred of.

The instruments are those that the bench's dialects speak to, whatever the bench file says of where they are; a role
that is played by hand is played by a simulated instrument. Programs of this computer are not run: each ends as the
procedure wants it to. A step that listens to a line on which the bench file lets the board say nothing is a note.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

from bringup import __version__
from bringup.commands.instruments import AnsweringBench
from bringup.commands.loading import load
from bringup.commands.reaching import dialect_of, roles_of
from bringup.core.as_built import as_built
from bringup.core.bench import Bench, MeterRole, SupplyRole
from bringup.core.board import Board
from bringup.core.frozen import frozen
from bringup.core.listening import Listen
from bringup.core.parts import Parts
from bringup.core.procedure import HostProgram, Log, Note, Procedure, Step
from bringup.core.rehearsal import Came, Trial
from bringup.core.safety_ripple import needs_scope
from bringup.core.serial_line import SerialLine
from bringup.core.simulate import Simulate
from bringup.core.words import AttemptResult
from bringup.runner.attempt import run_attempt
from bringup.runner.pending import Pending
from bringup.runner.records import ProgramEnd, ProgramOrder
from bringup.runner.setup import AttemptSetup
from bringup.simulation.bench import DEFAULT_METER, DEFAULT_SUPPLY, build
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.forgetful import ForgetfulRecord
from bringup.simulation.memory_line import MemoryLine
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.person import SimulatedPerson
from bringup.simulation.stressed import StressedWorld

SERIAL = "rehearsal"
"""Of a unit that is on no bench; the board file's pattern is for those that are."""


@frozen
class Scene:
    """What every trial of a rehearsal has in common. It can be made anew in another process from its two paths."""

    procedure: Procedure
    bench: Bench
    variant: str = ""


def scene(procedure_path: Path, bench_path: Path | None, variant: str) -> Scene:
    """Read the files. Raises FileError."""
    procedure, bench = load(procedure_path, bench_path)
    # No unit has the serial number of a rehearsal.
    procedure = replace(procedure, board=replace(procedure.board, serial_pattern=""))
    bench = None if bench is None else bench.for_steps(scope=needs_scope(procedure))
    made = simulated(bench, procedure.board, procedure_path)
    procedure = as_built(procedure, variant)
    steps = tuple(_heard(step, made) for step in procedure.steps)
    return Scene(replace(procedure, steps=steps), made.of_variant(variant), variant)


def _heard(step: Step, bench: Bench) -> Step:
    """Return the step; of one that listens where nobody says what the board says, a note in its place.

    A log goes on without the marks that it would hear there.
    """
    if isinstance(step.action, Log):
        heard = tuple(each for each in step.action.heard if each.line in bench.lines)
        return replace(step, action=replace(step.action, heard=heard))
    if not isinstance(step.action, Listen) or step.action.line in bench.lines:
        return step
    note = Note(f"not rehearsed: nobody says what the board says on {step.action.line}")
    return replace(step, action=note, expect={})


def simulated(bench: Bench | None, board: Board, path: Path) -> Bench:
    """Return the bench with every role simulated; without one, a supply with an output for each input, and a meter."""
    simulate = Simulate(board.path)
    if bench is None:
        outputs = {name: number for number, name in enumerate(board.inputs, 1)}
        return Bench(
            "No bench",
            SupplyRole(None, DEFAULT_SUPPLY, outputs),
            MeterRole(None, DEFAULT_METER),
            simulate=simulate,
            path=str(path),
        )
    supply, meter, scanner, load_role = bench.supply, bench.meter, bench.scanner, bench.load
    if bench.simulate is not None:
        simulate = replace(bench.simulate, faults=())
    return replace(
        bench,
        simulate=simulate,
        lines={name: SerialLine(name) for name in bench.lines if name in simulate.talks},
        supply=None if supply is None else replace(supply, resource=None, dialect=supply.dialect or DEFAULT_SUPPLY),
        more_supplies=tuple(replace(each, resource=None) for each in bench.more_supplies),
        meter=None if meter is None else replace(meter, resource=None, dialect=meter.dialect or DEFAULT_METER),
        scanner=None if scanner is None else replace(scanner, resource=None),
        load=None if load_role is None else replace(load_role, resource=None),
        scope=None if bench.scope is None else replace(bench.scope, resource=None),
    )


def attempt(scene: Scene, trial: Trial) -> Came:
    """Carry out the procedure on the unit of that trial. Raises BenchError for a bench that cannot be simulated."""
    clock, record = SimulatedClock(), ForgetfulRecord()
    person = SimulatedPerson(attended=True, clock=clock)
    faults = () if trial.fault is None else (trial.fault,)
    simulate = scene.bench.simulate
    assert simulate is not None, "whoever makes a scene simulates its bench"
    bench = replace(scene.bench, simulate=replace(simulate, faults=faults))

    def drawn(_board: Board, _serial: str) -> Parts:
        return trial.parts

    built = build(bench, scene.procedure.board, SERIAL, world_of=partial(StressedWorld, draw=drawn))
    dialects = {role: dialect_of(bench, role) for role in built.instruments()}
    named = roles_of(bench)
    links = {
        role: MemoryLink(f"{role} (simulated)", each, clock, dialect=dialects[role], address=named[role].address)
        for role, each in built.instruments().items()
    }
    # Who answers is known before an attempt begins, as of instruments that were opened.
    for link in links.values():
        asked = link.submit(())
        while not asked.done:
            clock.wait(asked.deadline)
    answering = AnsweringBench(bench, dialects, dict.fromkeys(links, ""), links)
    outcome = run_attempt(
        AttemptSetup(
            serial=SERIAL,
            procedure=scene.procedure,
            bench=bench,
            supply=answering.supply(person),
            meter=answering.meter(person, {}),
            scanner=answering.scanner(),
            load=answering.load(),
            scope=answering.scope(),
            clock=clock,
            ask=person,
            record=record,
            tell=lambda _told: None,
            operator="rehearsal",
            tool_version=__version__,
            lines={name: MemoryLine(clock, talking) for name, talking in built.lines.items()},
            simulated_link=links.get("meter") or links.get("supply"),
            variant=scene.variant,
            programs=Well(scene.procedure),
        )
    )
    assert isinstance(built.world, StressedWorld), "it was made here"
    passed = outcome.result is AttemptResult.PASSED
    noticed = None if passed else record.step if record.failed_in is None else record.failed_in
    return Came(
        trial, outcome.result, outcome.cause, noticed, built.world.stressed, clock.monotonic(), built.world.energy
    )


class Well:
    """Programs of this computer (runner.protocols.Programs) that are not run and end as the procedure wants it."""

    def __init__(self, procedure: Procedure) -> None:
        self._wanted = [step.action for step in procedure.steps if isinstance(step.action, HostProgram)]

    def start(self, order: ProgramOrder) -> EndedWell:
        """Have it ended already."""
        own = [each for each in self._wanted if each.program[1:] == order.arguments[1:] or len(self._wanted) == 1]
        exit_code = own[0].exit_code if own else 0
        return EndedWell(ProgramEnd(exit_code, "", 0, order.wanted, ""))


class EndedWell:
    """A program that has ended (runner.protocols.Running)."""

    def __init__(self, end: ProgramEnd) -> None:
        self.ended: Pending[ProgramEnd] = Pending(float("inf"))
        self.ended.settle(end)

    def stop(self) -> None:
        """It has."""
