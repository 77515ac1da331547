"""Somebody who holds the probe of a simulated bench and presses Enter when asked, on the simulated clock."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from bringup.core.board import Board
from bringup.core.procedure import Apply, Measure, Step
from bringup.core.quantity import parse_quantity
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.hand import Touching, course_to
from bringup.simulation.person import SimulatedPerson
from tests.fakes import ROOT, SEEN, SimulatedBench, picked, simulated_bench

BY_HAND = ROOT / "fixtures/benches/simulated-by-hand-probing.yaml"
PEDAL = "Enter or the pedal"
"""In every question that one key answers for a reading."""

CourseOf = Callable[[str, float], Sequence[Touching]]
"""Where the probe is taken when it is to go to a point, told at that time."""


class Holder(SimulatedPerson):
    """Presses Enter `after` seconds for a reading that is offered, if it `agrees`; all else is answered at once."""

    def __init__(self, clock: SimulatedClock, agrees: Callable[[Prompt], bool], after: float = 0.6) -> None:
        super().__init__(attended=True, clock=clock)
        self._time = clock
        self._agrees = agrees
        self._after = after

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        """Leave an offered reading open until the key is pressed."""
        if PEDAL not in prompt.text:
            if "Was the probe on" in prompt.text and not self._agrees(prompt):
                prompt = replace(prompt, suggestion=prompt.choices[1])
            return super().ask(prompt)
        pending: Pending[Answer] = Pending(math.inf, self._time.wake)
        self._open = pending
        self.asked.append((prompt, Answer()))
        if self._agrees(prompt):
            self._time.at(self._time.monotonic() + self._after, lambda: self._settle(pending, Answer()), wakes=False)
        return pending

    def offers(self) -> list[str]:
        """The questions that one key would have answered."""
        return [prompt.text for prompt, _ in self.asked if PEDAL in prompt.text]


def held(
    *points: str,
    course_of: CourseOf | None = None,
    agrees: Callable[[Prompt], bool] = lambda _: True,
    board: Board | None = None,
    bench_path: Path = BY_HAND,
    courses: Mapping[str, CourseOf] | None = None,
) -> SimulatedBench:
    """Return a bench on which these points are measured with a probe held by hand, VIN being on.

    `course_of` moves the probe, or `courses` for single points; else a tidy hand does.
    """
    procedure = picked("apply")
    if board is not None:
        procedure = replace(procedure, board=board)
    apply = procedure.steps[0]
    assert isinstance(apply.action, Apply)
    apply = replace(apply, action=replace(apply.action, then=(parse_quantity("24 V"),)))
    steps = (replace(apply, index=0), Step(1, Measure(points), end_on_fail=False))
    bench = simulated_bench(replace(procedure, steps=steps), history=SEEN, bench_path=bench_path)
    bench.record.known = replace(
        SEEN,
        resistance_seen=frozenset(bench.board.inputs) | frozenset(bench.board.rails),
        leads_seen=frozenset({(bench.bench.name, "VIN")}),
    )
    bench.ask = Holder(bench.clock, agrees)
    world = bench.world

    def hand(point: str | None, now: float) -> None:
        if point is None:
            world.follow(course_to(None, now), now)
            return
        of = (courses or {}).get(point) or course_of or course_to
        world.follow(of(point, now), now)

    world.hand = hand  # type: ignore[method-assign]
    return bench


def offers(bench: SimulatedBench) -> list[str]:
    """What the person was asked to press a key for."""
    assert isinstance(bench.ask, Holder)
    return bench.ask.offers()


def measured(bench: SimulatedBench) -> dict[str, float | None]:
    """What was kept in the `measure` step, in order; what was taken again by its last value."""
    return {each.point or each.aspect: each.value for each in bench.record.readings if each.step == 1}
