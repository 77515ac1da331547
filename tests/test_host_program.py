"""`host_program` in an attempt: the supply is watched on, outputs go off before a program is ended, ends are judged."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import pytest

from bringup.core.faults import Fault, FaultKind
from bringup.core.procedure import HostProgram, Measure, Procedure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, StepOutcome
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.records import Interruption, ProgramEnd, ProgramOrder
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps

APPLY = picked("apply").steps[0]
FLASH = HostProgram(("flasher", "--serial", "{serial}"), parse_quantity("60 s"), contains=("Verified",))
GOOD = ProgramEnd(0, "Verified", 8, ("Verified",))


@dataclass
class ProgramFake:
    """A program on the simulated clock: it ends after so many seconds, and somewhat later when it is stopped."""

    clock: SimulatedClock
    takes: float = 30.0
    end: ProgramEnd = GOOD
    stops_after: float = 0.5
    on_stop: Callable[[], None] = lambda: None
    orders: list[ProgramOrder] = field(default_factory=list)
    stopped_at: float | None = None
    ended: Pending[ProgramEnd] = field(init=False)

    def start(self, order: ProgramOrder) -> ProgramFake:
        self.orders.append(order)
        self.ended = Pending(math.inf, self.clock.wake)
        if not math.isinf(self.takes):
            self.clock.at(self.clock.monotonic() + self.takes, lambda: self.ended.settle(self.end), wakes=False)
        return self

    def stop(self) -> None:
        self.stopped_at = self.clock.monotonic()
        self.on_stop()
        ended = ProgramEnd(None, "half", 4, why="it was ended")
        if not math.isinf(self.stops_after):
            self.clock.at(self.clock.monotonic() + self.stops_after, lambda: self.ended.settle(ended), wakes=False)


def at_work(*steps: Step, faults: Any = (), **changes: Any) -> tuple[SimulatedBench, ProgramFake]:
    bench = simulated_bench(with_steps(APPLY, *steps), history=SEEN, faults=faults)
    fake = ProgramFake(bench.clock, **changes)
    bench.changes["programs"] = fake
    return bench, fake


def data_of(bench: SimulatedBench, kind: str) -> dict[str, str]:
    (data,) = (dict(data) for name, _, data in bench.record.events if name == kind)
    return data


def test_a_program_that_ends_well_passes_and_all_of_it_is_kept() -> None:
    bench, fake = at_work(Step(1, FLASH), end=replace(GOOD, digest="ab" * 32))

    outcome = bench.run(program_files={"flasher": "/opt/flasher"})

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    (order,) = fake.orders
    assert order.arguments == ("/opt/flasher", "--serial", "MBL-0001")
    assert order.wanted == ("Verified",)
    assert order.environment["BRINGUP_SERIAL"] == "MBL-0001"
    assert order.environment["BRINGUP_ATTEMPT"] == "attempt-1"
    assert order.environment["BRINGUP_INPUT_VIN"] == "24"
    assert json.loads(data_of(bench, "program-begun")["arguments"]) == list(order.arguments)
    kept = data_of(bench, "program")
    assert kept == {"output": "Verified", "bytes": "8", "exit code": "0", "sha256 of what it loads": "ab" * 32}


def test_the_version_of_what_it_loads_is_kept_beside_its_hash() -> None:
    flash = replace(FLASH, loads="logger.bin", version="1.4.2")
    bench, _ = at_work(Step(1, flash), end=replace(GOOD, digest="ab" * 32))

    bench.run(program_files={"flasher": "/opt/flasher"})

    kept = data_of(bench, "program")
    assert (kept["sha256 of what it loads"], kept["version of what it loads"]) == ("ab" * 32, "1.4.2")
    (said,) = [text for kind, text, _ in bench.record.events if kind == "program"]
    assert said.endswith("; loaded sha256 abababababababab, version 1.4.2")


def test_the_supply_is_looked_at_at_every_interval_while_a_program_runs() -> None:
    bench, _ = at_work(Step(1, FLASH), takes=45.0)

    bench.run()

    looks = [look.monotonic for batch in bench.record.batches for look in batch]
    begun = max(looks) - 44.0
    gaps = [later - earlier for earlier, later in pairwise(at for at in looks if at > begun)]
    assert len(gaps) > 200
    assert max(gaps) < 0.25


@pytest.mark.parametrize(
    ("end", "says"),
    [
        (ProgramEnd(3, "", 0, ("Verified",)), "flasher ended with exit code 3, wanted 0"),
        (ProgramEnd(-9, "", 0, ("Verified",)), "flasher ended with signal 9, wanted 0"),
        (ProgramEnd(0, "done", 4), "the output of flasher does not hold 'Verified'"),
        (ProgramEnd(None, why="it cannot be started: gone"), "flasher: it cannot be started: gone"),
    ],
)
def test_one_that_ends_otherwise_fails_the_step(end: ProgramEnd, says: str) -> None:
    bench, _ = at_work(Step(1, FLASH), end=end)

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert says in outcome.cause
    assert not bench.on()


def test_the_exit_code_that_is_wanted_may_be_another() -> None:
    bench, _ = at_work(Step(1, replace(FLASH, exit_code=3)), end=replace(GOOD, exit_code=3))

    assert bench.run().result is AttemptResult.PASSED


def off_when_stopped(bench: SimulatedBench, fake: ProgramFake) -> list[bool]:
    """Return a list that tells, once the program is stopped, whether the output was still on then."""
    was_on: list[bool] = []
    fake.on_stop = lambda: was_on.append(bench.on())
    return was_on


def test_at_its_time_out_the_outputs_go_off_before_it_is_ended() -> None:
    bench, fake = at_work(Step(1, FLASH, end_on_fail=False), Step(2, Measure(("3V3",))), takes=math.inf)
    was_on = off_when_stopped(bench, fake)

    outcome = bench.run()

    assert was_on == [False]
    assert outcome.result is AttemptResult.FAILED
    assert "flasher did not end within 1 min: outputs off, then ended" in outcome.cause
    assert data_of(bench, "program")["output"] == "half"
    assert bench.record.ended_steps[2][1] is StepOutcome.LEFT_OUT
    assert "VIN is not powered" in bench.record.ended_steps[2][3]


@pytest.mark.parametrize("interruption", list(Interruption))
def test_an_interruption_switches_off_before_the_program_is_ended(interruption: Interruption) -> None:
    bench, fake = at_work(Step(1, FLASH), takes=math.inf)
    was_on = off_when_stopped(bench, fake)
    bench.clock.interrupt(interruption, at=30.0)

    outcome = bench.run()

    assert was_on == [False]
    assert outcome.result in (AttemptResult.CALLED_OFF, AttemptResult.BROKEN_OFF)
    assert outcome.off_verified
    assert data_of(bench, "program")["output"] == "half"


def test_a_trip_switches_off_before_the_program_is_ended() -> None:
    bench, fake = at_work(Step(1, FLASH), takes=math.inf)
    was_on = off_when_stopped(bench, fake)
    bench.clock.at(30.0, lambda: bench.world.plant(Fault("5V0", FaultKind.SHORTED_THROUGH, 5.0)), wakes=False)

    outcome = bench.run()

    assert was_on == [False]
    assert outcome.result is AttemptResult.FAILED
    assert "trip" in bench.record.kinds()


def test_a_program_that_cannot_be_ended_is_said() -> None:
    bench, fake = at_work(Step(1, FLASH), takes=math.inf, stops_after=math.inf)
    bench.clock.interrupt(Interruption.CTRL_C, at=30.0)

    bench.run()

    assert fake.stopped_at is not None
    (text,) = (text for kind, text, _ in bench.record.events if kind == "program")
    assert "cannot be ended" in text


def test_leaving_the_step_out_switches_off_and_ends_it() -> None:
    bench, fake = at_work(Step(1, FLASH), takes=math.inf)
    was_on = off_when_stopped(bench, fake)
    person = SimulatedPerson(
        attended=True, clock=bench.clock, script=[Scripted(Answer("no cable"), PromptKind.TEXT, "Why leave out")]
    )
    person.press("l", at=30.0)

    outcome = bench.run(ask=person)

    assert was_on == [False]
    assert outcome.result is AttemptResult.INCOMPLETE
    assert bench.record.ended_steps[1][1] is StepOutcome.LEFT_OUT


@pytest.mark.parametrize(("end", "moved"), [(GOOD, True), (replace(GOOD, exit_code=1), False)])
def test_the_board_is_in_its_new_state_once_the_program_has_ended_well(end: ProgramEnd, moved: bool) -> None:
    procedure: Procedure = with_steps(APPLY, Step(1, FLASH, board_state="programmed", end_on_fail=False))
    bench = simulated_bench(procedure, history=SEEN)
    fake = ProgramFake(bench.clock, end=end)
    at_start: list[bool] = []
    started = fake.start

    def start(order: ProgramOrder) -> ProgramFake:
        at_start.append('SIMulate:STATe "programmed"' in bench.meter_link.sent)
        return started(order)

    fake.start = start  # type: ignore[method-assign]

    bench.run(programs=fake)

    assert at_start == [False]
    assert ('SIMulate:STATe "programmed"' in bench.meter_link.sent) is moved
    assert fake.orders[0].environment["BRINGUP_BOARD_STATE"] == "blank"


@pytest.mark.parametrize("serial", ["-rf", "--erase"])
def test_a_serial_number_that_looks_like_an_option_is_no_argument(serial: str) -> None:
    bench, fake = at_work(Step(1, FLASH))
    board = replace(bench.procedure.board, serial_pattern="")

    outcome = bench.run(serial=serial, procedure=replace(bench.procedure, board=board))

    assert not fake.orders
    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "would take for an option" in outcome.cause


def test_where_programs_cannot_be_run_the_attempt_breaks_off() -> None:
    bench, _ = at_work(Step(1, FLASH))

    outcome = bench.run(programs=None)

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "cannot be run here" in outcome.cause
