"""A board out of a text that was kept: the board file of an earlier attempt, or the procedure that held the board."""

from __future__ import annotations

from pathlib import Path

from bringup.core.board import Board
from bringup.files.board_fields import BOARD
from bringup.files.board_file import board_of, read_board
from bringup.files.nodes import Pairs
from bringup.files.sections import Values
from bringup.files.source import open_text


def board_kept(kind: str, path: str, text: str) -> Board | None:
    """Return the board. `kind`: 'board' or 'procedure'. None where an older form of the file is not understood."""
    opened = open_text(Path(path), text)
    if kind == "board":
        return read_board(opened)[1]
    inline = opened.root.get("board") if isinstance(opened.root, Pairs) else None
    values = BOARD.read(inline, opened.problems) if isinstance(inline, Pairs) else None
    return board_of(values, opened.problems, path) if isinstance(values, Values) else None
