"""What a file holds: nodes that keep their place and their raw text, and the problems found in them.

Nothing is converted: `0012E3`, `1.10`, `on` and `1:30` stay the text that was typed, and whoever knows what a field
holds reads it from there. `composing.py` makes them from a text.
"""

from __future__ import annotations

from bringup.core.frozen import frozen
from bringup.errors import Problem

DEEPEST = 12
"""Levels of nesting that are read; the deepest file of ours needs seven."""

MOST = 10_000
"""Values of one file that are read; the largest file of ours has a few hundred, and reading takes time for each."""

LONGEST_SHOWN = 160
"""Characters of a line that are shown with a problem."""

EMPTY_WORDS = ("", "~", "null")
"""Plain scalars that mean 'nothing' in YAML 1.2's core schema."""


@frozen
class Scalar:
    """A single text. `line` and `column` count from 1."""

    text: str
    line: int
    column: int
    plain: bool = True
    """Written without quotes and not as a block."""
    reported: bool = False
    """Stands in for something that was already reported, so nothing more is said about it."""

    @property
    def empty(self) -> bool:
        """Whether nothing was written."""
        return self.plain and self.text in EMPTY_WORDS


@frozen
class Listing:
    """A list of nodes, in order."""

    items: tuple[Node, ...]
    line: int
    column: int


@frozen
class Pairs:
    """A mapping: keys with their values, in order, every key once."""

    pairs: tuple[tuple[Scalar, Node], ...]
    line: int
    column: int

    def get(self, name: str) -> Node | None:
        """Return the value under that key, None if it is not there."""
        return next((value for key, value in self.pairs if key.text == name), None)


Node = Scalar | Listing | Pairs


class Problems:
    """Collects what is wrong with one file, so that all of it can be told at once."""

    def __init__(self, path: str, text: str) -> None:
        self.path = path
        self.found: list[Problem] = []
        self._lines = text.split("\n")

    def source(self, line: int) -> str:
        """Return a line of the file (from 1) as it stands, without its end; empty beyond the last."""
        return printable(self._lines[line - 1].rstrip("\r")[:LONGEST_SHOWN]) if 0 < line <= len(self._lines) else ""

    def add(self, at: Node | tuple[int, int], message: str, suggestion: str = "", *, offset: int = 0) -> None:
        """Report a fault at a node or (line, column). `offset` counts characters into a scalar's text."""
        if isinstance(at, Scalar) and at.reported:
            return
        line, column = at if isinstance(at, tuple) else (at.line, at.column)
        source = self.source(line)
        if isinstance(at, Scalar) and offset:
            # Only where the text stands in the line as it was read (no escapes, no folding) is the offset exact.
            start = source.find(at.text, column - 1)
            column = start + offset + 1 if start >= 0 else column
        shown = source if column <= LONGEST_SHOWN else ""
        self.found.append(Problem(self.path, line, column, printable(message), shown, printable(suggestion)))


def printable(text: str) -> str:
    """Return the text with a dot for each character that would do something to a terminal instead of showing."""
    return "".join(one if one.isprintable() or one == "\t" else "·" for one in text)


def in_order(problems: list[Problem]) -> list[Problem]:
    """Sort by place within each file, files in order of appearance; the same fault is told once."""
    files = list(dict.fromkeys(problem.path for problem in problems))
    unique = dict.fromkeys(problems)
    return sorted(unique, key=lambda one: (files.index(one.path), one.line, one.column))
