"""What `preview --at` asks for: volts at inputs and a board state, read and checked against the board."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from bringup.errors import CommandError, NotationError

if TYPE_CHECKING:
    from bringup.core.board import Board


def volts_asked(board: Board, texts: Sequence[str]) -> dict[str, float]:
    """Return the volts of `20 V` (a board with one input) or of `VIN=20 V` each; without any, every input's nominal.

    Raises CommandError.
    """
    from bringup.core.quantity import parse_quantity

    if not texts:
        return {name: each.voltage.number for name, each in board.inputs.items()}
    found: dict[str, float] = {}
    for text in texts:
        name, separator, volts = text.rpartition("=")
        name = name.strip()
        if not separator:
            if len(board.inputs) != 1:
                raise CommandError(
                    f"--at {text}: the board has several inputs", f"Say which, as {next(iter(board.inputs))}={text}."
                )
            name = next(iter(board.inputs))
        if name not in board.inputs:
            raise CommandError(f"--at {text}: the board has no input {name!r}", f"It has: {', '.join(board.inputs)}.")
        if name in found:
            raise CommandError(f"--at {text}: {name} is given twice", "Give each input once.")
        try:
            number = parse_quantity(volts, "V").number
        except NotationError as error:
            raise CommandError(f"--at {text}: {error.message}", error.what_to_do or "Write it as 20 V.") from error
        if number * board.inputs[name].voltage.number < 0:
            raise CommandError(
                f"--at {text}: {name} is fed with {board.inputs[name].voltage}",
                "The wrong way round there is no budget.",
            )
        found[name] = number
    return found


def check_state(board: Board, state: str) -> None:
    """Refuse a board state that the board file does not name."""
    if state and state not in board.states:
        known = f"It has: {', '.join(board.states)}." if board.states else "The board file names no states."
        raise CommandError(f"the board has no state {state!r}", known)
