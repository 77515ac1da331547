"""The board and the procedure as one assembly variant has them: rails that it lacks are not there at all. Pure.

What is left draws what it draws: loads of a rail that is not fitted are no part of the expected current, nobody asks
for its ohms before power, and a step of which nothing is left is left out with the reason.
"""

from __future__ import annotations

from dataclasses import replace

from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.procedure import Action, Apply, Log, Measure, Note, OnlyIf, Procedure, Sink, Step
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
    ratings = (each for each in board.ratings if each.driven_by not in lacking and each.down_to not in lacking)
    rails = {name: rail for name, rail in board.rails.items() if name not in lacking}
    return replace(board, rails=rails, ratings=tuple(ratings))


def as_built(procedure: Procedure, variant: str) -> Procedure:
    """Return the procedure for a unit of that variant; its steps keep their places."""
    lacking = lacking_rails(procedure.board, variant)
    if not lacking:
        return procedure
    steps = tuple(_step(step, lacking, variant) for step in procedure.steps)
    return replace(procedure, board=board_as_built(procedure.board, variant), steps=steps)


def as_examined(procedure: Procedure, bench: Bench | None, variant: str) -> tuple[Procedure, Bench | None]:
    """Return procedure and bench as they are for a unit of that variant, for whoever looks ahead.

    Steps keep their places. A step that is not done on such a unit is a note of that; one that is done on it alone
    depends on nothing more. What the bench connects to rails that are not there is left out of it.
    """
    lacking = lacking_rails(procedure.board, variant)
    built = as_built(procedure, variant)
    built = replace(built, steps=tuple(_looked_at(step, variant) for step in built.steps))
    if bench is None or not variant:
        return built, bench
    scanner, load = bench.scanner, bench.load
    if scanner is not None:
        scanner = replace(scanner, channels={n: each for n, each in scanner.channels.items() if n not in lacking})
    if load is not None:
        load = replace(load, channels={n: each for n, each in load.channels.items() if n not in lacking})
    return built, replace(bench, scanner=scanner, load=load).of_variant(variant)


def _looked_at(step: Step, variant: str) -> Step:
    condition = step.only_if
    why = step.not_built
    if not why and variant and condition is not None and condition.variant not in (None, variant):
        why = f"done on units of the variant {condition.variant} only"
    if why:
        said = Note(f"left out: {why}")
        return replace(step, action=said, expect={}, only_if=None, irreversible=False, board_state=None, cautions=())
    if not variant or condition is None or condition.variant is None:
        return step
    rest = replace(condition, variant=None)
    return replace(step, only_if=None if rest == OnlyIf() else rest)


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
        case Apply():
            timed = tuple(name for name in action.time_to_regulation if name not in lacking)
            return action if timed == action.time_to_regulation else replace(action, time_to_regulation=timed)
        case Sink():
            return None if action.rail in lacking else action
        case Sweep():
            rails = tuple(rail for rail in action.rails if rail not in lacking)
            return replace(action, rails=rails) if rails and action.load not in lacking else None
        case PowerCycle():
            return replace(action, rails=tuple(rail for rail in action.rails if rail not in lacking))
        case _:
            return action
