"""The person at the terminal as the runner's Ask: questions out, keys in, answers as Pendings.

Each kind of question has its own small way of being answered; what it looks like is the view's business, which reads
`question` and `typed`, and says when the question is on the screen: a key that comes before anybody can have read it
is no answer.
"""

from __future__ import annotations

import math
import re
import threading
import time
from collections import deque
from collections.abc import Callable

from bringup.runner.key_words import ALL, CALL_OFF, OBSERVE, USUAL, foot
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.terminal.deadtime import DeadTime
from bringup.terminal.keystrokes import BACKSPACE, ENTER, ESCAPE

_LONGEST = 500
"""Characters of a typed answer; more are ignored, with the bell as the only comment."""

HINTS: dict[PromptKind, str] = {
    PromptKind.GO: "press Enter: goes on",
    PromptKind.CAUTION: "press Enter: understood",
    PromptKind.CHECKLIST: "a: all good (no Enter); or the numbers of the exceptions, then Enter",
    PromptKind.CHOICE: "press its number: no Enter",
    PromptKind.TEXT: "type, then Enter; Ctrl-C calls off",
    PromptKind.REASON: "type the reason in words, then Enter; q Enter or Ctrl-C calls off",
    PromptKind.VALUE: "type what is shown, then Enter",
}
"""Kind of question -> what to press, shown beside it."""

BY_ONE_KEY = 9
"""So many choices have a key each; of more, the number is typed."""
MANY_CHOICES = "type its number, then Enter"
CLAIM = "type its number or its last word, then Enter"
COMMANDS = ALL
"""Alone on the line of a claim these are what they are as keys."""

TOO_SOON = "that key came too soon: read it, then press again"
BEGUN_TOO_SOON = "that line was begun before this could be read: read it, then type the answer"
NOT_ALONE = "there was more than Enter: nothing was taken. If that is the answer, press Enter alone"
KEYS = foot(USUAL)
"""What single keys do while no text is being typed."""

_SINGLE_KEY = {PromptKind.GO, PromptKind.CAUTION, PromptKind.CHECKLIST, PromptKind.CHOICE}
"""Questions during which letters are commands to the runner, not text."""


class Person:
    """Implements Ask for a person with a keyboard. `press` is called from the key thread."""

    attended = True

    def __init__(self, wake: Callable[[], None], *, clock: Callable[[], float] = time.monotonic) -> None:
        """`wake` ends the runner's wait. `clock`: monotonic seconds."""
        self._wake = wake
        self._changed: Callable[[], None] = lambda: None
        self._lock = threading.RLock()
        self._keys: deque[str] = deque(maxlen=32)
        self._pending: Pending[Answer] | None = None
        self._dead_time = DeadTime(clock)
        self._viewed = False
        self._exceptions: tuple[int, ...] | None = None
        self._spoilt = ""
        """Why the line under way cannot answer, whatever is on it; empty if it can."""
        self.question: Prompt | None = None
        self.put = 0
        """How many questions were put: two that are alike are still two."""
        self.typed = ""
        self.remark = ""
        """What is wrong with what was typed, or what is wanted next."""

    def on_changed(self, changed: Callable[[], None]) -> None:
        """Say whom to tell that the question or the typed line changed: the view, which is made after the person.

        From now on a question counts as put only once the view calls `shown`.
        """
        self._changed, self._viewed = changed, True

    def shown(self, put: int) -> None:
        """Take notice that the question of that number is on the screen."""
        with self._lock:
            if put == self.put:
                self._dead_time.shown()

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        """Put the question; an earlier one still open is withdrawn."""
        with self._lock:
            self.question, self.typed, self.remark, self._exceptions = prompt, "", "", None
            self._spoilt = ""
            self._pending = Pending(math.inf, self._wake)
            pending = self._pending
            self.put += 1
            self._dead_time.put()
            if not self._viewed:
                self._dead_time.shown()
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
            too_soon = self._dead_time.too_soon(key)
            self._spoil(key)
            if self.question is not None and too_soon and self._answers(self.question, key):
                self.remark = TOO_SOON
            elif (self.question is None or not self._use(self.question, key)) and key.strip() and key.isprintable():
                # Enter and the like mean nothing to the runner, and would push out what does.
                self._keys.append(key)
        self._wake()
        self._changed()

    @property
    def typing(self) -> bool:
        """Whether letters are text at this moment, not commands."""
        question = self.question
        if question is None:
            return False
        return question.kind not in _SINGLE_KEY or question.claim or self._exceptions is not None

    @property
    def keys_line(self) -> str:
        """Which keys do what at this moment."""
        with self._lock:
            if not self.typing or self.question is None:
                return KEYS
            if self.question.keys and not self.typed:
                return f"Enter takes it  {foot(self.question.keys, enter=OBSERVE)}"
            if self.typed or self._exceptions is not None or not self.question.optional:
                escape = "clears the line" if self.typed or self._exceptions is None else "goes back to the list"
            else:
                escape = "takes the question back"
            return f"Enter takes it    Esc {escape}    Ctrl-C calls off"

    # one way of answering per kind of question; each returns whether the key was used

    def _answers(self, prompt: Prompt, key: str) -> bool:
        """Whether the key would answer, as against being typed or going to the runner."""
        if key == ENTER:
            return True
        if self._is_key(prompt, key):
            return key != CALL_OFF
        if self.typing or self.typed:
            return False
        return {
            PromptKind.GO: key == " ",
            PromptKind.CAUTION: key == " ",
            PromptKind.CHECKLIST: key == "a",
            PromptKind.CHOICE: _chosen(prompt, key) is not None,
        }.get(prompt.kind, False)

    def _is_key(self, prompt: Prompt, key: str) -> bool:
        """Whether it is a key in the place of a value: no value begins so. `o` may be the beginning of OL."""
        return bool(prompt.keys) and not self.typed and key in COMMANDS and key != OBSERVE

    def _use(self, prompt: Prompt, key: str) -> bool:
        if prompt.kind is PromptKind.VALUE and self._is_key(prompt, key):
            self._answer(Answer(text=key))
            return True
        if prompt.kind in {PromptKind.GO, PromptKind.CAUTION}:
            if key not in {ENTER, " "}:
                return False
            if self._spoilt:
                self.remark, self._spoilt = self._spoilt, ""
            else:
                self._answer(Answer())
            return True
        if prompt.kind is PromptKind.CHECKLIST and self._exceptions is None and not self.typed and key == "a":
            self._answer(Answer())
            return True
        if (
            prompt.kind is PromptKind.CHOICE
            and not self.typing
            and not self.typed
            and (chosen := _chosen(prompt, key)) is not None
        ):
            self._answer(Answer(text=chosen))
            return True
        return self._edit(prompt, key)

    def _edit(self, prompt: Prompt, key: str) -> bool:
        if key == ENTER:
            self._entered(prompt, self.typed.strip())
            return True
        if key == BACKSPACE:
            self.typed = self.typed[:-1]
            return True
        if key == ESCAPE:
            return self._escape(prompt)
        if not (self.typing or key in "0123456789, ") or not key.isprintable():
            return False
        self.remark = self.remark if self.remark != TOO_SOON else ""
        if len(self.typed) < _LONGEST:
            self.typed += key
        return True

    def _escape(self, prompt: Prompt) -> bool:
        """Clear the line; if there is nothing to clear, take the question back where that is possible."""
        if self.typed:
            self.typed = self._spoilt = ""
        elif self._exceptions is not None:
            self._exceptions, self.remark = None, ""
        elif (prompt.kind is PromptKind.TEXT or prompt.claim) and prompt.optional:
            self._answer(Answer())
        elif self.typing:
            self.remark = "this one has to be answered; Ctrl-C calls off, outputs off"
        return True

    def _entered(self, prompt: Prompt, text: str) -> None:
        self.typed = ""
        if prompt.claim:
            self._claimed(prompt, text)
        elif prompt.kind is PromptKind.CHECKLIST:
            self._checklist_entered(prompt, text)
        elif prompt.kind is PromptKind.CHOICE:
            if (chosen := _numbered(prompt, text)) is not None:
                self._answer(Answer(text=chosen))
            else:
                self.remark = f"a number from 1 to {len(prompt.choices)}, please"
        elif not text and prompt.kind in {PromptKind.REASON, PromptKind.VALUE}:
            self.remark = "nothing was typed"
        else:
            self._answer(Answer(text=text))

    def _claimed(self, prompt: Prompt, text: str) -> None:
        """Take a claim only from a line that holds nothing else."""
        spoilt, self._spoilt = self._spoilt, ""
        if spoilt:
            self.remark = spoilt
        elif (chosen := _claim(prompt, text)) is not None or (prompt.optional and not text):
            self._answer(Answer(text=chosen or ""))
        elif text in COMMANDS and len(text) == 1:
            self.remark = ""
            self._keys.append(text)
        else:
            said = f"{text!r} is none of them" if text else "nothing was typed"
            self.remark = f"{said}, and nothing was taken: a number from 1 to {len(prompt.choices)}, then Enter"

    def _spoil(self, key: str) -> None:
        """Note what makes the line under way no answer: keys before it could be read, a value where Enter is wanted."""
        question = self.question
        if question is None or not key.strip() or not key.isprintable():
            return
        if question.claim and self._dead_time.unread:
            self._spoilt = BEGUN_TOO_SOON
        elif question.kind in {PromptKind.GO, PromptKind.CAUTION} and key not in COMMANDS:
            self._spoilt = NOT_ALONE

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


def hint(prompt: Prompt) -> str:
    """Return what to press or to type, and whether Enter is wanted after it."""
    if prompt.claim:
        return CLAIM
    many = prompt.kind is PromptKind.CHOICE and len(prompt.choices) > BY_ONE_KEY
    return MANY_CHOICES if many else HINTS[prompt.kind]


def _chosen(prompt: Prompt, key: str) -> str | None:
    """Return the choice that this key names by itself; None with more choices than there are digits."""
    if not key.isdecimal() or not 1 <= int(key) <= len(prompt.choices) or len(prompt.choices) > BY_ONE_KEY:
        return None
    return prompt.choices[int(key) - 1]


def _numbered(prompt: Prompt, text: str) -> str | None:
    """Return the choice of that number, written as it is shown: `001` and `0.01` are none."""
    numbers = {str(number): choice for number, choice in enumerate(prompt.choices, 1)}
    return numbers.get(text)


def _claim(prompt: Prompt, text: str) -> str | None:
    """Return the claim that the whole line names: by its number, its words, or the last of them."""
    said = text.casefold()
    words = {name: choice for choice in prompt.choices for name in (choice.casefold(), choice.casefold().split()[-1])}
    return _numbered(prompt, text) or words.get(said)
