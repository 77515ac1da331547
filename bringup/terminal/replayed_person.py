"""The person of a trace (runner.protocols.Ask): answers what was answered then, when it was, to the same questions."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Protocol

from bringup.core.traffic import Differs, Event, escaped
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt
from bringup.runner.records import Interruption
from bringup.terminal.traced_person import WHO


class Clock(Protocol):
    """The time of a replay."""

    def monotonic(self) -> float:
        """Seconds since the trace began."""

    def at(self, time: float, callback: Callable[[], None], *, wakes: bool = True) -> None:
        """Call `callback` then."""

    def wake(self) -> None:
        """End the wait now."""

    def interrupt(self, kind: Interruption, at: float) -> None:
        """Schedule an interruption."""


class ReplayedPerson:
    """Answers from a trace. Interruptions that came then come again. `ask` may raise Differs."""

    def __init__(self, path: str, events: Sequence[Event], clock: Clock, found: list[Differs]) -> None:
        """`found`: the differences of the whole replay, in order."""
        self._found = found
        mine = [event for event in events if event.who == WHO]
        self.attended = any(event.what == "present" for event in mine)
        self._path = path
        self._clock = clock
        self._said = [event for event in mine if event.what in {"asked", "answered", "withdrawn"}]
        self._keys = [event for event in mine if event.what == "key"]
        self._open: Pending[Answer] | None = None
        for event in self._keys:
            clock.at(event.at, lambda: None)
        for event in mine:
            if event.what == "interrupted" and event.text in {str(known) for known in Interruption}:
                clock.interrupt(Interruption(event.text), event.at)

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        """Give the answer that was given then, at that time. Raises Differs for another question."""
        event = self._said.pop(0) if self._said else None
        text = prompt.text.encode("utf-8", "replace")
        if event is None or (event.what, event.words, event.data) != ("asked", prompt.kind.value, text):
            then = "nothing more was asked"
            place = self._path
            if event is not None:
                then = f'came: person {event.what} {event.words} "{escaped(event.data)}"'
                place = f"{self._path}:{event.line}"
            self._found.append(
                Differs(
                    f'{place}: then {then}; now the person is asked {prompt.kind.value} "{escaped(text)}"',
                    1 << 62 if event is None else event.line,
                )
            )
            raise self._found[0]
        pending: Pending[Answer] = Pending(math.inf, self._clock.wake)
        self._open = pending
        if self._said and self._said[0].what == "answered":
            answered = self._said.pop(0)
            by, *exceptions = answered.words.split()
            answer = Answer(answered.text, tuple(map(int, exceptions)), by_itself=by == "by_itself")
            if answer.by_itself:
                pending.settle(answer)
            else:
                self._clock.at(answered.at, lambda: self._settle(pending, answer), wakes=False)
        return pending

    def withdraw(self) -> None:
        """Forget the open question, as was done then."""
        self._open = None
        if self._said and self._said[0].what == "withdrawn":
            self._said.pop(0)

    def key(self) -> str | None:
        """The oldest key that was pressed by now."""
        if self._keys and self._keys[0].at <= self._clock.monotonic():
            return self._keys.pop(0).text
        return None

    def _settle(self, pending: Pending[Answer], answer: Answer) -> None:
        if self._open is pending:
            self._open = None
            pending.settle(answer)
