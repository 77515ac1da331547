"""The person at the bench (runner.protocols.Ask), and what is asked and answered told to somebody who keeps it."""

from __future__ import annotations

from typing import Protocol

from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt
from bringup.runner.protocols import Ask

WHO = "person"


class Note(Protocol):
    """Somebody who keeps what happens. Never raises, never blocks."""

    def __call__(self, who: str, what: str, words: str = "", data: bytes = b"") -> None:
        """Keep it, with the time of the call. Words and what is quoted: core.traffic.EVENTS."""


class TracedPerson:
    """Passes everything on to another Ask."""

    def __init__(self, ask: Ask, note: Note) -> None:
        self._ask = ask
        self._note = note
        note(WHO, "present" if ask.attended else "absent")

    @property
    def attended(self) -> bool:
        """Whether a person can answer."""
        return self._ask.attended

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        """Put the question; the answer comes whenever it comes."""
        self._note(WHO, "asked", prompt.kind.value, prompt.text.encode("utf-8", "replace"))
        answer = self._ask.ask(prompt)
        answer.then(self._tell)
        return answer

    def withdraw(self) -> None:
        """Take the open question off the screen."""
        self._note(WHO, "withdrawn")
        self._ask.withdraw()

    def key(self) -> str | None:
        """A key that was pressed while no question was open, oldest first; None if there is none."""
        key = self._ask.key()
        if key is not None:
            self._note(WHO, "key", data=key.encode("utf-8", "replace"))
        return key

    def _tell(self, answer: Answer) -> None:
        words = " ".join(("by_itself" if answer.by_itself else "person", *map(str, answer.exceptions)))
        self._note(WHO, "answered", words, answer.text.encode("utf-8", "replace"))
