"""The board and the procedure as one assembly variant has them: rails that it lacks are not there at all. Pure.

What is left draws what it draws: loads of a rail that is not fitted are no part of the expected current, nobody asks
for its ohms before power, and a step of which nothing is left is left out with the reason.
"""

from __future__ import annotations

from dataclasses import replace

from bringup.core.board import Board
from bringup.core.procedure import Action, Log, Measure, Procedure, Sink, Step
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance


def lacking_rails(board: Board, variant: str) -> tuple[str, ...]:
    """Return the rails that the variant lacks, and those that would be fed from them. '': every rail is there."""
    lacking: list[str] = []
    if variant:
        lacking = [rail.name for rail in board.rails.values() if rail.variants and variant not in rail.variants]
    for name in lacking:
        lacking += [fed.name for fed in board.fed_from(name) if fed.name not in lacking]
    return tuple(lacking)


def board_as_built(board: Board, variant: str) -> Board:
    """Return the board with the rails that the variant has."""
    lacking = lacking_rails(board, variant)
    if not lacking:
        return board
    return replace(board, rails={name: rail for name, rail in board.rails.items() if name not in lacking})


def as_built(procedure: Procedure, variant: str) -> Procedure:
    """Return the procedure for a unit of that variant; its steps keep their places."""
    lacking = lacking_rails(procedure.board, variant)
    if not lacking:
        return procedure
    steps = tuple(_step(step, lacking, variant) for step in procedure.steps)
    return replace(procedure, board=board_as_built(procedure.board, variant), steps=steps)


def _step(step: Step, lacking: tuple[str, ...], variant: str) -> Step:
    action = _action(step.action, lacking)
    if action is None:
        return replace(step, not_built=f"nothing of it is on a unit of the variant {variant}")
    return step if action is step.action else replace(step, action=action)


def _action(action: Action, lacking: tuple[str, ...]) -> Action | None:
    """Return what is left of an action; None where nothing is."""
    match action:
        case Measure() | Ripple():
            points = tuple(point for point in action.points if point not in lacking)
            return replace(action, points=points) if points else None
        case Resistance():
            points = tuple(point for point in action.points if point not in lacking)
            pairs = tuple(pair for pair in action.pairs if not {pair.first, pair.second} & set(lacking))
            return replace(action, points=points, pairs=pairs) if points or pairs else None
        case Log():
            what = tuple(channel for channel in action.what if channel.point not in lacking)
            return replace(action, what=what) if what else None
        case Sink():
            return None if action.rail in lacking else action
        case Sweep():
            rails = tuple(rail for rail in action.rails if rail not in lacking)
            return replace(action, rails=rails) if rails and action.load not in lacking else None
        case PowerCycle():
            return replace(action, rails=tuple(rail for rail in action.rails if rail not in lacking))
        case _:
            return action
