"""The power budget: what an input should draw at a voltage and board state, at start-up and while charging.

Everything follows from the board file through the solver. Where the file does not hold enough facts the answer is
None with the reason in words; nothing is guessed. Used to judge the stages of a power-up and to warn beforehand.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from bringup.core.board import Board, ConverterKind, Input, Rail
from bringup.core.circuit import layout_of
from bringup.core.design_values import DEFAULT_STOP
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.operating_point import Solution
from bringup.core.solver import capacitance_at, solve
from bringup.core.wording import listed

TOLERANCE = 0.30
"""Band round an expected current: efficiencies and loads are stated as typical values (common practice, no source)."""

FLOOR = 0.005
"""Least band in amperes: what a bench supply's own current reading may be off (common practice, no source)."""

LEAST_LIMIT_TIME = 0.2
"""Seconds that current limit may last at least before it counts as a fault."""


@frozen
class CurrentBudget:
    """What an input should draw at a voltage. `amps` None goes with the reason in `unknown`."""

    input: str
    volts: float
    amps: float | None
    limits: Limits | None
    """`amps` plus or minus 30 %, at least 5 mA."""
    start_up: float | None
    """Highest current while the converters come up, as if all stated soft starts coincided; None with `amps`."""
    capacitance: float | None
    """What a rise from 0 to `volts` charges, what runs behind the input included; None: the input's is not stated."""
    running: frozenset[str]
    unknown: str = ""


def expected_current(board: Board, name: str, volts: float, state: str | None = None) -> CurrentBudget:
    """Return what input `name` should draw at `volts` in that board state, with the band to judge it by.

    Only this input is taken as powered. Raises KeyError for an unknown input.
    """
    unknown = missing_facts(board, name, volts)
    stated = board.inputs[name].capacitance is not None
    if unknown:
        farads = capacitance_at(board, name) if stated else None
        return CurrentBudget(name, volts, None, None, None, farads, frozenset(), unknown)
    solution = solve(board, {name: volts}, state=state)
    amps = abs(solution.input_amps[name])
    rising = sum(_rising_current(board, rail, solution) for rail in downstream(board, name))
    farads = capacitance_at(board, name, solution.running) if stated else None
    return CurrentBudget(name, volts, amps, band(amps), amps + rising, farads, solution.running)


def band(amps: float) -> Limits:
    """Return the limits round an expected current: 30 % of it to either side, at least 5 mA."""
    middle = Decimal(repr(round(amps, 6)))
    width = max(middle * Decimal(repr(TOLERANCE)), Decimal(repr(FLOOR)))
    return Limits("A", low=middle - width, high=middle + width, nominal=middle)


def downstream(board: Board, name: str) -> Iterator[Rail]:
    """Every rail of the branch that `name` (an input or a rail) feeds, sources before what they feed."""
    for rail in board.fed_from(name):
        yield rail
        yield from downstream(board, rail.name)


def missing_facts(board: Board, name: str, volts: float | None = None) -> str:
    """Return what the board file would have to say before this input's current can be known; '' if nothing."""
    orphans = [rail.name for rail in board.rails.values() if board.input_of(rail.name) is None]
    if orphans:
        return f"the board file does not say what feeds {listed(orphans)}"
    branch = list(downstream(board, name))
    solved = layout_of(board).net_of
    for rail in branch:
        if rail.name not in solved:
            return f"the board file does not say how {rail.name} is made from {rail.source}"
    if not board.inputs[name].loads and not any(rail.loads for rail in branch):
        return f"the board file states no loads on {name} or anything it feeds"
    vague = [each.name for each in branch if _switches(each) and each.converter and each.converter.efficiency is None]
    if vague:
        whose = f"{vague[0]}'s converter" if len(vague) == 1 else f"the converters of {listed(vague)}"
        return f"the board file does not state the efficiency of {whose}"
    return "" if volts is None else _unknown_start(board, name, volts)


def _unknown_start(board: Board, name: str, volts: float) -> str:
    """Below the lowest working input a switching converter draws nothing or its most: its start voltage decides."""
    if abs(volts) >= lowest_working(board, name):
        return ""
    silent = [rail.name for rail, start in first_converters(board, name) if start is None]
    return f"the board file does not state at which voltage {listed(silent)} starts" if silent else ""


def lowest_working(board: Board, name: str) -> float:
    """Return the magnitude of the lowest input voltage the board is meant to work at; nominal if no range is stated."""
    point = board.inputs[name]
    ends = () if point.working is None else (point.working.low, point.working.high)
    stated = [abs(float(end)) for end in ends if end is not None]
    return min(stated) if stated else abs(point.voltage.number)


def first_converters(board: Board, name: str) -> list[tuple[Rail, float | None]]:
    """Return the rails whose converters start first as `name` rises, each with the voltage of `name` at which it does.

    None: a switching converter that does not say. A linear one that states no start voltage follows its input from
    the first volt on and draws no constant power: what hangs behind it counts instead, its dropout added.
    """
    found: list[tuple[Rail, float | None]] = []
    for rail in board.fed_from(name):
        converter = rail.converter
        if converter is None:
            found += first_converters(board, rail.name)
        elif converter.starts_at is not None:
            found.append((rail, abs(converter.starts_at.number)))
        elif converter.kind is ConverterKind.LINEAR:
            dropout = 0.0 if converter.dropout is None else abs(converter.dropout.number)
            behind = first_converters(board, rail.name)
            found += [(later, None if start is None else start + dropout) for later, start in behind]
        else:
            found.append((rail, None))
    return found


def _switches(rail: Rail) -> bool:
    return rail.converter is not None and rail.converter.kind is not ConverterKind.LINEAR


def reflected(board: Board, rail: Rail, solution: Solution) -> float:
    """Return how many amperes the input delivers for each ampere out of this rail's converter."""
    factor = 1.0
    current: Rail | None = rail
    while current is not None:
        converter, source = current.converter, current.source
        if _switches(current) and converter is not None and converter.efficiency is not None and source is not None:
            into = abs(solution.volts.get(source, 0.0)) * converter.efficiency.number / 100
            factor *= abs(solution.volts.get(current.name, 0.0)) / into if into else 0.0
        current = board.rails.get(source) if source is not None else None
    return factor


def on_the_node(board: Board, name: str) -> list[Input | Rail]:
    """Return the input and every rail plainly connected to it: they share its voltage."""
    found: list[Input | Rail] = [board.inputs[name]]
    layout = layout_of(board)
    found += [board.rails[point] for point in layout.groups[layout.net_of[name]] if point in board.rails]
    return found


def maker_of(board: Board, rail: Rail) -> Rail | None:
    """Return the rail whose converter makes this rail's voltage: itself, or up its plain connections; None: none."""
    current: Rail | None = rail
    while current is not None and current.converter is None:
        current = board.rails.get(current.source) if current.source is not None else None
    return current


def start_up_seconds(board: Board, name: str) -> float:
    """Return the longest chain of stated soft starts behind an input: how long coming up takes at most."""
    longest = 0.0
    for rail in board.fed_from(name):
        rising = None if rail.converter is None else rail.converter.soft_start
        longest = max(longest, (0.0 if rising is None else rising.number) + start_up_seconds(board, rail.name))
    return longest


def dips_to(board: Board, name: str, volts: float, excess: float) -> float:
    """Return how low an input may fall while coming up takes `excess` amperes more than the supply gives.

    The input's own capacitance gives the rest for as long as the soft starts last; without one stated it falls to 0.
    """
    own = board.inputs[name].capacitance
    if own is None or own.number <= 0:
        return 0.0
    return max(0.0, abs(volts) - excess * start_up_seconds(board, name) / own.number)


def stop_voltage(board: Board, name: str) -> float:
    """Return the highest input voltage at which one of the first converters stops; 0 where none says."""
    stops = []
    for rail, start in first_converters(board, name):
        stated = None if rail.converter is None else rail.converter.stops_at
        if stated is not None:
            stops.append(abs(stated.number))
        elif start is not None:
            stops.append(DEFAULT_STOP * start)
    return max(stops, default=0.0)


def _rising_current(board: Board, rail: Rail, solution: Solution) -> float:
    """Input current for charging a rail's capacitance during its soft start: C * V / t, seen from the input."""
    maker = maker_of(board, rail)
    if maker is None or maker.converter is None or maker.name not in solution.running:
        return 0.0
    rising = maker.converter.soft_start
    if rail.capacitance is None or rising is None or rising.number <= 0:
        return 0.0
    charging = rail.capacitance.number * abs(solution.volts[rail.name]) / rising.number
    return charging * reflected(board, rail, solution)


def charge_time(before: CurrentBudget | None, after: CurrentBudget, limit: float) -> float | None:
    """Return the seconds for which charging from `before` (None: from 0 V) to `after` takes a supply's limit of A.

    C * dV / I, where C is what hangs on the input at each voltage; None where it is not known.
    """
    if after.capacitance is None or limit <= 0:
        return None
    held = 0.0 if before is None or before.capacitance is None else before.capacitance * abs(before.volts)
    return max(0.0, after.capacitance * abs(after.volts) - held) / limit


def default_limit_time(charging: float | None) -> float:
    """Return how long current limit may last: twice the charge time, at least (and where unknown) 200 ms."""
    return LEAST_LIMIT_TIME if charging is None else max(LEAST_LIMIT_TIME, 2 * charging)
