"""What a person says the supply shows, where nothing else can read it: a claim, kept as typed, with no watch."""

from __future__ import annotations

from typing import TypeVar

from bringup.core.limits import Limits
from bringup.core.replies import Value
from bringup.core.words import Kind
from bringup.runner.feed import Feed
from bringup.runner.protocols import PollSample, Prompt, PromptKind
from bringup.runner.typed import Wanted, type_in, value_of
from bringup.runner.work import Work

T = TypeVar("T")

REGULATES = "constant voltage"
LIMITS = "current limit"


def ask_shown(work: Work, feed: Feed, current: Limits | None = None, *, ask_mode: bool = True) -> PollSample:
    """Ask what the supply shows: volts, amps, and whether it limits the current. `current`: what is expected."""
    volts = _typed(work, f"{feed.input}: what voltage does the supply show?", Kind.VOLTAGE, None)
    amps = _typed(work, f"{feed.input}: what current does it show?", Kind.CURRENT, current)
    mode = None
    if ask_mode:
        text = f"{feed.input}: what does the supply's lamp say?"
        prompt = Prompt(PromptKind.CHOICE, text, choices=(REGULATES, LIMITS), suggestion=REGULATES)
        mode = "current" if work.waits.answer(prompt).text == LIMITS else "voltage"
    return PollSample(
        monotonic=work.waits.clock.monotonic(),
        output=feed.output,
        volts=volts.number,
        amps=amps.number,
        mode=mode,
        over_range=bool(volts.over_range or amps.over_range),
        volts_raw=volts.raw,
        amps_raw=amps.raw,
    )


def _typed(work: Work, text: str, kind: Kind, limits: Limits | None) -> Value:
    typed = work.waits.result(type_in(work.setup.ask, Wanted(text, kind, limits=limits)))
    work.journal.troubles("supply", typed[2])
    return value_of(typed, kind)
