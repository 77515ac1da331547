"""The simulated bench in time: one unit of a board, a supply's outputs and their leads, one probe.

It implements physics.World and knows no SCPI. The same calls at the same times give the same values. One at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from bringup.core.board import Board
from bringup.core.design_values import sign_of
from bringup.core.faults import Fault, FaultKind
from bringup.core.parts import Parts, parts_of
from bringup.core.solver import SENSE_OPEN_RISE
from bringup.errors import BenchError
from bringup.simulation.advancing import Advancing
from bringup.simulation.board_in_time import BoardInTime, wiring_of
from bringup.simulation.physics import LeadsAt, OutputMode
from bringup.simulation.power_stage import PowerStage
from bringup.simulation.sinks import Loads
from bringup.simulation.touching import Touching
from bringup.simulation.unit_on_bench import UnitOnBench
from bringup.simulation.whole_board import whole

SMALLEST_LEAD_OHMS = 1e-3


class BoardWorld:
    """physics.World for one board. `outputs`: board input -> number (1 where not named); `draw`: a unit's parts."""

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
        draw: Callable[[Board, str], Parts] = parts_of,
        meter_leads: float = 0.0,
    ) -> None:
        """Raise BenchError for what the board does not have. The leads are plugged in. `loads`: point -> channel.

        `meter_leads`: ohms of the meter's own leads together.
        """
        self._board = whole(board)
        self._outputs = {name: outputs.get(name, 1) for name in board.inputs}
        self.specimen = UnitOnBench(self._board, serial, next(iter(board.states), None), draw)
        if state is not None:
            self.specimen.put_into(state)
        self._leads = LeadsAt.BOARD
        self._begun = False
        stages = {number: PowerStage() for number in self._outputs.values()}
        board_in_time = BoardInTime(wiring_of(self.specimen.circuit()), [])
        self._bench = Advancing(board_in_time, stages, max(SMALLEST_LEAD_OHMS, lead_resistance))
        self._touching = Touching(self.specimen, self._bench, self._volts_at, self._net, meter_leads)
        self.loads = Loads(loads or {}, self._bench, self._advance)
        for fault in faults:
            self.specimen.plant(fault, 0.0)
        self._appear()

    # the unit on the bench

    def unit(self, serial: str) -> None:
        """Put another unit on the bench: discharged, with the faults that are planted. Outputs must be off."""
        if any(stage.on for stage in self._bench.stages.values()):
            raise BenchError("The unit cannot be changed while an output is on.", "Switch every output off first.")
        self._bench.board.discharge()
        self.specimen.change(serial, self._bench.on_seconds)
        self._appear()

    def state(self, name: str) -> None:
        """Put the board into a board state. Raises BenchError for one that the board file does not name."""
        self.specimen.put_into(name)
        self._rebuild()

    def plant(self, fault: Fault) -> None:
        """Add a fault; its `after` counts from now. Raises BenchError for one that this board cannot have."""
        self.specimen.plant(fault, self._bench.on_seconds)
        self._appear()

    def leads(self, where: LeadsAt, now: float) -> None:
        """Move the supply's leads."""
        self._advance(now)
        self._leads = where
        self._rebuild()

    def probe(self, point: str | None, now: float) -> None:
        """Put the probe on a point, or on nothing. Raises BenchError for one that the board does not have."""
        if point is not None:
            self._known(point)
        self._advance(now)
        self._touching.put(point)
        self._note()

    def across(self, red: str | None, black: str | None, now: float) -> None:
        """Put the meter's leads on two points, None for ground; both None: their tips together. Raises BenchError."""
        for point in filter(None, (red, black)):
            self._known(point)
        self._advance(now)
        self._touching.put_across(red, black)
        self._note()

    hand = probe

    # the supply

    def set_voltage(self, output: int, volts: float, now: float) -> None:
        """Set the level; the terminals move there in a damped step."""
        stage = self._look(output, now)
        if volts != stage.set_volts:
            self._bench.disturb()
            stage.begin_step(self._bench.now)
            stage.set_volts = volts

    def set_current_limit(self, output: int, amps: float, now: float) -> None:
        """Set the cross-over current."""
        stage = self._look(output, now)
        if amps != stage.limit:
            self._bench.disturb()
            stage.limit = amps

    def set_over_voltage(self, output: int, volts: float | None, now: float) -> None:
        """Set the crowbar level; None: protection off."""
        stage = self._look(output, now)
        stage.over_voltage = volts
        self._heed(stage)

    def set_over_current(self, output: int, amps: float | None, delay: float, now: float) -> None:
        """Set the trip current and the time it must last; None: protection off."""
        stage = self._look(output, now)
        stage.over_current, stage.over_current_delay = amps, delay
        self._heed(stage)

    def set_watchdog(self, output: int, until: float, now: float) -> None:
        """Have the output switch itself off then; math.inf: never."""
        self._look(output, now).alive_until = until

    def set_remote_sense(self, output: int, remote: bool, now: float) -> None:
        """Sense at the board instead of the terminals."""
        stage = self._look(output, now)
        if remote != stage.remote:
            self._bench.disturb()
            stage.begin_step(self._bench.now)
            stage.remote = remote

    def switch(self, output: int, on: bool, now: float) -> None:
        """Switch the output; one that has tripped stays off until its trip is cleared."""
        stage = self._look(output, now)
        self._bench.disturb()
        stage.switch(on, self._bench.now)

    def clear_trip(self, output: int, now: float) -> None:
        """Clear a trip. The output stays off."""
        self._look(output, now).trip = None

    def is_on(self, output: int, now: float) -> bool:
        """Whether the output is on."""
        return self._look(output, now).on

    def tripped(self, output: int, now: float) -> str | None:
        """'over-voltage', 'over-current', 'watchdog' or None."""
        return self._look(output, now).trip

    def mode(self, output: int, now: float) -> OutputMode:
        """What the power stage does at this moment."""
        return self._look(output, now).mode

    def terminal_volts(self, output: int, now: float) -> float:
        """Volts as the supply's own voltmeter finds them, where it senses: true, but for a wrong-voltage fault."""
        stage = self._look(output, now)
        sensed = stage.on and stage.sense_open_rise == 1.0
        return stage.shown_volts(self._bench.now) - (stage.compensation(self._bench.lead_ohms) if sensed else 0.0)

    def terminal_amps(self, output: int, now: float) -> float:
        """Amps out of the terminals."""
        return self._look(output, now).amps

    # what the probe touches

    def probe_volts(self, now: float, aperture: float, input_resistance: float) -> float:
        """Mean volts over the aperture before `now`; from this call on, the meter's input loads the point."""
        self._advance(now)
        return self._touching.volts(aperture, input_resistance)

    def probe_noise(self, now: float) -> float:
        """RMS volts of ripple at the probe: little at a sound rail, a lot where the capacitor is missing."""
        self._advance(now)
        return self._touching.noise()

    def probe_ohms(self, now: float, test_current: float, open_circuit_volts: float) -> float:
        """Resistance as an ohmmeter sees it now; math.inf where its test current meets its highest voltage."""
        self._advance(now)
        return self._touching.ohms(test_current, open_circuit_volts)

    def point_volts(self, point: str, now: float) -> float:
        """Volts of a point of the board, signed; 0 for one that nothing known feeds."""
        self._known(point)
        self._advance(now)
        return self._volts_at(point)

    def input_volts(self, name: str, now: float) -> float:
        """Volts at an input of the board, signed: negative while the leads are reversed."""
        return self.point_volts(name, now)

    # how it hangs together

    def _advance(self, now: float) -> None:
        """Move to `now`; the first call says when the world begins. A time gone by is taken for the present."""
        if not self._begun:
            self._begun = True
            self._bench.now = self._touching.probe.ohms_from = now
            self._note()
        self._bench.advance(now, self._note, self._appear)

    def _look(self, output: int, now: float) -> PowerStage:
        self._advance(now)
        return self._bench.stages.setdefault(output, PowerStage())

    def _heed(self, stage: PowerStage) -> None:
        """A protection was set, which moves nothing unless it trips on what flows already."""
        if stage.watch(self._bench.now):
            self._bench.disturb()

    def _known(self, point: str) -> None:
        if point not in (known := [*self._board.inputs, *self._board.rails]):
            raise BenchError(f"The board has no point {point!r}.", f"It has {', '.join(known)}.")

    def _appear(self) -> None:
        """Let due faults appear, charges included."""
        for fault in self.specimen.appear(self._bench.on_seconds):
            index = self._bench.board.circuit.net_of.get(fault.point)
            if fault.kind is FaultKind.CHARGED and fault.value is not None and index is not None:
                self._bench.board.volts[index] = abs(fault.value)
        self._rebuild()

    def _rebuild(self) -> None:
        """Make the circuit, the leads and the supply's faults what they are now; voltages stay."""
        bench, unit = self._bench, self.specimen
        bench.fault_due = unit.next_due()
        bench.board.wiring = wiring_of(unit.circuit())
        bench.board.leaks = unit.leaks(bench.board.circuit)
        fed: dict[int, tuple[int, ...]] = {}
        for name, number in self._outputs.items():
            if self._leads is LeadsAt.BOARD and not unit.has(FaultKind.LEADS_REVERSED, (name,)):
                fed[number] = (*fed.get(number, ()), bench.board.circuit.net_of[name])
            self._plant_in_supply(bench.stages[number], name)
        bench.fed = fed
        bench.disturb()

    def _plant_in_supply(self, stage: PowerStage, name: str) -> None:
        wrong = (f.value for f in self.specimen.present() if f.kind is FaultKind.WRONG_VOLTAGE and f.point == name)
        real = next(wrong, None)
        rise = SENSE_OPEN_RISE if self.specimen.has(FaultKind.SENSE_OPEN, (name,)) else 1.0
        if real != stage.real_volts or rise != stage.sense_open_rise:
            stage.begin_step(self._bench.now)
            stage.real_volts, stage.sense_open_rise = real, rise

    def _net(self, point: str | None) -> int | None:
        """Net of the board that the probe touches; None on nothing, on free ends, on a point nothing known feeds."""
        if point is None or (self._leads is LeadsAt.FREE and point in self._board.inputs):
            return None
        return self._bench.board.circuit.net_of.get(point)

    def _note(self) -> None:
        point = self._touching.probe.point
        if point is None:
            volts = 0.0
        elif self._leads is LeadsAt.FREE and point in self._board.inputs:
            volts = self._terminals_at(point)
        else:
            volts = self._volts_at(point)
        self._touching.probe.note(self._bench.now, volts)

    def _terminals_at(self, name: str) -> float:
        """Volts at the far end of an input's leads, signed as the connector would see them."""
        volts = self._bench.stages[self._outputs[name]].volts * sign_of(self._board, name)
        return -volts if self.specimen.has(FaultKind.LEADS_REVERSED, (name,)) else volts

    def _volts_at(self, point: str) -> float:
        at_board = point in self._board.inputs and self._leads is LeadsAt.BOARD
        if at_board and self.specimen.has(FaultKind.LEADS_REVERSED, (point,)):
            return self._terminals_at(point) + 0.0
        index = self._bench.board.circuit.net_of.get(point)
        if index is None:
            return self.specimen.unfed_volts(point)
        return self._bench.board.circuit.nets[index].sign * self._bench.board.volts[index] + 0.0
