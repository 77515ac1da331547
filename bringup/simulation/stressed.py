"""A simulated bench that notices what a fault does to the board meanwhile: volts that damage, energy into the fault."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from bringup.core.board import Board
from bringup.core.faults import Fault, FaultKind
from bringup.core.parts import Parts
from bringup.core.rehearsal import Energy, Stress
from bringup.simulation.hand import HeldWorld, Touching
from bringup.simulation.physics import LeadsAt

REVERSED_ABOVE = 1.0
"""Volts the wrong way round at an input that count as beyond what it bears: a short check goes up to that."""

TAKES_POWER = (FaultKind.SHORTED_THROUGH, FaultKind.EXCESS_LOAD)

IN_THE_AIR = 0.1
"""Seconds: two readings, of which one shows that the probe was lifted."""


class StressedWorld(HeldWorld):
    """HeldWorld that keeps the highest voltage of every point whose board file states what damages it."""

    def __init__(
        self,
        board: Board,
        *,
        outputs: Mapping[str, int],
        serial: str = "",
        faults: Sequence[Fault] = (),
        state: str | None = None,
        lead_resistance: float = 0.1,
        loads: Mapping[str, int] | None = None,
        draw: Callable[[Board, str], Parts],
        meter_leads: float = 0.0,
    ) -> None:
        """As for BoardWorld."""
        self._highest: dict[str, float] = {}
        self._noted = 0.0
        self._joules = self._most_watts = 0.0
        self._levels: tuple[tuple[str, float], ...] = ()
        super().__init__(
            board,
            outputs=outputs,
            serial=serial,
            faults=faults,
            state=state,
            lead_resistance=lead_resistance,
            loads=loads,
            draw=draw,
            meter_leads=meter_leads,
        )
        stated = ((point.name, point.damage_above) for point in board.points())
        self._levels = tuple((name, abs(level.number)) for name, level in stated if level is not None)

    def hand(self, point: str | None, now: float) -> None:
        """Have a deft hand take the probe there: so briefly in the air that nobody takes that for a reading of 0 V."""
        self.follow([Touching(now, None), Touching(now + IN_THE_AIR, point)], now)

    @property
    def stressed(self) -> tuple[Stress, ...]:
        """What was beyond its level, in the order of the board file; a reversed input with a level of 0 V."""
        levels = dict(self._levels)
        return tuple(Stress(name, volts, levels.get(name, 0.0)) for name, volts in self._highest.items())

    @property
    def energy(self) -> Energy | None:
        """What went into shorts and excess loads so far; None where nothing of that is planted."""
        if not any(each.fault.kind in TAKES_POWER for each in self.specimen.planted):
            return None
        return Energy(self._joules, self._most_watts)

    def _note(self) -> None:
        super()._note()
        seconds, self._noted = self._bench.now - self._noted, self._bench.now
        if seconds > 0.0:
            self._heat(seconds)
        volts, index_of = self._bench.board.volts, self._bench.board.circuit.net_of
        for name, level in self._levels:
            if (index := index_of.get(name)) is not None and volts[index] > level:
                self._highest[name] = max(volts[index], self._highest.get(name, 0.0))
        if self._leads is not LeadsAt.BOARD:
            return
        for name in self._reversed():
            reached = abs(self._terminals_at(name))
            if reached > REVERSED_ABOVE:
                self._highest[name] = max(reached, self._highest.get(name, 0.0))

    def _heat(self, seconds: float) -> None:
        """Add what went into the faults since the last step, at the volts that it ended with."""
        board = self._bench.board
        for each in self.specimen.planted:
            fault = each.fault
            index = board.circuit.net_of.get(fault.point)
            if fault.kind not in TAKES_POWER or not each.present or not fault.value or index is None:
                continue
            volts = board.volts[index]
            watts = volts * volts / fault.value if fault.kind is FaultKind.SHORTED_THROUGH else volts * fault.value
            self._joules += watts * seconds
            self._most_watts = max(self._most_watts, watts)

    def _reversed(self) -> list[str]:
        planted = [one for one in self.specimen.planted if one.fault.kind is FaultKind.LEADS_REVERSED]
        return [one.fault.point for one in planted if one.present]
