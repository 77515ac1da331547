"""Nobody at a real bench: an attempt that was allowed to run unattended may go on, but nothing is answered."""

from __future__ import annotations

import math

from bringup.runner.endings import MissingEvidence
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind


class Nobody:
    """Implements Ask. The go was given with `--unattended`; every other question ends the attempt as incomplete."""

    attended = False

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        """Give the go; fail whatever only a person can answer, at once rather than by waiting for ever."""
        pending: Pending[Answer] = Pending(math.inf)
        if prompt.kind is PromptKind.GO:
            pending.settle(Answer(text="go, unattended"))
        else:
            pending.fail(MissingEvidence(f"nobody is at the bench to answer: {prompt.text}"))
        return pending

    def withdraw(self) -> None:
        """Nothing is ever open."""

    def key(self) -> str | None:
        """Nobody presses a key."""
        return None
