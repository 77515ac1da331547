"""The solver beside an independent circuit simulator: three boards, each sound and with twenty single faults.

The netlists (tests/spice_netlist.py) are written from the boards' records; ngspice lets each board rise from 0 V, under
its own under-voltage lock-outs and current limits, until it stands. Volts within 1 % or 5 mV, input currents within 1 %
or 100 µA.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from bringup.core.board import Board
from bringup.core.fault_check import SUPPLY_FAULTS
from bringup.core.faults import Fault, FaultKind
from bringup.core.single_faults import said, single_faults
from bringup.core.solver import solve
from bringup.files.board_file import load_board
from tests.spice_netlist import Netlist, node, operating_points

ROOT = Path(__file__).resolve().parents[1]
EACH = 20

FLOODLIGHT = """
board: Pier floodlight
revision: A
serial: 'PF-[0-9]{3}'
inputs:
  VIN: {voltage: 12 V, range: 10 V .. 15 V, damage_above: 18 V, probe: J1.1, loads: {fan: 240 Ω}}
rails:
  VF: {from: VIN, probe: TP1}           # behind a ferrite
  24V0:
    from: VF
    probe: TP2
    converter: {kind: boost, starts_at: 8 V, efficiency: 90 %, quiescent: 2 mA, reference: 1.25 V ± 1 %,
                upper: 182 kΩ ± 1 %, lower: 10 kΩ ± 1 %, output_resistance: 30 mΩ, current_limit: 800 mA}
    loads: {lamp: 3 W}
    unpowered_resistance: 5 kΩ
  5V0:
    from: VF
    probe: TP3
    converter: {kind: linear, dropout: 1.5 V, reference: 1.25 V ± 2 %, reference_across: upper, upper: 240 Ω ± 1 %,
                lower: 715 Ω ± 1 %, feedback_current: 50 uA .. 100 uA, current_limit: 600 mA}
    loads: {dimmer: 60 mA, heater: 470 Ω}
    unpowered_resistance: 800 Ω
  N5V:
    from: 5V0
    probe: TP4
    converter: {kind: inverting, starts_at: 3 V, efficiency: 70 %, reference: 1.2 V ± 1 %, upper: 31.6 kΩ ± 1 %,
                lower: 10 kΩ ± 1 %, output_resistance: 200 mΩ, current_limit: 150 mA}
    loads: {light sensor: 3 mA}
    unpowered_resistance: 3 kΩ
"""


def tried(board: Board) -> list[Fault | None]:
    """A sound board, and twenty of its faults evenly over the list; those outside the board move no operating point."""
    faults = [
        fault
        for fault in single_faults(board)
        if fault.kind not in SUPPLY_FAULTS and fault.kind is not FaultKind.CAPACITOR_MISSING
    ]
    return [None, *(faults[place * len(faults) // EACH] for place in range(EACH))]


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed: apt-get install -y ngspice")
def test_operating_points_are_those_of_an_independent_simulator(tmp_path: Path) -> None:
    floodlight = tmp_path / "pier-floodlight.yaml"
    floodlight.write_text(FLOODLIGHT, encoding="utf-8")
    paths = (ROOT / "fixtures/boards/mooring-buoy-logger.yaml", ROOT / "fixtures/boards/tide-gauge.yaml", floodlight)
    cases = [(board, fault) for board in map(load_board, paths) for fault in tried(board)]
    titles = [f"{board.name}: {'sound' if fault is None else said(board, fault)}" for board, fault in cases]
    netlists = [Netlist(board, () if fault is None else (fault,)) for board, fault in cases]

    simulated = operating_points(list(zip(titles, netlists, strict=True)), tmp_path)

    assert len(simulated) == len(cases) == 3 * (1 + EACH)
    apart = []
    for (board, fault), title, spice in zip(cases, titles, simulated, strict=True):
        inputs = {name: each.voltage.number for name, each in board.inputs.items()}
        ours = solve(board, inputs, faults=() if fault is None else (fault,))
        for name, volts in ours.volts.items():
            if spice[f"v({node(name)})"] != pytest.approx(volts, rel=0.01, abs=5e-3):
                apart.append(f"{title}: {name} {volts:.5g} V, ngspice {spice[f'v({node(name)})']:.5g} V")
        for name, amps in ours.input_amps.items():
            if spice[f"i(vi{node(name)})"] != pytest.approx(amps, rel=0.01, abs=1e-4):
                apart.append(f"{title}: {name} {amps:.5g} A, ngspice {spice[f'i(vi{node(name)})']:.5g} A")
    assert not apart
