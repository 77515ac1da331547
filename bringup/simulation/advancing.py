"""Moving the simulated bench from one moment to the next: which steps, and how long.

Short steps while something moves, long ones while nothing much does, none at all in steady state (an hour then costs
microseconds). A step whose error is too large, or that passes a threshold, is taken back and tried shorter. What a
step does is in feeding.py and board_in_time.py.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import inf, sqrt
from typing import Any

from bringup.simulation.board_in_time import BoardInTime, Kept
from bringup.simulation.converting import Converting
from bringup.simulation.feeding import Feeding, Span
from bringup.simulation.power_stage import PowerStage

SHORTEST = 20e-6
"""Seconds of the first step after anything changed."""
EDGE = 100e-6
"""How closely the moment is found at which a threshold is passed (start, stop, over-voltage)."""
LONG = 0.01
"""A step at least this long in which nothing moved means that nothing will until something happens."""
PATIENCE = 10_000
"""Steps in one go after which what still moves counts as going to and fro for good ..."""
SEEN_AGAIN = 2.0
"""... and time is passed over up to this many seconds before the moment asked for."""
STILL = 1e-9
"""Volts and amperes that count as nothing."""
FAST_LEVEL = 0.012
"""Seconds for which a moving supply level is followed closely ..."""
LEVEL_STEPS = (2e-4, 2e-3)
"""... and the longest steps during that and until it has settled."""
_SAFETY, _TIGHT, _NO_ERROR = 0.8, 0.64, 1e-3


@dataclass(slots=True)
class Advancing:
    """The bench at one moment. `fed`: output -> nets that its leads feed."""

    board: BoardInTime
    stages: dict[int, PowerStage]
    lead_ohms: float
    fed: dict[int, tuple[int, ...]] = field(default_factory=dict)
    now: float = 0.0
    on_seconds: float = 0.0
    """Time for which any output has been on."""
    fault_due: float = inf
    """`on_seconds` at which the next fault appears."""
    steps: int = 0
    """Steps taken so far, for whoever wants to know what this costs."""
    _step: float = SHORTEST
    _still: bool = False

    def disturb(self) -> None:
        """Something changed from outside: look closely again."""
        self._step = SHORTEST
        self._still = False

    def advance(self, until: float, note: Callable[[], None], appear: Callable[[], None]) -> None:
        """Move to `until`; calls `note` after every step and `appear` whenever a fault is due."""
        patience = self.steps + PATIENCE
        while self.now < until:
            if self.steps > patience:
                self._skip(until - SEEN_AGAIN)
                patience = self.steps + PATIENCE
            event = self._next_event()
            end = min(until, event)
            if self._still:
                self._pass(end - self.now)
            elif not self._try(min(self._step, end - self.now, self._longest())):
                continue
            if self.now >= event - STILL:
                self.disturb()
            note()
            if self.on_seconds >= self.fault_due - STILL and self._any_on():
                appear()

    def _skip(self, until: float) -> None:
        """Something goes to and fro and will go on so (hiccup, a board that cannot start): take that as given."""
        seconds = until - self.now
        if self._any_on():
            silent = min(stage.alive_until for stage in self.stages.values() if stage.on) - self.now
            seconds = min(seconds, self.fault_due - self.on_seconds, silent)
        if seconds <= 0.0:
            return
        self._pass(seconds)
        self.board.shift(seconds)
        for stage in self.stages.values():
            stage.shift(seconds)

    def _pass(self, seconds: float) -> None:
        self.now += seconds
        if self._any_on():
            self.on_seconds += seconds

    def _try(self, seconds: float) -> bool:
        """Take one step, unless it proves too long: then everything is as before and the next one is shorter."""
        before, stages = self.board.kept(), {number: stage.kept() for number, stage in self.stages.items()}
        feeding = Feeding(self.board, self.lead_ohms, self.fed)
        error = self.board.step_rails(self.now, seconds)
        error = max(error, feeding.step(self.stages, Span(self.now, seconds)))
        crossed = seconds > EDGE and (self.board.crossed(before[0]) or self._over_voltage_crossed(stages, seconds))
        if (error > 1.0 or crossed) and seconds > SHORTEST:
            self.board.come_back(before)
            self.stages.update((number, PowerStage(*kept)) for number, kept in stages.items())
            self._step = max(SHORTEST, seconds / 4.0)
            return False
        self.steps += 1
        self._pass(seconds)
        tripped = [stage.watch(self.now) for stage in self.stages.values()]
        if self.board.sinks.stop(self.board.volts):
            tripped.append(True)
        if any(tripped):
            self.disturb()
        else:
            wanted = seconds * min(2.0, _SAFETY / sqrt(max(error, _NO_ERROR)))
            self._step = max(SHORTEST, wanted) if error > _TIGHT else max(self._step, wanted)
        self._still = seconds >= LONG and not any(tripped) and self._unmoved(before, stages)
        return True

    def _next_event(self) -> float:
        soonest = self.board.next_event(self.now)
        for stage in self.stages.values():
            soonest = min(soonest, stage.next_event(self.now))
        if self.on_seconds < self.fault_due < inf and self._any_on():
            soonest = min(soonest, self.now + self.fault_due - self.on_seconds)
        return soonest

    def _longest(self) -> float:
        longest = self.board.longest_step(self.now)
        for stage in self.stages.values():
            if stage.moving(self.now):
                longest = min(longest, LEVEL_STEPS[0 if self.now - stage.step_at < FAST_LEVEL else 1])
        return longest

    def _any_on(self) -> bool:
        return any(stage.on for stage in self.stages.values())

    def _over_voltage_crossed(self, before: dict[int, tuple[Any, ...]], seconds: float) -> bool:
        for number, stage in self.stages.items():
            level = stage.over_voltage
            if level is None or not stage.on:
                continue
            if PowerStage(*before[number]).shown_volts(self.now) <= level < stage.shown_volts(self.now + seconds):
                return True
        return False

    def _unmoved(self, before: Kept, stages: dict[int, tuple[Any, ...]]) -> bool:
        """Whether nothing changed over the last step."""
        for was, is_now in zip(before[0], self.board.volts, strict=True):
            if abs(was - is_now) > STILL:
                return False
        for kept, new in zip(before[1], self.board.converting, strict=True):
            old = Converting(*kept)
            if old.running != new.running or old.limiting_since != new.limiting_since:
                return False
            if abs(old.amps - new.amps) > STILL:
                return False
        for number, stage in self.stages.items():
            earlier = PowerStage(*stages[number])
            if abs(earlier.volts - stage.volts) > STILL or abs(earlier.amps - stage.amps) > STILL:
                return False
        return True
