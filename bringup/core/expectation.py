"""What a reading is judged by: the step's own limits, else the board's, else what its parts allow, else nothing.

What its parts allow is core.design_limits. The rule of thumb for resistance where nothing is stated is here too, kept
apart, because it asks or blocks and never judges.
"""

from __future__ import annotations

from decimal import Decimal
from enum import StrEnum

from bringup.core.board import Board, Input
from bringup.core.decision import DecisionRule
from bringup.core.design_limits import designed
from bringup.core.limits import Limits
from bringup.core.procedure import Log, Procedure, Question, Step
from bringup.core.unpowered import Resistance
from bringup.core.wording import limits_text
from bringup.core.words import UNIT_OF, Kind, LimitsFrom

NOTHING: tuple[None, LimitsFrom] = (None, LimitsFrom.NONE)
"""No limits: the reading is recorded."""

INPUT_BAND = Decimal("0.10")
"""Band round an input's nominal voltage where the board file states no `range` (common practice, no source)."""

LEAD_OHMS = 0.2
"""What a meter's own leads read together (common practice, no source)."""

BLOCKED_ABOVE_LEADS = 0.5
"""A point within this many ohms of the leads' own resistance is a short (common practice, no source)."""

ASKED_BELOW = 10.0
"""Below this many ohms a person has to say that it is meant to be so (common practice, no source)."""


UNLIKE = 5.0
"""A resistance so many times above or below the one expected is put to a person: meters, test currents and diodes
account for less (common practice, no source)."""


class Doubt(StrEnum):
    """What the rule of thumb says of an unpowered resistance that has no limits."""

    NONE = "none"
    ASK = "ask"
    """Low for most rails, right for some: a person decides."""
    BLOCK = "block"
    """No more than the leads themselves: a short."""


def resistance_doubt(ohms: float, leads: float = LEAD_OHMS) -> Doubt:
    """Say what to make of a resistance to ground for which nobody stated limits.

    `leads` is what the meter reads with its tips together. Large core rails of 1 to 20 ohm exist, so a low value
    only asks; it blocks where the leads alone explain it. Both thresholds are common practice, no source.
    """
    if ohms <= leads + BLOCKED_ABOVE_LEADS:
        return Doubt.BLOCK
    return Doubt.ASK if ohms < ASKED_BELOW else Doubt.NONE


def unlike(ohms: float, expected: float, *, rising: bool = False) -> bool:
    """Whether a resistance is another than the one expected. One that still rises may yet come up to it."""
    return ohms > UNLIKE * expected or (not rising and ohms < expected / UNLIKE)


def limits_of(step: Step, point: str, board: Board, state: str | None = None) -> tuple[Limits | None, LimitsFrom]:
    """Return what a reading of `point` in this step is judged by, and where that comes from.

    `point` is an input, a rail or, in a `log`, the channel as written. (None, NONE) means: recorded. Limits in
    another unit than the reading's are never taken. What the board file settles holds in every board state so far;
    `state` is taken so that limits per state need no other call. Raises KeyError for a point the board does not have.
    """
    del state
    if isinstance(step.action, Question):
        stated = step.expect.get("")
        return (stated, LimitsFrom.PROCEDURE) if stated is not None else NOTHING
    kind, name = quantity_of(step, point)
    for key in (point, name, ""):
        stated = step.expect.get(key)
        if stated is not None and stated.unit == UNIT_OF[kind]:
            return stated, LimitsFrom.PROCEDURE
    if isinstance(step.action, Resistance) and name in step.action.read and name not in step.action.points:
        return NOTHING  # between two points, or the leads swapped: the board file's `ground` says nothing of these
    if kind is Kind.RESISTANCE:
        ground = board.point(name).ground
        return (ground, LimitsFrom.BOARD) if ground is not None else NOTHING
    if kind is Kind.VOLTAGE:
        return voltage_limits(board, name)
    return NOTHING


def rule_of(step: Step, point: str | None, board: Board) -> DecisionRule:
    """Return the rule by which a reading is judged: the step's, else the point's, else the board's."""
    if step.decision_rule is not None:
        return step.decision_rule
    if point is not None and (point in board.inputs or point in board.rails):
        return board.point(point).decision_rule or board.decision_rule
    return board.decision_rule


def ripple_limits(step: Step, point: str) -> Limits | None:
    """Return what the ripple of a point is judged by in this step: stated there, or nothing."""
    return step.expect.get(point, step.expect.get(""))


def quantity_of(step: Step, point: str) -> tuple[Kind, str]:
    """Return what is read, and the name of the input or rail it is read at."""
    action = step.action
    if isinstance(action, Resistance):
        return Kind.RESISTANCE, point
    if isinstance(action, Log):
        for channel in action.what:
            if channel.text == point:
                return channel.kind, channel.point
    return Kind.VOLTAGE, point


def voltage_limits(board: Board, name: str) -> tuple[Limits | None, LimitsFrom]:
    """Return the limits of the voltage at a powered input or rail, as far as the board file settles them."""
    point = board.point(name)
    if isinstance(point, Input):
        return _input_limits(point)
    if point.expect is not None:
        return point.expect, LimitsFrom.BOARD
    if point.converter is not None:
        made = designed(board, name)
        return (made.limits, LimitsFrom.COMPUTED) if made is not None else NOTHING
    if point.source is None or board.input_of(name) is None:
        return NOTHING
    limits, origin = voltage_limits(board, point.source)
    return limits, (LimitsFrom.COMPUTED if origin is LimitsFrom.BOARD else origin)


def basis_of(board: Board, name: str, origin: LimitsFrom) -> str:
    """Say how the limits of a point's voltage came about where nobody wrote them; '' where somebody did."""
    if origin is LimitsFrom.RULE and name in board.inputs:
        band = f"{100 * INPUT_BAND:.0f} %"
        return f"{board.inputs[name].voltage} and {band} to either side: the board file states no range"
    if origin is not LimitsFrom.COMPUTED or name not in board.rails:
        return ""
    made, source = designed(board, name), board.rails[name].source
    if made is not None:
        return made.basis
    stated = None if source is None else voltage_limits(board, source)[0]
    return f"as {source}, to which it is plainly connected: {limits_text(stated)}" if stated is not None else ""


def _input_limits(point: Input) -> tuple[Limits | None, LimitsFrom]:
    if point.working is not None:
        return point.working, LimitsFrom.BOARD
    nominal = point.voltage.value
    band = abs(nominal) * INPUT_BAND
    limits = Limits("V", low=nominal - band, high=nominal + band, nominal=nominal)
    return limits, LimitsFrom.RULE


def states_of(procedure: Procedure) -> tuple[str | None, ...]:
    """Return the board state in each step: a step's own `board_state` holds from that step on."""
    state = procedure.board_state or (procedure.board.states[0] if procedure.board.states else None)
    states = []
    for step in procedure.steps:
        state = step.board_state or state
        states.append(state)
    return tuple(states)
