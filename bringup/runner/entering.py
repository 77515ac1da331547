"""Reworks and observations entered by a key while an attempt goes on, with the supply watched throughout.

Everything is typed text, question by question; the first one with Enter alone takes all of it back. What a rework
touched is not known any more, in this attempt either: the gate asks for it before power is put on the board again.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from bringup.core.deviations import Observation, Rework, Severity, Target
from bringup.core.reading import Reading
from bringup.core.verdict import sentence
from bringup.core.words import Result
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.reasons import not_a_reason
from bringup.runner.work import Work

ALL, NONE = "all", "none"


def text_asked(work: Work, asked: str, remark: str = "") -> str:
    """Ask for text that need not be given; return it without the space about it."""
    lines = (remark,) if remark else ()
    return work.waits.answer(Prompt(PromptKind.TEXT, asked, lines, suggestion="", optional=True)).text.strip()


def rework(work: Work) -> None:
    """Ask what was changed, keep it, and rely no more on what was known of what it touched."""
    if work.power.on:
        work.journal.show("event", "an output is on: call off (q) before anything on the board is changed", kind="key")
    part = text_asked(work, "Part that was reworked (Enter alone: nothing was)")
    if not part:
        return
    was = text_asked(work, f"{part}: what was it? (Enter alone: it was added)")
    became = text_asked(work, f"{part}: what is it now? (Enter alone: it was taken off)")
    if was == became:
        _not_kept(work, f"{part}: {was or 'nothing'} -> {became or 'nothing'} is no change")
        return
    if not (why := _reason(work, f"{part}: why?")):
        _not_kept(work, f"no reason was given for {part}")
        return
    done = Rework(part, was, became, why, _rails(work, part))
    work.journal.rework(done)
    work.evidence.dead.clear()
    for name in work.board.rails:
        if done.touches(name):
            work.evidence.doubt_resistance(name)
    for name in work.board.inputs:
        # For the rework the board was taken off its leads.
        work.evidence.doubt_leads(name)
        if done.touches(name):
            work.evidence.doubt_resistance(name)
    work.evidence.overridden.clear()


def observe(work: Work) -> None:
    """Ask what was observed, how much it weighs and for whom, and keep it with the reading behind it."""
    text = text_asked(work, "Observed (Enter alone: nothing)")
    if not text:
        return
    severity = Severity(_one_of(work, "How much does it weigh?", tuple(Severity), Severity.SHOULD))
    target = Target(_one_of(work, "Who is to change?", tuple(Target), Target.UNIT))
    reading = _latest(work.journal.readings)
    behind: tuple[str, ...] = ()
    if reading is not None and _one_of(work, f"Is this behind it: {sentence(reading)}?", ("no", "yes"), "no") == "yes":
        behind = (reading.id,)
    work.journal.observation(Observation(text, severity, target, behind))


def _latest(readings: Sequence[Reading]) -> Reading | None:
    """Return the reading that an observation is most likely of: the last, or the last of its step that failed."""
    if not readings:
        return None
    of_step = [each for each in readings if each.step == readings[-1].step]
    failed = [each for each in of_step if each.result in (Result.FAIL, Result.CONDITIONAL_FAIL)]
    return (failed or of_step)[-1]


def _one_of(work: Work, asked: str, choices: Sequence[str], usual: str) -> str:
    """Ask for one of some words, of which the beginning will do; Enter alone is the usual one."""
    remark = ""
    while True:
        typed = text_asked(work, f"{asked} {', '.join(choices)} (Enter alone: {usual})", remark).casefold()
        if not typed:
            return usual
        found = [each for each in choices if each.startswith(typed)]
        if len(found) == 1:
            return found[0]
        remark = f"{typed!r} is none of: {', '.join(choices)}"


def _not_kept(work: Work, why: str) -> None:
    work.journal.show("event", f"{why}: the rework was NOT kept; w enters it anew", kind="key")


def _reason(work: Work, asked: str) -> str:
    """Ask until what is typed can be a reason; '' where nothing is."""
    remark = ""
    while why := text_asked(work, asked, remark):
        if not (remark := not_a_reason(why)):
            break
    return why


def _rails(work: Work, part: str) -> tuple[str, ...] | None:
    """Return the points on whose nets the part is: by the board file, and by the person where that names it nowhere."""
    board = work.board
    nets = {each: board.nets_of(each) for each in re.split(r"[,\s]+", part) if each}
    known = tuple(dict.fromkeys(name for names in nets.values() for name in names))
    if nets and all(nets.values()):
        return known
    names = {point.name.casefold(): point.name for point in board.points()}
    unnamed = ", ".join(each for each, found in nets.items() if not found)
    remark = f"the board file says of no rail that {unnamed} is on it"
    while True:
        typed = text_asked(work, "Rails that it touched, with commas (Enter alone: all; none)", remark).casefold()
        if typed in ("", ALL):
            return None
        if typed == NONE:
            return known
        given = [each.strip() for each in typed.split(",") if each.strip()]
        if unknown := [each for each in given if each not in names]:
            remark = f"the board has no rail {', '.join(unknown)}; it has {', '.join(names.values())}"
            continue
        return tuple(dict.fromkeys((*known, *(names[each] for each in given))))
