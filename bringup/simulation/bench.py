"""A whole simulated bench from its description: the world, and the instruments that the bench's dialects speak to."""

from __future__ import annotations

from collections.abc import Mapping

from bringup.core.bench import Bench, MeterRole, SupplyRole
from bringup.core.board import Board
from bringup.core.frozen import frozen
from bringup.errors import BenchError
from bringup.simulation.instrument import Instrument
from bringup.simulation.meter import Meter
from bringup.simulation.supply import Supply, select_by_number, single_output, with_watchdog
from bringup.simulation.world import BoardWorld

SUPPLIES = {
    "single-output": single_output,
    "single-output-watchdog": with_watchdog,
    "select-by-number": select_by_number,
}
"""Dialect -> the simulated supply that understands it."""
METERS = ("configure-and-read",)
DEFAULT_SUPPLY = "select-by-number"
DEFAULT_METER = METERS[0]
DEFAULT_LEADS = 0.1
"""Ohms of both supply leads together."""


@frozen
class SimulatedBench:
    """One unit on the bench, and the instruments around it. A role that is played by hand has none."""

    world: BoardWorld
    supply: Supply | None
    meter: Meter | None

    def instruments(self) -> dict[str, Instrument]:
        """Return the instruments by role."""
        named: dict[str, Instrument | None] = {"supply": self.supply, "meter": self.meter}
        return {role: instrument for role, instrument in named.items() if instrument is not None}


def build(bench: Bench, board: Board, serial: str, *, pace: float = 1.0) -> SimulatedBench:
    """Put a unit of the board on a simulated bench, with the faults and the state that the bench file names.

    `pace` stretches the instruments' own times; 0 makes them answer at once. Raises BenchError for a dialect that no
    simulated instrument speaks, and for a fault or state that the board does not have.
    """
    supply_role, meter_role, simulate = bench.supply, bench.meter, bench.simulate
    outputs = {} if supply_role is None else dict(supply_role.outputs)
    leads = None if simulate is None else simulate.lead_resistance
    world = BoardWorld(
        board,
        outputs=outputs,
        serial=serial,
        faults=() if simulate is None else simulate.faults,
        state=None if simulate is None else simulate.state,
        lead_resistance=DEFAULT_LEADS if leads is None else leads.number,
    )
    supply = meter = None
    if supply_role is None or _simulated(supply_role):
        name = (supply_role.dialect if supply_role is not None else "") or DEFAULT_SUPPLY
        _speaks("supply", name, tuple(SUPPLIES))
        supply = SUPPLIES[name](world, pace=pace)
        _has_outputs(supply, name, outputs)
    if meter_role is None or _simulated(meter_role):
        _speaks("meter", (meter_role.dialect if meter_role is not None else "") or DEFAULT_METER, METERS)
        meter = Meter(world, outputs=supply.outputs if supply is not None else (1,), pace=pace)
    return SimulatedBench(world, supply, meter)


def _simulated(role: SupplyRole | MeterRole) -> bool:
    """Whether the role is neither played by hand nor by an instrument of its own."""
    return role.resource is None and not role.by_hand


def _has_outputs(supply: Supply, dialect: str, wired: Mapping[str, int]) -> None:
    for name, output in wired.items():
        if output not in supply.outputs:
            numbers = ", ".join(map(str, supply.outputs))
            raise BenchError(
                f"input {name} is wired to output {output}, which the simulated supply of `{dialect}` does not have",
                f"It has {numbers}. Change `outputs`, or choose another dialect.",
            )


def _speaks(role: str, dialect: str, known: tuple[str, ...]) -> None:
    if dialect not in known:
        raise BenchError(
            f"no simulated {role} speaks the dialect `{dialect}`",
            f"On a simulated bench, choose one of: {', '.join(known)}.",
        )
