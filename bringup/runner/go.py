"""The person's go, asked for right before an input goes on: the question names what Enter sets off."""

from __future__ import annotations

from bringup.runner.feed import Feed
from bringup.runner.journal import Journal
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.wait import WaitPoint


def ask_go(waits: WaitPoint, journal: Journal, feed: Feed, text: str, *, by_hand: bool, somebody: bool) -> None:
    """Have the person agree to `text`. Without `somebody` the attempt was permitted beforehand, which is kept."""
    if not somebody:
        journal.event("go", f"{text}: nobody is here, the attempt was permitted unattended")
        return
    words = feed.words_by_hand if by_hand else feed.words
    asked = f"{text}. {feed.what_enter_does(by_hand=by_hand)}"
    answer = waits.answer(Prompt(PromptKind.GO, asked, lines=words, suggestion="go"))
    by = "the simulated bench" if answer.by_itself else "a person"
    journal.event("go", text, {"by": by, "settings": "; ".join(words)}, show="")
