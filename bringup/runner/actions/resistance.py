"""`resistance`: ohms from each point to ground, with every output verified off and the supply's leads off the board.

Each point is first read in volts: more than 50 mV means that it is charged or fed from elsewhere, and ohms would be
nonsense. A reading that climbs is a capacitor charging from the meter; what counts is that it has passed the limit.
Over range answers whether a rail is shorted, not how many ohms it has; where the board file says how many to expect,
an open rail, or one far from that, is put to the person.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from bringup.core.board import Rail
from bringup.core.entry import read_entry
from bringup.core.expectation import Doubt, limits_of, resistance_doubt, unlike
from bringup.core.limits import Limits
from bringup.core.procedure import Resistance
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.wording import limits_text, shown
from bringup.core.words import How, Kind, LimitsFrom, Result
from bringup.runner.hands import LeadsPlace
from bringup.runner.measuring import read_once, settled
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.roles import Function
from bringup.runner.volts_first import DEAD, say_why, typed_until_dead
from bringup.runner.work import Judged, Settled, Work

DEAD_LIMITS = Limits("V", low=Decimal("-0.05"), high=Decimal("0.05"), nominal=None, text="-50 mV .. 50 mV")
DISCHARGE = 60.0
"""Seconds a charged point is waited for as long as its voltage falls."""
EVERY = 0.5
FALLING = 0.98
"""A point that keeps more than this part of its voltage from one look to the next is not discharging."""
MEANT = ("it is meant to be so", "no, it is a fault")
FAULT, AGAIN, RIGHT = "it is a fault", "measure it again", "it is right all the same"
OVER_RANGE = "over range: open, or more than the meter can show"
EVERY_METER_SHOWS = 10e6
"""Ohms that are in the range of any meter: what is expected to have more may well be over range."""


def resistance(work: Work, action: Resistance) -> None:
    """Measure every point; one that is not dead is not measured in ohms."""
    inputs = tuple(work.board.inputs)
    if not work.move_leads(LeadsPlace.OFF, "resistance is measured", inputs):
        work.power.require_off("resistance is measured")
    for point in action.points:
        work.evidence.doubt_resistance(point)
        work.hands.probe(point)
        if _dead(work, point):
            _ohms(work, point)


def _dead(work: Work, point: str) -> bool:
    """Whether the point carries no volts that would falsify ohms. Waits while it discharges."""
    if work.meter.by_hand:
        say_why(work)
    value = read_once(work, Function.DC_VOLTS, point, around=1.0)
    until = work.waits.clock.monotonic() + DISCHARGE
    live = work.board.point(point).stays_live
    if work.meter.by_hand:
        value = typed_until_dead(work, point, value)
        until = work.waits.clock.monotonic()
    while value.number is not None and abs(value.number) > DEAD and not (live and live.accepts(value.number)):
        before = abs(value.number)
        if work.waits.clock.monotonic() >= until:
            break
        work.waits.sleep(EVERY, f"{point} carries {shown(value.number, 'V')}: waiting for its discharge")
        value = read_once(work, Function.DC_VOLTS, point, around=1.0)
        if value.number is not None and abs(value.number) > max(DEAD, FALLING * before):
            break
    how = How.TYPED if work.meter.by_hand else How.READ
    if value.number is not None and abs(value.number) <= DEAD:
        judged = Judged(DEAD_LIMITS, LimitsFrom.RULE)
        work.keep(point, Kind.VOLTAGE, value, judged, how=how, aspect="before resistance")
        return True
    _not_dead(work, point, value, how)
    return False


def _not_dead(work: Work, point: str, value: Value, how: How) -> None:
    """Keep the volts and say why ohms are not taken."""
    live = work.board.point(point).stays_live
    if value.number is not None and live is not None and live.accepts(value.number):
        note = "meant to stay live: resistance is not measured"
        work.keep(point, Kind.VOLTAGE, value, Judged(live, LimitsFrom.BOARD, note=note), how=how, aspect="stays live")
        work.evidence.trust_resistance(point)
        return
    work.keep(point, Kind.VOLTAGE, value, Judged(note="resistance not measured"), how=how, aspect="before resistance")
    if value.number is not None:
        found = shown(value.number, "V")
        text = f"{point} carries {found} with every output off: charged, or fed by {_what_could_feed(work, point)}"
        work.journal.event("live", text)
        work.tally.missing.append(text)


def _what_could_feed(work: Work, point: str) -> str:
    """Name what hangs on the point and could feed it."""
    board = work.board
    names = [rail.name for rail in board.fed_from(point)]
    here = board.point(point)
    if isinstance(here, Rail) and here.source is not None:
        names.insert(0, here.source)
    names += [f"{other.name} (stays live)" for other in board.points() if other.stays_live and other.name != point]
    return ", ".join([*names, "a debug or USB lead, a cell, another instrument"])


def _ohms(work: Work, point: str) -> None:
    """Read, judge and keep ohms; what a person has measured again is kept beside what it replaces."""
    limits, limits_from = limits_of(work.this_step, point, work.board, work.state)
    doubted = None
    while True:
        found = _read(work, point, limits)
        judged, again = _judged(work, point, found, limits, limits_from)
        reading = work.keep_settled(point, Kind.RESISTANCE, found, judged, replaces=doubted)
        doubted = reading.id
        if not again:
            break
    not_shorted = found.value.over_range > 0 and reading.result is Result.NOT_JUDGED
    if not_shorted or reading.result in (Result.PASS, Result.RECORDED):
        work.evidence.trust_resistance(point)


def _read(work: Work, point: str, limits: Limits | None) -> Settled:
    expected = _expected(work, point)
    found = settled(work, Function.OHMS, point, around=expected, limits=limits)
    if found.value.over_range > 0 and expected is not None and not work.meter.by_hand:
        text = f"{point} is over range where about {shown(expected, 'ohm')} is expected: read again on any range"
        work.journal.event("range", text)
        found = settled(work, Function.OHMS, point, limits=limits)
    if found.rising and found.spread is not None:
        found = Settled(found.value, None, found.beside, found.limited, rising=True)
    return found


def _expected(work: Work, point: str) -> float | None:
    stated = work.board.point(point).unpowered_resistance
    return None if stated is None else stated.number


def _judged(
    work: Work, point: str, found: Settled, limits: Limits | None, limits_from: LimitsFrom
) -> tuple[Judged, bool]:
    """Return by what the ohms are judged, and whether the person has them measured again."""
    ohms = found.value.number
    note = "still rising when it was taken" if found.rising else ""
    if found.value.over_range > 0:
        return _open(work, point, limits, limits_from)
    judged = Judged(limits, limits_from, note=note)
    if ohms is None or (limits is not None and not limits.accepts(ohms)):
        return judged, False
    if limits is None:
        judged = _without_limits(work, point, ohms, note)
    expected = _expected(work, point)
    if judged.result is None and expected is not None and unlike(ohms, expected, rising=found.rising):
        text = f"{shown(ohms, 'ohm')} where about {shown(expected, 'ohm')} is expected"
        return _put(work, f"{point} has {text}", (FAULT, AGAIN, RIGHT), judged, note=text)
    return judged, False


def judge_ohms(work: Work, point: str, value: Value, limits: Limits | None, limits_from: LimitsFrom) -> Judged:
    """Return by what ohms are judged that a person typed in the place of others: as when they were typed first."""
    rising = value.number is not None and read_entry(value.raw, Kind.RESISTANCE).rising
    return _judged(work, point, Settled(value, rising=rising), limits, limits_from)[0]


def _open(work: Work, point: str, limits: Limits | None, limits_from: LimitsFrom) -> tuple[Judged, bool]:
    """Over range on every range: nothing is shorted; whether it should be open is another question."""
    expected = _expected(work, point)
    if expected is not None and expected <= EVERY_METER_SHOWS:
        note = f"{OVER_RANGE}, where about {shown(expected, 'ohm')} is expected: is what hangs on it connected?"
        return _put(work, f"{point} is {note}", (FAULT, AGAIN), Judged(limits, limits_from), note=note)
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


def _without_limits(work: Work, point: str, ohms: float, note: str) -> Judged:
    """Apply the rule of thumb where neither step nor board file states limits."""
    doubt = resistance_doubt(ohms)
    if doubt is Doubt.NONE:
        return Judged(note=note)
    if doubt is Doubt.BLOCK:
        return Judged(
            limits_from=LimitsFrom.RULE, result=Result.FAIL, note="no more than the leads themselves: a short"
        )
    text = f"{point} has only {format_quantity(ohms, 'ohm')} to ground, and the board file states no limits"
    answer = work.waits.answer(Prompt(PromptKind.CHOICE, text, choices=MEANT, suggestion=MEANT[0]))
    meant = answer.text == MEANT[0]
    if meant:
        _accepted(work, text, answer)
    result = Result.RECORDED if meant else Result.FAIL
    return Judged(limits_from=LimitsFrom.RULE, result=result, note=f"{answer.text} (answered)")
