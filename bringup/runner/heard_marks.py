"""Marks of a `log` that are set by what the board says on its serial lines.

Each expression is looked for in every line of text, once a line; the mark has the moment at which the text came, not
the one at which the runner got round to it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from bringup.core.beside_log import HeardMark
from bringup.core.expression import LINE_ENDS, Program, expression
from bringup.core.marks import TOLD, Marks
from bringup.core.search import Search
from bringup.core.wording import listed
from bringup.runner.endings import BrokenOff
from bringup.runner.work import Work


class _Watched:
    """One expression on one line: says how often it comes, at most once in each line of text."""

    def __init__(self, mark: HeardMark) -> None:
        self.name = mark.name
        self._program: Program = expression(mark.pattern)
        self._search: Search | None = Search(self._program)

    def feed(self, text: str) -> int:
        """Take more text; return in how many lines it was found by now."""
        found = 0
        for piece in text.splitlines(keepends=True):
            if self._search is not None and self._search.feed(piece) is not None:
                found, self._search = found + 1, None
            if piece[-1] in LINE_ENDS and self._search is None:
                self._search = Search(self._program)
        return found


@contextmanager
def hearing(work: Work, heard: tuple[HeardMark, ...], marks: Marks) -> Iterator[None]:
    """Have the board's words set marks meanwhile; say afterwards which never came. Raises BrokenOff."""
    for name in dict.fromkeys(each.line for each in heard):
        line = work.lines.lines.get(name)
        if line is None:
            raise BrokenOff(f"this bench has no serial line {name}")
        line.take()  # what came before the log marks nothing in it
        line.also = _Setter(work, name, [_Watched(each) for each in heard if each.line == name], marks).take
    try:
        yield
    finally:
        for name in dict.fromkeys(each.line for each in heard):
            work.lines.lines[name].also = None
    work.lines.take()
    for name in dict.fromkeys(each.line for each in heard):
        _sum_up(work, name, [each.name for each in heard if each.line == name], marks)


class _Setter:
    """Gives the text of one line to all that is looked for on it."""

    def __init__(self, work: Work, line: str, watched: list[_Watched], marks: Marks) -> None:
        self._work, self._line, self._watched, self._marks = work, line, watched, marks

    def take(self, text: str, moment: float) -> None:
        """Look for everything; set what came."""
        for each in self._watched:
            for _ in range(each.feed(text)):
                if self._marks.hear(each.name, moment):
                    continue
                data = {"mark": each.name, "line": self._line, "at": f"{moment:.6f}"}
                self._work.journal.event("mark", f"mark: {each.name} ({self._line} says so)", data)


def _sum_up(work: Work, line: str, names: list[str], marks: Marks) -> None:
    """Say which marks never came: what they were to mark was not seen in this log."""
    if silent := [name for name in dict.fromkeys(names) if not marks.heard.get(name)]:
        gone = work.lines.lines[line].line.gone
        why = f"{line} is gone ({gone})" if gone else f"{line} never said so"
        work.tally.missing.append(f"no mark {listed(map(repr, silent))} in this log: {why}")
    many = {name: count for name, count in marks.heard.items() if name in names}
    if sum(marks.heard.values()) > TOLD:
        counted = listed(f"{name} {count}" for name, count in many.items())
        work.journal.event("mark-many", f"{line}: the first {TOLD} marks are kept; heard in all: {counted}")
