"""Whoever answers when nobody is there: the simulated bench answers its own questions, and says that it did.

Implements runner.protocols.Ask. A script and delays on a SimulatedClock stand in for a person where one is wanted.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence

from bringup.core.frozen import frozen
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.simulation.clock import SimulatedClock

REASON = "answered by the simulated bench"


@frozen
class Scripted:
    """One answer kept ready: given once, to the first prompt that it fits."""

    answer: Answer
    kind: PromptKind | None = None
    """None fits every kind."""
    containing: str = ""
    """A part of the prompt's text or lines, in any case."""
    delay: float | None = None
    """Seconds until it comes; None: the person's usual delay. math.inf: never."""

    def fits(self, prompt: Prompt) -> bool:
        """Whether this answers the prompt."""
        asked = "\n".join((prompt.text, *prompt.lines)).casefold()
        return self.kind in {None, prompt.kind} and self.containing.casefold() in asked


class SimulatedPerson:
    """Answers every prompt by itself: goes on, finds everything good, gives what is suggested.

    Without a clock every answer is there at once. `value` returns what is typed for a VALUE.
    """

    def __init__(
        self,
        *,
        attended: bool = False,
        value: Callable[[Prompt], str] | None = None,
        script: Sequence[Scripted] = (),
        clock: SimulatedClock | None = None,
        delay: float = 0.0,
    ) -> None:
        assert clock is not None or not (delay or any(one.delay for one in script)), "delays need a clock"
        self._attended = attended
        self._value = value or (lambda prompt: prompt.suggestion)
        self._script = list(script)
        self._clock = clock
        self._delay = delay
        self._keys: deque[str] = deque()
        self._open: Pending[Answer] | None = None
        self.asked: list[tuple[Prompt, Answer]] = []
        """Every prompt with the answer it got or would have got, in order."""

    @property
    def attended(self) -> bool:
        """Whether this counts as a person being there."""
        return self._attended

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        """Answer, at once or after the delay."""
        scripted = next((one for one in self._script if one.fits(prompt)), None)
        if scripted is not None:
            self._script.remove(scripted)
        answer = scripted.answer if scripted is not None else self._answer(prompt)
        delay = self._delay if scripted is None or scripted.delay is None else scripted.delay
        self.asked.append((prompt, answer))
        pending: Pending[Answer] = Pending(math.inf, self._clock.wake if self._clock is not None else lambda: None)
        self._open = pending
        if self._clock is None or delay == 0:
            self._settle(pending, answer)
        elif not math.isinf(delay):
            self._clock.at(self._clock.monotonic() + delay, lambda: self._settle(pending, answer), wakes=False)
        return pending

    def withdraw(self) -> None:
        """Forget the open question; its answer never comes."""
        self._open = None

    def key(self) -> str | None:
        """The oldest key that was pressed."""
        return self._keys.popleft() if self._keys else None

    def press(self, key: str, at: float) -> None:
        """Schedule a key. Needs a clock."""
        assert self._clock is not None, "a key at a time needs a clock"
        self._clock.at(at, lambda: self._keys.append(key))

    def _settle(self, pending: Pending[Answer], answer: Answer) -> None:
        if self._open is pending:
            self._open = None
            pending.settle(answer)

    def _answer(self, prompt: Prompt) -> Answer:
        if prompt.kind is PromptKind.VALUE:
            text = self._value(prompt)
        elif prompt.kind is PromptKind.CHOICE:
            text = prompt.suggestion or prompt.choices[0]
        elif prompt.kind is PromptKind.REASON:
            text = REASON
        elif prompt.kind is PromptKind.TEXT:
            text = prompt.suggestion
        else:
            text = ""
        return Answer(text, by_itself=True)
