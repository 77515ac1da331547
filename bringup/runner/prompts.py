"""Questions to the person at the bench, and answers. Plain records; how they look is the terminal's business."""

from __future__ import annotations

from enum import StrEnum

from bringup.core.frozen import frozen


class PromptKind(StrEnum):
    """What sort of answer is wanted."""

    GO = "go"
    """Enter (or the go key) goes on."""
    CHECKLIST = "checklist"
    """One key for all good, or the numbers of the exceptions."""
    CHOICE = "choice"
    TEXT = "text"
    VALUE = "value"
    """A reading, typed: the line as it was typed."""
    REASON = "reason"
    """A typed reason; empty is refused."""
    CAUTION = "caution"
    """Shown before something that can hurt; acknowledged."""


@frozen
class Prompt:
    """One question to the person."""

    kind: PromptKind
    text: str
    lines: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()
    unit: str = ""
    suggestion: str = ""
    """What a simulated person answers; also shown as an example for VALUE."""
    optional: bool = False
    """TEXT, claims: an empty answer takes the question back (Enter alone, Esc)."""
    claim: bool = False
    """CHOICE: what only the person can know of the supply. The whole line is the answer: number or word, then Enter."""
    keys: str = ""
    """VALUE: keys that do what they always do where nothing was typed yet, without Enter; '' for none."""
    danger: bool = False
    """Asked although it was asked before in this sitting (high voltage)."""


@frozen
class Answer:
    """The person's answer. CHECKLIST: `exceptions` holds indexes from 0, `text` the remark."""

    text: str = ""
    exceptions: tuple[int, ...] = ()
    by_itself: bool = False
    """Answered by the simulated bench, not by a person."""
