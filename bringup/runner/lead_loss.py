"""What the leads lose: an input at the board against what was set at the supply, however wide the board's own range is.

A supply that senses at its terminals knows nothing of a corroded plug or a lead that hangs by one strand. Such leads
get hot, and everything measured behind them is measured at another input than was meant.
"""

from __future__ import annotations

from decimal import Decimal

from bringup.core.expectation import limits_of
from bringup.core.limits import Limits, judge
from bringup.core.procedure import Measure
from bringup.core.wording import shown
from bringup.core.words import LimitsFrom, Result
from bringup.runner.feed import Feed
from bringup.runner.work import Judged, Settled, Work

WARNED = 0.02
"""Part of the voltage set that the leads may lose: healthy ones lose 1 to 2 % (common practice, no source) ..."""
LEAST = 0.1
"""... and never a warning for less than this many volts, which a meter and a supply may differ by."""
MOST = Decimal("0.05")
"""More than this part fails (common practice, no source)."""


def against_set(work: Work, feed: Feed, found: Settled, judged: Judged) -> Judged:
    """Return by what the volts of an input at the board are judged, what was set being known.

    A loss that is worth a warning is kept as one, told beside the attempt's result, and a remark of the reading.
    """
    if found.value.number is None or judged.result is not None:
        return judged
    loss = feed.volts - abs(found.value.number)
    if loss <= max(LEAST, WARNED * feed.volts):
        return judged
    sense = "at the board" if feed.remote_sense else "at its terminals"
    part = shown(100 * loss / feed.volts, "%", 2)
    note = f"{shown(loss, 'V', 3)} ({part}) below the {shown(feed.volts, 'V')} set, the supply sensing {sense}"
    lowest = Decimal(repr(feed.volts)) * (1 - MOST)
    if abs(found.value.number) >= lowest or covered(work, feed.input, found.value.number):
        if feed.input not in work.warnings:
            work.warnings[feed.input] = f"{feed.input} at the board is {note}: look at the leads and their ends"
            work.journal.event("warning", work.warnings[feed.input])
        return Judged(judged.limits, judged.limits_from, note=note)
    if judge(found.value.number, judged.limits) is Result.FAIL:
        return Judged(judged.limits, judged.limits_from, note=note)
    high = None if judged.limits is None else judged.limits.high
    high = Decimal(repr(feed.volts)) if high is None else max(high, lowest)
    text = f"{shown(float(lowest), 'V')} .. {shown(float(high), 'V')}: {shown(feed.volts, 'V')} set, leads may lose 5 %"
    limits = Limits("V", low=lowest, high=high, text=text)
    note = f"{note}; more than 5 % fails by a rule of the tool, unless `expect` of a `measure` permits it"
    return Judged(limits, LimitsFrom.RULE, note=note)


def covered(work: Work, name: str, volts: float) -> bool:
    """Whether the procedure itself states volts for that input at the board that permit so few."""
    stated = (
        limits_of(step, name, work.board, work.state)
        for step in work.setup.procedure.steps
        if isinstance(step.action, Measure) and name in step.action.points
    )
    return any(
        limits is not None and origin is LimitsFrom.PROCEDURE and limits.accepts(volts) for limits, origin in stated
    )
