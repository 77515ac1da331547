"""A whole simulated bench from its description: the world, and the instruments that the bench's dialects speak to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from typing import Protocol

from bringup.core.as_built import board_as_built
from bringup.core.bench import Bench, LoadRole, MeterRole, ScannerRole, ScopeRole, SupplyRole
from bringup.core.board import Board
from bringup.core.faults import Fault
from bringup.core.frozen import frozen
from bringup.errors import BenchError
from bringup.simulation.hand import HeldWorld
from bringup.simulation.instrument import Instrument
from bringup.simulation.load_style import LoadStyle
from bringup.simulation.load_styles import LOAD_STYLES
from bringup.simulation.meter import Meter
from bringup.simulation.meter_style import MeterStyle
from bringup.simulation.meter_styles import METER_STYLES
from bringup.simulation.physics import World
from bringup.simulation.scanner_styles import SCANNER_STYLES
from bringup.simulation.scope_styles import SCOPE_STYLES
from bringup.simulation.scpi_instrument import ScpiInstrument
from bringup.simulation.style import Style
from bringup.simulation.styled_load import StyledLoad
from bringup.simulation.styled_meter import StyledMeter
from bringup.simulation.styled_scanner import MeterWithCard, StyledScanner
from bringup.simulation.styled_scope import StyledScope
from bringup.simulation.styled_supply import StyledSupply
from bringup.simulation.supply import select_by_number, single_output, with_watchdog
from bringup.simulation.supply_styles import (
    CHANNEL_LIST,
    CHANNEL_PARAMETER,
    CHANNEL_PREFIX,
    NUMBER_IN_KEYWORD,
    OUTPUT_UNDER_CONF,
    SELECT_AND_MASTER,
    SELECT_BY_NAME,
)
from bringup.simulation.supply_styles_apart import (
    ADDRESSED_LINE,
    LETTER_AND_NUMBER,
    LOCK_FIRST,
    NAMED_AND_MASTER,
    SELECT_BY_ORDINAL,
    SET_COLON,
    SET_COLON_BITS,
)
from bringup.simulation.talking import Talking
from bringup.simulation.world import BoardWorld


class MeterMaker(Protocol):
    """Makes a simulated meter over a world."""

    def __call__(self, world: World, *, outputs: tuple[int, ...] = (1,), pace: float = 1.0) -> ScpiInstrument:
        """Make it; `outputs` are the supply's, `pace` stretches its own times."""


class LoadMaker(Protocol):
    """Makes a simulated electronic load over a world."""

    def __call__(self, world: World, *, outputs: tuple[int, ...] = (1,), pace: float = 1.0) -> StyledLoad:
        """Make it; `outputs` are the supply's, `pace` stretches its own times."""


class Maker(Protocol):
    """Makes a simulated supply over a world."""

    def __call__(self, world: World, *, pace: float = 1.0) -> ScpiInstrument:
        """Make it; `pace` stretches its own times."""


def styled(style: Style) -> Maker:
    """Return what makes a supply of that style."""

    def make(world: World, *, pace: float = 1.0) -> ScpiInstrument:
        return StyledSupply(world, style, pace=pace)

    return make


def styled_meter(style: MeterStyle) -> MeterMaker:
    """Return what makes a meter of that style."""

    def make(world: World, *, outputs: tuple[int, ...] = (1,), pace: float = 1.0) -> ScpiInstrument:
        return StyledMeter(world, style, outputs=outputs, pace=pace)

    return make


def styled_load(style: LoadStyle) -> LoadMaker:
    """Return what makes a load of that style."""

    def make(world: World, *, outputs: tuple[int, ...] = (1,), pace: float = 1.0) -> StyledLoad:
        return StyledLoad(world, style, outputs=outputs, pace=pace)

    return make


STYLES = (
    SELECT_BY_NAME,
    CHANNEL_LIST,
    CHANNEL_PARAMETER,
    CHANNEL_PREFIX,
    SELECT_AND_MASTER,
    NUMBER_IN_KEYWORD,
    OUTPUT_UNDER_CONF,
    LOCK_FIRST,
    LETTER_AND_NUMBER,
    SET_COLON,
    SET_COLON_BITS,
    NAMED_AND_MASTER,
    SELECT_BY_ORDINAL,
    ADDRESSED_LINE,
)
SUPPLIES: dict[str, Maker] = {
    "single-output": single_output,
    "single-output-watchdog": with_watchdog,
    "select-by-number": select_by_number,
    **{style.name: styled(style) for style in STYLES},
}
"""Dialect -> the simulated supply that understands it."""
METERS: dict[str, MeterMaker] = {
    "configure-and-read": Meter,
    **{style.name: styled_meter(style) for style in METER_STYLES},
}
"""Dialect -> the simulated meter that understands it."""
LOADS: dict[str, LoadMaker] = {style.name: styled_load(style) for style in LOAD_STYLES}
"""Dialect -> the simulated electronic load that understands it."""
DEFAULT_SUPPLY = "select-by-number"
DEFAULT_METER = "configure-and-read"
DEFAULT_LEADS = 0.1
"""Ohms of both supply leads together."""
METER_LEADS = 0.2
"""Ohms of the meter's own leads together where somebody holds them (common practice, no source)."""


@frozen
class SimulatedBench:
    """One unit on the bench, and the instruments around it. A role that is played by hand has none."""

    world: BoardWorld
    supply: ScpiInstrument | None
    meter: ScpiInstrument | MeterWithCard | None
    load: StyledLoad | None = None
    scanner: Instrument | None = None
    """None also where it is a card in the meter."""
    scope: StyledScope | None = None
    lines: Mapping[str, Talking] = field(default_factory=dict)
    """Serial lines on which the board talks, by name."""
    more_supplies: Mapping[str, ScpiInstrument] = field(default_factory=dict)
    """Supplies beside the first one, by role."""

    def instruments(self) -> dict[str, Instrument]:
        """Return the instruments by role."""
        named: dict[str, Instrument | None] = {
            "supply": self.supply,
            **self.more_supplies,
            "meter": self.meter,
            "load": self.load,
            "scanner": self.scanner,
            "scope": self.scope,
        }
        return {role: instrument for role, instrument in named.items() if instrument is not None}


class WorldMaker(Protocol):
    """Makes the world in which the unit lies: HeldWorld, or one that somebody watches."""

    def __call__(
        self,
        board: Board,
        *,
        outputs: Mapping[str, int],
        serial: str,
        faults: Sequence[Fault],
        state: str | None,
        lead_resistance: float,
        loads: Mapping[str, int],
        meter_leads: float,
    ) -> BoardWorld:
        """Make it."""


def build(
    bench: Bench, board: Board, serial: str, *, pace: float = 1.0, world_of: WorldMaker = HeldWorld
) -> SimulatedBench:
    """Put a unit of the board on a simulated bench, with the faults and the state that the bench file names.

    `pace` stretches the instruments' own times; 0 makes them answer at once. Raises BenchError for a dialect that no
    simulated instrument speaks, and for a fault or state that the board does not have.
    """
    supply_role, meter_role, simulate = bench.supply, bench.meter, bench.simulate
    outputs = {name: each.first + own for each in bench.supplies for name, own in each.outputs.items()}
    leads = None if simulate is None else simulate.lead_resistance
    world = world_of(
        board if simulate is None else board_as_built(board, simulate.variant),
        outputs=outputs,
        serial=serial,
        faults=() if simulate is None else simulate.faults,
        state=None if simulate is None else simulate.state,
        lead_resistance=DEFAULT_LEADS if leads is None else leads.number,
        loads={} if bench.load is None else bench.load.channels,
        meter_leads=METER_LEADS if bench.probing_by_hand else 0.0,
    )
    supply = meter = load = None
    if supply_role is None or _simulated(supply_role):
        supply = _supply(supply_role, world, pace)
    more = {each.name: _supply(each, world, pace) for each in bench.more_supplies if _simulated(each)}
    if meter_role is None or _simulated(meter_role):
        name = (meter_role.dialect if meter_role is not None else "") or DEFAULT_METER
        _speaks("meter", name, tuple(METERS))
        meter = METERS[name](world, outputs=supply.outputs if supply is not None else (1,), pace=pace)
    if bench.load is not None and _simulated(bench.load):
        name = bench.load.dialect
        _speaks("load", name, tuple(LOADS))
        load = LOADS[name](world, outputs=supply.outputs if supply is not None else (1,), pace=pace)
        _has_channels(load, name, bench.load.channels)
    scanner = None if bench.scanner is None else _scanner(bench.scanner, world, pace)
    scope = None if bench.scope is None else _scope(bench.scope, world, pace)
    talks = {} if simulate is None else simulate.talks
    lines = {name: Talking(world, talks[name]) for name, line in bench.lines.items() if line.simulated}
    if scanner is not None and bench.scanner is not None and bench.scanner.in_meter:
        with_card = None if meter is None else MeterWithCard(meter, scanner)
        return SimulatedBench(world, supply, with_card, load, scope=scope, lines=lines, more_supplies=more)
    return SimulatedBench(world, supply, meter, load, scanner, scope, lines, more)


def _supply(role: SupplyRole | None, world: BoardWorld, pace: float) -> ScpiInstrument:
    """Return the simulated supply of that role; without one it is the usual one."""
    name = (role.dialect if role is not None else "") or DEFAULT_SUPPLY
    _speaks("supply", name, tuple(SUPPLIES))
    if role is None or not role.first:
        seen: World = world
    else:
        from bringup.simulation.several_supplies import seen_from

        seen = seen_from(world, role.first)
    supply = SUPPLIES[name](seen, pace=pace)
    _has_outputs(supply, name, {} if role is None else role.outputs)
    return supply


def _scanner(role: ScannerRole, world: BoardWorld, pace: float) -> StyledScanner | None:
    """Return the simulated scanner, wired as the channel map says."""
    if role.resource is not None:
        return None
    _speaks("scanner", role.dialect, tuple(SCANNER_STYLES))
    wired = {channel: point for point, channel in role.channels.items()}
    return StyledScanner(world, SCANNER_STYLES[role.dialect], wired=wired, ground=role.ground, pace=pace)


def _scope(role: ScopeRole, world: BoardWorld, pace: float) -> StyledScope | None:
    """Return the simulated scope; its probe is where the meter's is."""
    if role.resource is not None:
        return None
    _speaks("scope", role.dialect, tuple(SCOPE_STYLES))
    return StyledScope(world, SCOPE_STYLES[role.dialect], channel=role.channel, pace=pace)


def _simulated(role: SupplyRole | MeterRole | LoadRole) -> bool:
    """Whether the role is neither played by hand nor by an instrument of its own."""
    return role.resource is None and not role.by_hand


def _has_outputs(supply: ScpiInstrument, dialect: str, wired: Mapping[str, int]) -> None:
    for name, output in wired.items():
        if output not in supply.outputs:
            numbers = ", ".join(map(str, supply.outputs))
            raise BenchError(
                f"input {name} is wired to output {output}, which the simulated supply of `{dialect}` does not have",
                f"It has {numbers}. Change `outputs`, or choose another dialect.",
            )


def _has_channels(load: StyledLoad, dialect: str, wired: Mapping[str, int]) -> None:
    for point, channel in wired.items():
        if channel not in load.channels:
            raise BenchError(
                f"{point} is wired to channel {channel}, which the simulated load of `{dialect}` does not have",
                f"It has {', '.join(map(str, load.channels))}. Change `channels`, or choose another dialect.",
            )


def _speaks(role: str, dialect: str, known: tuple[str, ...]) -> None:
    if dialect not in known:
        raise BenchError(
            f"no simulated {role} speaks the dialect `{dialect}`",
            f"On a simulated bench, choose one of: {', '.join(known)}.",
        )
