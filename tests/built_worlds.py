"""Simulated benches for tests: a supply that is on, and ways to watch what follows."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from bringup.core.board import Board
from bringup.core.faults import Fault
from bringup.files.board_file import load_board
from bringup.simulation.world import BoardWorld

MEGOHMS = 10e6
"""Input resistance of a bench meter."""


DEMO_BOARDS = Path(__file__).parent.parent / "fixtures" / "boards"


def demo_board() -> Board:
    """The mooring buoy logger as it ships."""
    return load_board(DEMO_BOARDS / "mooring-buoy-logger.yaml")


def bench(
    design: Board,
    *faults: Fault,
    volts: float = 24.0,
    limit: float = 0.4,
    lead_resistance: float = 0.1,
    serial: str = "",
    on: bool = True,
) -> BoardWorld:
    """World with output 1 set, and on from second 0 unless told otherwise."""
    world = BoardWorld(design, outputs={"VIN": 1}, serial=serial, faults=faults, lead_resistance=lead_resistance)
    world.set_current_limit(1, limit, 0.0)
    world.set_voltage(1, volts, 0.0)
    world.switch(1, on, 0.0)
    return world


def moments(start: float, end: float, every: float) -> Iterator[float]:
    """Times from start to end."""
    for number in range(round((end - start) / every) + 1):
        yield start + number * every


def first(world: BoardWorld, point: str, above: float, times: Iterator[float]) -> float:
    """Moment at which a point is first above a level."""
    return next(now for now in times if abs(world.point_volts(point, now)) >= above)
