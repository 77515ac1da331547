"""The person's go, asked for right before an input goes on: the question names what Enter sets off."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from bringup.runner.feed import Feed
from bringup.runner.journal import Journal
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.wait import WaitPoint


def ask_go(
    waits: WaitPoint,
    journal: Journal,
    feed: Feed,
    text: str,
    *,
    by_hand: bool,
    somebody: bool,
    agreed: bool,
    changed: Callable[[], bool],
) -> None:
    """Have the person agree to `text`. Without `somebody` the attempt was permitted beforehand, which is kept.

    `agreed`: the go was given before, for several times. `changed` says whether the board was changed while the go was
    asked for: then it is asked for anew.
    """
    if agreed:
        journal.event("go", f"{text}: agreed to before")
    else:
        _ask(waits, journal, feed, text, by_hand=by_hand, somebody=somebody)
    while changed():
        _ask(waits, journal, feed, text, by_hand=by_hand, somebody=somebody)


@contextmanager
def given(waits: WaitPoint) -> Iterator[None]:
    """From the go to the moment of power no key puts a question: the answer to it would be what switches on."""
    before, waits.may_ask = waits.may_ask, False
    try:
        yield
    finally:
        waits.may_ask = before


def _ask(waits: WaitPoint, journal: Journal, feed: Feed, text: str, *, by_hand: bool, somebody: bool) -> None:
    if not somebody:
        journal.event("go", f"{text}: nobody is here, the attempt was permitted unattended")
        return
    words = feed.words_by_hand if by_hand else feed.words
    asked = f"{text}. {feed.what_enter_does(by_hand=by_hand)}"
    answer = waits.answer(Prompt(PromptKind.GO, asked, lines=words, suggestion="go"))
    by = "the simulated bench" if answer.by_itself else "a person"
    journal.event("go", text, {"by": by, "settings": "; ".join(words)}, show="")
