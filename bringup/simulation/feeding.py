"""Where the supply meets the board: leads, constant voltage, constant current, and what happens with neither.

One step of every output and every board input. In constant voltage an input is driven through the lead resistance; in
constant current the limit charges it (and the supply's output capacitor empties into it when the voltage falls);
with the output off, capacitors and bleeder are one net.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bringup.core.frozen import frozen
from bringup.simulation.board_in_time import BoardInTime
from bringup.simulation.physics import OutputMode
from bringup.simulation.power_stage import (
    BLEED_OHMS,
    CROWBAR_OHMS,
    CROWBAR_RELEASE,
    OUTPUT_FARADS,
    SINK_AMPS,
    PowerStage,
)
from bringup.simulation.relaxation import Relaxed, relax


@frozen
class Span:
    """A step of time."""

    now: float
    seconds: float


@dataclass(slots=True)
class Feeding:
    """The leads: which nets each output feeds at this moment, and through what resistance."""

    board: BoardInTime
    ohms: float
    """Both leads of one input together."""
    fed: Mapping[int, tuple[int, ...]]
    """Output -> nets of the inputs its leads feed; empty when the leads are elsewhere, or reversed."""

    def step(self, stages: Mapping[int, PowerStage], span: Span) -> float:
        """Move every output and input on; returns the worst error as a multiple of what is allowed."""
        worst = 0.0
        connected: set[int] = set()
        for number, stage in stages.items():
            nets = self.fed.get(number, ())
            connected.update(nets)
            if not nets:
                _step_alone(stage, span)
            elif stage.on:
                worst = max(worst, self._step_on(stage, nets, span))
            else:
                worst = max(worst, self._step_off(stage, nets, span))
        for index, net in enumerate(self.board.circuit.nets):
            if net.stage is None and index not in connected:
                worst = max(worst, self._settle(index, self._free(index, 0.0, 0.0, span)))
        return worst

    def _step_on(self, stage: PowerStage, nets: tuple[int, ...], span: Span) -> float:
        level = stage.level(span.now + span.seconds) + stage.compensation(self.ohms)
        driven = {index: self._driven(index, level, span) for index in nets}
        wanted = {index: self._mean_amps(index, relaxed.volts, span) for index, relaxed in driven.items()}
        total = sum(wanted.values())
        allowed = stage.allowed(span.now)
        stage.mode = OutputMode.VOLTAGE
        if total <= stage.limit:
            stage.limiting_since = None
        elif stage.limiting_since is None:
            stage.limiting_since = span.now
        moves = driven
        if total > allowed:
            stage.mode = OutputMode.CURRENT
            moves = {index: self._limited(index, allowed * wanted[index] / total, span) for index in nets}
            moves = {index: min(move, driven[index], key=_volts) for index, move in moves.items()}
        elif total < -SINK_AMPS:
            stage.mode = OutputMode.UNREGULATED
            moves = {index: self._free(index, SINK_AMPS / len(nets), OUTPUT_FARADS, span) for index in nets}
            moves = {index: max(move, driven[index], key=_volts) for index, move in moves.items()}
        amps = sum(self._mean_amps(index, move.volts, span) for index, move in moves.items())
        if moves is driven:
            amps = sum((level - move.volts) / self.ohms for move in moves.values())
        if stage.mode is OutputMode.UNREGULATED:
            amps = max(amps, -SINK_AMPS)
        worst = max(self._settle(index, move) for index, move in moves.items())
        stage.amps = amps
        stage.volts = level if moves is driven else max(0.0, self.board.volts[nets[0]] + self.ohms * amps / len(nets))
        return worst

    def _step_off(self, stage: PowerStage, nets: tuple[int, ...], span: Span) -> float:
        siemens = 1.0 / (CROWBAR_OHMS if stage.crowbar else BLEED_OHMS)
        moves = {nets[0]: self._free(nets[0], 0.0, OUTPUT_FARADS, span, siemens, terminals=stage.volts)}
        moves |= {index: self._free(index, 0.0, 0.0, span) for index in nets[1:]}
        worst = max(self._settle(index, move) for index, move in moves.items())
        stage.volts, stage.amps, stage.mode = self.board.volts[nets[0]], 0.0, OutputMode.OFF
        stage.crowbar = stage.crowbar and stage.volts > CROWBAR_RELEASE
        return worst

    def _driven(self, index: int, level: float, span: Span) -> Relaxed:
        """Constant voltage: the net pulled towards `level` through the leads."""
        volts = self.board.volts[index]
        slope = -1.0 / self.ohms - self.board.slope(index, volts)
        farads = self.board.moved_farads(index)
        return relax(volts, span.seconds, farads, lambda v: (level - v) / self.ohms - self.board.drawn(index, v), slope)

    def _limited(self, index: int, given: float, span: Span) -> Relaxed:
        """Constant current: the limit less what the board draws; a falling net takes the output capacitor along."""
        volts = self.board.volts[index]
        farads = self.board.moved_farads(index)
        if given < self.board.drawn(index, volts):
            farads += OUTPUT_FARADS
        slope = -self.board.slope(index, volts)
        return relax(volts, span.seconds, farads, lambda v: given - self.board.drawn(index, v), slope)

    def _free(
        self,
        index: int,
        taken: float,
        extra_farads: float,
        span: Span,
        siemens: float = 0.0,
        terminals: float | None = None,
    ) -> Relaxed:
        """Nothing drives the net: it feeds its loads, its leak, and `taken` or `siemens` of the supply."""
        board = self.board
        farads = board.moved_farads(index) + extra_farads
        volts = board.volts[index]
        if terminals is not None:
            volts += (terminals - volts) * extra_farads / farads
        leak = siemens if taken > 0.0 else board.leaks[index] + siemens
        slope = -board.slope(index, volts) - leak
        return relax(volts, span.seconds, farads, lambda v: -taken - board.drawn(index, v) - leak * v, slope)

    def _mean_amps(self, index: int, volts: float, span: Span) -> float:
        """Mean current into the net over a step that ends at `volts`."""
        before = self.board.volts[index]
        charging = self.board.moved_farads(index) * (volts - before) / span.seconds
        return charging + 0.5 * (self.board.drawn(index, before) + self.board.drawn(index, volts))

    def _settle(self, index: int, relaxed: Relaxed) -> float:
        excess = self.board.excess(index, relaxed)
        self.board.volts[index] = relaxed.volts
        return excess


def _volts(relaxed: Relaxed) -> float:
    return relaxed.volts


def _step_alone(stage: PowerStage, span: Span) -> None:
    """An output whose terminals feed nothing."""
    stage.amps = 0.0
    if not stage.on:
        if stage.volts == 0.0:
            stage.mode, stage.crowbar = OutputMode.OFF, False
            return
        ohms = CROWBAR_OHMS if stage.crowbar else BLEED_OHMS
        stage.volts = relax(stage.volts, span.seconds, OUTPUT_FARADS, lambda v: -v / ohms, -1.0 / ohms).volts
        stage.mode = OutputMode.OFF
        stage.crowbar = stage.crowbar and stage.volts > CROWBAR_RELEASE
        return
    level = stage.level(span.now + span.seconds)
    lowest = stage.volts - SINK_AMPS * span.seconds / OUTPUT_FARADS
    highest = stage.volts + stage.limit * span.seconds / OUTPUT_FARADS
    stage.volts = max(lowest, min(highest, level))
    stage.mode = OutputMode.VOLTAGE
    if stage.volts != level:
        stage.mode = OutputMode.CURRENT if stage.volts < level else OutputMode.UNREGULATED
