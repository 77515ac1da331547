"""What the meter's leads are on, and what they find there: one point against ground, or two points.

The world in time calls it; of the world it needs the voltages of points and which net they are on.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf

from bringup.core.design_values import nominal_volts
from bringup.core.faults import FaultKind
from bringup.simulation.advancing import Advancing
from bringup.simulation.power_stage import BLEED_OHMS, OUTPUT_FARADS
from bringup.simulation.probing import JUNCTION_VOLTS, Across, Probe, ripple
from bringup.simulation.unit_on_bench import UnitOnBench


class Touching:
    """The meter's leads. `volts_at`: signed volts of a point; `net_of`: its net on the board, None for none."""

    def __init__(
        self,
        unit: UnitOnBench,
        bench: Advancing,
        volts_at: Callable[[str], float],
        net_of: Callable[[str | None], int | None],
        meter_leads: float,
    ) -> None:
        """`meter_leads`: ohms of the meter's own leads together."""
        self.probe = Probe()
        self._across: Across | None = None
        self._unit, self._bench = unit, bench
        self._volts_at, self._net_of = volts_at, net_of
        self._own_ohms = meter_leads

    def put(self, point: str | None) -> None:
        """Put the red lead on a point, the black one on ground; None: off everything."""
        self._leave_charge()
        self._bench.board.meter_siemens.clear()
        self.probe = Probe(point=point, ohms_from=self._bench.now)
        self._across = None

    def slide(self, point: str | None) -> None:
        """Move the red lead without a break in what the meter sees: its input goes on integrating."""
        self._leave_charge()
        self._bench.board.meter_siemens.clear()
        self.probe.point, self.probe.ohms_from = point, self._bench.now
        self._across = None

    def put_across(self, red: str | None, black: str | None) -> None:
        """Put the leads on two points."""
        self.put(None)
        self._across = Across(red=red, black=black, ohms_from=self._bench.now)

    def volts(self, aperture: float, input_resistance: float) -> float:
        """Mean volts over the aperture before now; from this call on, the meter's input loads the point."""
        if self._across is not None:
            return self._apart(self._across)
        index = self._net_of(self.probe.point)
        self._leave_charge()
        board = self._bench.board
        if index is not None and board.meter_siemens.get(index) != 1.0 / input_resistance:
            board.meter_siemens[index] = 1.0 / input_resistance
            self._bench.disturb()
        self.probe.ohms_from = self._bench.now
        return self.probe.mean(self._bench.now, aperture)

    def noise(self) -> float:
        """RMS volts of ripple at the probe: little at a sound rail, a lot where the capacitor is missing."""
        index = self._net_of(self.probe.point)
        if index is None:
            return 0.0
        stage, state = self._bench.board.circuit.nets[index].stage, self._bench.board.converting[index]
        if stage is None or not state.running:
            return 0.0
        missing = self._unit.has(FaultKind.CAPACITOR_MISSING, self._bench.board.circuit.nets[index].points)
        return ripple(stage, state.volts, missing=missing)

    def ohms(self, test_current: float, open_circuit_volts: float) -> float:
        """Resistance as an ohmmeter sees it now; math.inf where its test current meets its highest voltage."""
        if self._across is not None:
            return self._between(self._across, test_current, open_circuit_volts) + self._own_ohms
        point = self.probe.point
        index = self._net_of(point)
        if point is None or index is None:
            return inf
        board = self._bench.board
        ohms = self._unit.resistance(point)
        farads = board.farads(index)
        if any(index in nets for nets in self._bench.fed.values()):
            ohms = BLEED_OHMS if ohms == inf else ohms * BLEED_OHMS / (ohms + BLEED_OHMS)
            farads += OUTPUT_FARADS
        own = self._volts_at(point)
        found = self.probe.ohms(self._bench.now, own, ohms, farads, test_current, open_circuit_volts)
        return found + self._own_ohms

    def _apart(self, across: Across) -> float:
        """Volts from the black lead's point to the red one's."""
        red, black = (0.0 if point is None else self._volts_at(point) for point in (across.red, across.black))
        return red - black

    def _between(self, across: Across, test_current: float, open_circuit_volts: float) -> float:
        """Ohms as the meter computes them with a lead on each of two points, unpowered."""
        named = [name for name in (across.red, across.black) if name is not None]
        nets = [index for index in map(self._net_of, named) if index is not None]
        known = [self._bench.board.farads(index) for index in nets]
        farads = 1.0 / sum(1.0 / each for each in known) if known and min(known) > 0.0 else 0.0
        ohms = self._unit.between(across.red, across.black)
        found = across.ohms(self._bench.now, self._apart(across), ohms, farads, test_current, open_circuit_volts)
        red, black = (self._nominal(name) for name in (across.red, across.black))
        # The protection and body diodes of what hangs on a rail conduct from the lower net to the higher one.
        return min(found, JUNCTION_VOLTS / test_current) if red < black else found

    def _nominal(self, name: str | None) -> float:
        return 0.0 if name is None else nominal_volts(self._unit.board, name) or 0.0

    def _leave_charge(self) -> None:
        """What an ohmmeter has charged stays on the point."""
        index = self._net_of(self.probe.point)
        if index is not None and self.probe.charge_volts:
            self._bench.board.volts[index] += self.probe.charge_volts
            self.probe.charge_volts = 0.0
            self._bench.disturb()
