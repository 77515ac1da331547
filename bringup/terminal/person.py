"""The person at the terminal as the runner's Ask: questions out, keys in, answers as Pendings.

Each kind of question has its own small way of being answered (an AnswerBox); what it looks like is the view's
business, which reads `question` and `typed`.
"""

from __future__ import annotations

import math
import re
import threading
from collections import deque
from collections.abc import Callable

from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.terminal.keys import BACKSPACE, ENTER

_LONGEST = 500
"""Characters of a typed answer; more are ignored, with the bell as the only comment."""

HINTS: dict[PromptKind, str] = {
    PromptKind.GO: "Enter goes on",
    PromptKind.CAUTION: "Enter: understood",
    PromptKind.CHECKLIST: "a: all good; or the numbers of the exceptions, then Enter",
    PromptKind.CHOICE: "the number of your choice",
    PromptKind.TEXT: "type, then Enter",
    PromptKind.REASON: "type the reason, then Enter",
    PromptKind.VALUE: "type what is shown, then Enter",
}
"""Kind of question -> what to press, shown beside it."""

_SINGLE_KEY = {PromptKind.GO, PromptKind.CAUTION, PromptKind.CHECKLIST, PromptKind.CHOICE}
"""Questions during which letters are commands to the runner, not text."""


class Person:
    """Implements Ask for a person with a keyboard. `press` is called from the key thread."""

    attended = True

    def __init__(self, wake: Callable[[], None]) -> None:
        """`wake` ends the runner's wait."""
        self._wake = wake
        self._changed: Callable[[], None] = lambda: None
        self._lock = threading.RLock()
        self._keys: deque[str] = deque(maxlen=32)
        self._pending: Pending[Answer] | None = None
        self._exceptions: tuple[int, ...] | None = None
        self.question: Prompt | None = None
        self.typed = ""
        self.remark = ""
        """What is wrong with what was typed, or what is wanted next."""

    def on_changed(self, changed: Callable[[], None]) -> None:
        """Say whom to tell that the question or the typed line changed: the view, which is made after the person."""
        self._changed = changed

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        """Put the question; an earlier one still open is withdrawn."""
        with self._lock:
            self.question, self.typed, self.remark, self._exceptions = prompt, "", "", None
            self._pending = Pending(math.inf, self._wake)
            pending = self._pending
        self._changed()
        return pending

    def withdraw(self) -> None:
        """Take the question away unanswered."""
        with self._lock:
            self.question, self._pending, self.typed, self.remark = None, None, "", ""
        self._changed()

    def key(self) -> str | None:
        """Return the oldest key meant for the runner."""
        with self._lock:
            return self._keys.popleft() if self._keys else None

    def press(self, key: str) -> None:
        """Take one key: for the open question if it can use it, else for the runner."""
        with self._lock:
            if self.question is None or not self._use(self.question, key):
                self._keys.append(key)
        self._wake()
        self._changed()

    # one way of answering per kind of question; each returns whether the key was used

    def _use(self, prompt: Prompt, key: str) -> bool:
        if prompt.kind in {PromptKind.GO, PromptKind.CAUTION}:
            if key in {ENTER, " "}:
                self._answer(Answer())
                return True
            return False
        if prompt.kind is PromptKind.CHECKLIST and self._exceptions is None and not self.typed and key == "a":
            self._answer(Answer())
            return True
        if prompt.kind is PromptKind.CHOICE and not self.typed and self._choose(prompt, key):
            return True
        return self._edit(prompt, key)

    def _choose(self, prompt: Prompt, key: str) -> bool:
        if not key.isdecimal() or not 1 <= int(key) <= len(prompt.choices) or len(prompt.choices) > 9:  # noqa: PLR2004
            return False
        self._answer(Answer(text=prompt.choices[int(key) - 1]))
        return True

    def _edit(self, prompt: Prompt, key: str) -> bool:
        if key == ENTER:
            self._entered(prompt, self.typed.strip())
            return True
        if key == BACKSPACE:
            self.typed = self.typed[:-1]
            return True
        typing = prompt.kind not in _SINGLE_KEY or self._exceptions is not None or key in "0123456789, "
        if not typing or not key.isprintable():
            return False
        if len(self.typed) < _LONGEST:
            self.typed += key
        return True

    def _entered(self, prompt: Prompt, text: str) -> None:
        self.typed = ""
        if prompt.kind is PromptKind.CHECKLIST:
            self._checklist_entered(prompt, text)
        elif prompt.kind is PromptKind.CHOICE:
            if text.isdecimal() and 1 <= int(text) <= len(prompt.choices):
                self._answer(Answer(text=prompt.choices[int(text) - 1]))
            else:
                self.remark = f"a number from 1 to {len(prompt.choices)}, please"
        elif not text and prompt.kind in {PromptKind.REASON, PromptKind.VALUE}:
            self.remark = "nothing was typed"
        else:
            self._answer(Answer(text=text))

    def _checklist_entered(self, prompt: Prompt, text: str) -> None:
        if self._exceptions is not None:
            self._answer(Answer(text=text, exceptions=self._exceptions))
            return
        numbers = [int(number) for number in re.findall(r"\d+", text)]
        if not numbers or not all(1 <= number <= len(prompt.lines) for number in numbers):
            self.remark = f"numbers from 1 to {len(prompt.lines)}, or a for all good"
            return
        self._exceptions = tuple(sorted({number - 1 for number in numbers}))
        self.remark = "what is wrong with " + ", ".join(str(number + 1) for number in self._exceptions) + "?"

    def _answer(self, answer: Answer) -> None:
        pending, self._pending, self.question, self.typed, self.remark = self._pending, None, None, "", ""
        if pending is not None:
            pending.settle(answer)
