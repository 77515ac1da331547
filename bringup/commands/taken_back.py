"""Answers typed one after the other, of which the last can be taken back.

What asks is a function of the answers: to go back one, it is begun anew, given all answers but the last by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

from bringup.commands.find_text import tell

T = TypeVar("T")

BACK = "<"
"""Typed instead of an answer: take back the one before."""
SET_IN = "      "


class _TakenBack(Exception):  # noqa: N818 - a person's choice, not a mistake
    """The last answer does not count any more."""


class Answers:
    """A prompt that remembers. `prompt`: puts a question and returns what was typed."""

    def __init__(self, prompt: Callable[[str], str]) -> None:
        self._prompt = prompt
        self._kept: list[str] = []
        self._next = 0
        """Which of those is given next; all of them: a person is asked."""

    def of(self, asks: Callable[[], T]) -> T:
        """Return what `asks` makes of the answers, however often one was taken back."""
        while True:
            self._next = 0
            try:
                return asks()
            except _TakenBack:
                continue

    def __call__(self, question: str) -> str:
        """Return the answer: one that is kept, else what a person types."""
        if self._next == len(self._kept):
            said = self._prompt(question)
            while said == BACK and not self._kept:
                tell([f"{SET_IN}there is no answer to take back"])
                said = self._prompt(question)
            if said == BACK:
                self._kept.pop()
                raise _TakenBack
            self._kept.append(said)
        self._next += 1
        return self._kept[self._next - 1]

    def refuse(self, lines: Iterable[str]) -> None:
        """Say why the last answer is none, and forget it."""
        tell([f"{SET_IN}{each}" for each in lines])
        if self._kept and self._next == len(self._kept):
            self._kept.pop()
            self._next -= 1

    def tell(self, lines: Iterable[str]) -> None:
        """Print lines, unless they were when the answers that are kept were typed."""
        if self._next == len(self._kept):
            tell(lines)
