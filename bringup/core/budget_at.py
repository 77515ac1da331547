"""The power budget of a board at input voltages and in a board state that somebody asks for. Pure.

Each input's current is that of `budget.expected_current`, by which a power-up is judged; volts, amperes and losses of
the rails are one operating point of the solver with every asked input on at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from bringup.core.board import Board
from bringup.core.budget import CurrentBudget, expected_current
from bringup.core.columns import table
from bringup.core.frozen import frozen
from bringup.core.margins import DEFAULT_AMBIENT, junction_limit
from bringup.core.solver import solve
from bringup.core.wording import limits_text, shown

Data = dict[str, object]


@frozen
class RailAt:
    """One rail at that point, in V (signed), A, W and degC. `hottest` None: no thermal resistance is stated."""

    name: str
    volts: float
    amps: float
    lost: float | None
    hottest: float | None
    junction_limit: float | None
    running: bool
    """Whether its converter runs, or what feeds it through a plain connection has volts."""


@frozen
class BudgetAt:
    """What the board takes and makes there; no rails where the file does not tell what an input takes."""

    state: str | None
    inputs: tuple[CurrentBudget, ...]
    rails: tuple[RailAt, ...]
    cautions: tuple[str, ...] = ()


def budget_at(board: Board, volts: Mapping[str, float], state: str | None = None) -> BudgetAt:
    """Return the budget with these volts at the inputs; those not named are off. Raises KeyError for an unknown input.

    `state` None: the first that the board file names.
    """
    state = state or (board.states[0] if board.states else None)
    budgets = tuple(expected_current(board, name, each, state) for name, each in volts.items())
    if any(budget.amps is None for budget in budgets):
        return BudgetAt(state, budgets, (), tuple(_cautions(board, volts)))
    solution = solve(board, {name: volts.get(name, 0.0) for name in board.inputs}, state=state)
    ambient = DEFAULT_AMBIENT if board.ambient is None else board.ambient.number
    rails = []
    for name, rail in board.rails.items():
        if name not in solution.volts:
            continue
        converter, lost = rail.converter, solution.losses.get(name)
        theta = None if converter is None else converter.thermal_resistance
        rails.append(
            RailAt(
                name,
                solution.volts[name],
                solution.rail_amps.get(name, 0.0),
                lost,
                None if theta is None or lost is None else ambient + lost * theta,
                None if converter is None else junction_limit(converter),
                name in solution.running if converter is not None else bool(solution.volts[name]),
            )
        )
    return BudgetAt(state, budgets, tuple(rails), tuple(_cautions(board, volts)))


def _cautions(board: Board, volts: Mapping[str, float]) -> Iterator[str]:
    for name, each in volts.items():
        point = board.inputs[name]
        if point.damage_above is not None and abs(each) > abs(point.damage_above.number):
            level = shown(abs(point.damage_above.number), "V")
            yield f"{shown(each, 'V')} damages {name} (damaged above {level}): a calculation only, never apply it"
        elif point.working is not None and not point.working.accepts(each):
            yield f"{shown(each, 'V')} is outside the working range of {name}, {limits_text(point.working)}"


def budget_lines(board: Board, found: BudgetAt) -> Iterator[str]:
    """Say it for people, a line each."""
    state = f", {found.state}" if found.state else ""
    yield f"Power budget of {board.name}{state} (typical figures; coming up as if all soft starts coincided):"
    yield from (f"CAUTION: {caution}" for caution in found.cautions)
    yield from (f"  {line}" for line in table([_input(one) for one in found.inputs]))
    yield ""
    if found.rails:
        yield "Rails then:"
        yield from (f"  {line}" for line in table([_rail(one) for one in found.rails]))


def _input(one: CurrentBudget) -> tuple[str, ...]:
    if one.amps is None or one.limits is None or one.start_up is None:
        return one.input, shown(one.volts, "V"), "not known", one.unknown, "", ""
    charge = "" if one.capacitance is None else f"charges {shown(one.capacitance, 'F', 3)}"
    return (
        one.input,
        shown(one.volts, "V"),
        f"{shown(one.amps, 'A', 3)} (judged {limits_text(one.limits)})",
        shown(one.amps * abs(one.volts), "W", 3),
        f"coming up {shown(one.start_up, 'A', 3)}",
        charge,
    )


def _rail(one: RailAt) -> tuple[str, ...]:
    if not one.running:
        return one.name, shown(one.volts, "V", 4), "does not run", "", ""
    lost = "" if one.lost is None else f"loses {shown(one.lost, 'W', 3)}"
    hot = "" if one.hottest is None else f"junction at {one.hottest:.0f} °C of {one.junction_limit:.0f} °C"
    return one.name, shown(one.volts, "V", 4), shown(one.amps, "A", 3), lost, hot


def budget_data(board: Board, found: BudgetAt) -> Data:
    """Return the same for JSON, in base units."""
    return {
        "board": board.name,
        "revision": board.revision,
        "board_state": found.state,
        "inputs": [
            {
                "input": one.input,
                "volts": one.volts,
                "amps": one.amps,
                "watts": None if one.amps is None else one.amps * abs(one.volts),
                "low": None if one.limits is None or one.limits.low is None else float(one.limits.low),
                "high": None if one.limits is None or one.limits.high is None else float(one.limits.high),
                "start_up_amps": one.start_up,
                "capacitance": one.capacitance,
                "unknown": one.unknown,
            }
            for one in found.inputs
        ],
        "rails": [
            {
                "rail": one.name,
                "volts": one.volts,
                "amps": one.amps,
                "lost_watts": one.lost,
                "junction": one.hottest,
                "junction_limit": one.junction_limit,
                "running": one.running,
            }
            for one in found.rails
        ],
        "cautions": list(found.cautions),
    }
