"""Reading ohms and judging them: by stated limits, by sisters that passed, else by a rule of thumb that asks.

A reading that climbs is a capacitor charging from the meter; what counts is that it has passed the limit. Over range
answers whether a rail is shorted, not how many ohms it has; where the board file says how many to expect, an open rail,
or one far from that, is put to the person.
"""

from __future__ import annotations

from dataclasses import replace

from bringup.core.entry import read_entry
from bringup.core.expectation import LEAD_OHMS, Doubt, limits_of, resistance_doubt, unlike
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.core.reading import TAKEN_AGAIN, Reading
from bringup.core.replies import Value
from bringup.core.sisters import learnt_from, like_sisters
from bringup.core.spots import Spot
from bringup.core.unpowered import Resistance
from bringup.core.wording import limits_text, shown
from bringup.core.words import Kind, LimitsFrom, Result
from bringup.runner.measuring import settled
from bringup.runner.meter_leads import leads_at, less_leads
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.records import SisterQuestion
from bringup.runner.roles import Function
from bringup.runner.work import Judged, Settled, Work

MEANT = ("it is meant to be so", "no, it is a fault")
FAULT, AGAIN, RIGHT = "it is a fault", "measure it again", "it is right all the same"
OVER_RANGE = "over range: open, or more than the meter can show"
EVERY_METER_SHOWS = 10e6
"""Ohms that are in the range of any meter: what is expected to have more may well be over range."""


def take_ohms(work: Work, spot: Spot, old: Reading | None = None) -> Reading:
    """Read, judge and keep ohms; what a person has measured again is kept beside what it replaces.

    `old`: the reading that is taken again.
    """
    doubted = None if old is None else old.id
    while True:
        found = _read(work, spot)
        judged, again = _judged(work, spot, found)
        if old is not None:
            judged = replace(judged, note="; ".join(filter(None, (TAKEN_AGAIN, judged.note))))
            work.take_back(old)
        reading = work.keep_settled(spot.point, Kind.RESISTANCE, found, judged, aspect=spot.aspect, replaces=doubted)
        doubted = reading.id
        if not again:
            return reading


def _read(work: Work, spot: Spot) -> Settled:
    expected, limits = _expected(work, spot), _stated(work, spot)[0]
    found = settled(work, Function.OHMS, spot.name, around=expected, limits=limits)
    if found.value.over_range > 0 and expected is not None and not work.meter.by_hand:
        text = f"{spot.name} is over range where about {shown(expected, 'ohm')} is expected: read again on any range"
        work.journal.event("range", text)
        found = settled(work, Function.OHMS, spot.name, limits=limits)
    spread = None if found.rising else found.spread
    return Settled(less_leads(work, spot, found.value), spread, found.beside, found.limited, rising=found.rising)


def _stated(work: Work, spot: Spot) -> tuple[Limits | None, LimitsFrom]:
    return limits_of(work.this_step, spot.name, work.board, work.state)


def _expected(work: Work, spot: Spot) -> float | None:
    """Return the ohms that the board file expects there; None where it says nothing."""
    stated = work.board.point(spot.point).unpowered_resistance if spot.plain else None
    return None if stated is None else stated.number


def judge_ohms(work: Work, spot: Spot, value: Value, limits: Limits | None, limits_from: LimitsFrom) -> Judged:
    """Return by what ohms are judged that a person typed in the place of others: as when they were typed first."""
    rising = value.number is not None and read_entry(value.raw, Kind.RESISTANCE).rising
    return _by(work, spot, Settled(value, rising=rising), limits, limits_from)[0]


def _judged(work: Work, spot: Spot, found: Settled) -> tuple[Judged, bool]:
    return _by(work, spot, found, *_stated(work, spot))


def _by(work: Work, spot: Spot, found: Settled, limits: Limits | None, limits_from: LimitsFrom) -> tuple[Judged, bool]:
    """Return by what the ohms are judged, and whether the person has them measured again."""
    ohms = found.value.number
    note = "still rising when it was taken" if found.rising else ""
    if found.value.over_range > 0:
        return _open(work, spot, limits, limits_from)
    judged = Judged(limits, limits_from, note=note)
    if ohms is None or (limits is not None and not limits.accepts(ohms)):
        return judged, False
    if limits is None:
        sisters = None if found.rising else _sisters(work, spot, found.value)
        if sisters is not None and not _shorted(work, spot, ohms):
            return _beside_sisters(work, spot, ohms, *sisters)
        judged = _without_limits(work, spot, ohms, note)
    expected = _expected(work, spot)
    if judged.result is None and expected is not None and unlike(ohms, expected, rising=found.rising):
        text = f"{shown(ohms, 'ohm')} where about {shown(expected, 'ohm')} is expected"
        return _put(work, f"{spot.name} has {text}", (FAULT, AGAIN, RIGHT), judged, note=text)
    return judged, False


def _sisters(work: Work, spot: Spot, value: Value) -> tuple[Limits, str] | None:
    """Return within what sisters that passed read there and how many they are, if there are enough of them."""
    action = work.this_step.action
    least = action.sisters if isinstance(action, Resistance) else 0
    if not least:
        return None
    board, setup = work.board, work.setup
    question = SisterQuestion(
        setup.serial,
        board.name,
        board.revision,
        setup.variant,
        setup.bench.name,
        spot.point,
        spot.aspect,
        work.meter.info.identity,
        value.full_scale,
    )
    known = setup.record.sisters(question)
    limits = like_sisters(known) if len(known) >= least else None
    return None if limits is None else (limits, learnt_from(len(known)))


def _beside_sisters(work: Work, spot: Spot, ohms: float, sisters: Limits, basis: str) -> tuple[Judged, bool]:
    """Judge by sisters; what is unlike them is put to the person, for they may all be wrong."""
    judged = Judged(sisters, LimitsFrom.SISTERS, basis=basis)
    if sisters.accepts(ohms):
        return judged, False
    text = f"{spot.name} has {shown(ohms, 'ohm')}, its sisters {sisters.text}"
    decided, again = _put(work, text, (FAULT, AGAIN, RIGHT), judged, note="unlike its sisters")
    if RIGHT in decided.note:
        decided = replace(decided, result=Result.RECORDED)
    return decided, again


def _open(work: Work, spot: Spot, limits: Limits | None, limits_from: LimitsFrom) -> tuple[Judged, bool]:
    """Over range on every range: nothing is shorted; whether it should be open is another question."""
    expected = _expected(work, spot)
    if expected is not None and expected <= EVERY_METER_SHOWS:
        note = f"{OVER_RANGE}, where about {shown(expected, 'ohm')} is expected: is what hangs on it connected?"
        return _put(work, f"{spot.name} is {note}", (FAULT, AGAIN), Judged(limits, limits_from), note=note)
    if limits is not None and limits.high is not None:
        return Judged(limits, limits_from, Result.FAIL, f"{OVER_RANGE}, wanted {limits_text(limits)}"), False
    return Judged(limits, limits_from, Result.NOT_JUDGED, f"{OVER_RANGE}; so not shorted"), False


def _put(work: Work, text: str, choices: tuple[str, ...], judged: Judged, *, note: str) -> tuple[Judged, bool]:
    """Put a doubt to the person; without one, an open rail is a fault."""
    said = FAULT
    if work.can_answer or RIGHT in choices:
        answer = work.waits.answer(Prompt(PromptKind.CHOICE, text, choices=choices, suggestion=FAULT))
        said = answer.text
        if said == RIGHT:
            _accepted(work, text, answer)
    note = f"{note} ({said})"
    if said == AGAIN:
        return replace(judged, result=Result.NOT_JUDGED, note=note), True
    return replace(judged, result=None if said == RIGHT else Result.FAIL, note=note), False


def _accepted(work: Work, text: str, answer: Answer) -> None:
    """Keep in the unit's history that a person took a doubtful reading for right."""
    by = "the simulated bench" if answer.by_itself else "a person"
    work.journal.event("accepted", f"{text}: {answer.text}", {"given by": by}, show="")


def _doubt(work: Work, spot: Spot, ohms: float) -> Doubt:
    """Apply the rule of thumb; leads that were taken off already need no allowance."""
    return resistance_doubt(ohms, LEAD_OHMS if leads_at(work, spot) is None else 0.0)


def _shorted(work: Work, spot: Spot, ohms: float) -> bool:
    return _doubt(work, spot, ohms) is Doubt.BLOCK


def _without_limits(work: Work, spot: Spot, ohms: float, note: str) -> Judged:
    """Apply the rule of thumb where neither step nor board file states limits."""
    doubt = _doubt(work, spot, ohms)
    if doubt is Doubt.NONE:
        return Judged(note=note)
    if doubt is Doubt.BLOCK:
        return Judged(
            limits_from=LimitsFrom.RULE, result=Result.FAIL, note="no more than the leads themselves: a short"
        )
    found = f"{spot.name} has only {format_quantity(ohms, 'ohm')}"
    text = f"{found} to ground, and the board file states no limits" if spot.plain else f"{found}: nobody states limits"
    answer = work.waits.answer(Prompt(PromptKind.CHOICE, text, choices=MEANT, suggestion=MEANT[0]))
    meant = answer.text == MEANT[0]
    if meant:
        _accepted(work, text, answer)
    result = Result.RECORDED if meant else Result.FAIL
    return Judged(limits_from=LimitsFrom.RULE, result=result, note=f"{answer.text} (answered)")
