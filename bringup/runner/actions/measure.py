"""`measure`: volts at each point, one after the other, each settled, with the input's volts and amps beside it.

With a probe held by hand a reading is taken once the probe is on its point; it can be taken again, or left out.

Never judged while the supply is in current limit, nor where the rail's load is below what its converter needs.
"""

from __future__ import annotations

import math
from dataclasses import replace

from bringup.core.expectation import limits_of
from bringup.core.limits import Limits
from bringup.core.procedure import Measure
from bringup.core.reading import TAKEN_AGAIN, Reading
from bringup.core.replies import Value
from bringup.core.solver import solve
from bringup.core.verdict import sentence
from bringup.core.words import How, Kind, Result
from bringup.runner.at_board import due, measure_at_board, note_leads
from bringup.runner.damage import spoiled, trip_if_damaging
from bringup.runner.hands_free import PointLeftOut, by_hand, hands_free, typed_by_hand
from bringup.runner.lead_loss import against_set
from bringup.runner.measuring import IN_LIMIT, settled
from bringup.runner.own_word import said_by_board
from bringup.runner.roles import Function
from bringup.runner.sureness import around_of
from bringup.runner.work import Judged, Settled, Work

AGAIN = 20
"""How often a reading is taken again because the supply was in current limit meanwhile; the watch trips long before."""


def measure(work: Work, action: Measure) -> None:
    """Measure every point."""
    for feed in work.power.on:
        if not (work.meter.by_hand and feed.input in action.points):  # one typed value serves for both
            measure_at_board(work, feed)
    work.held.again = None
    for point in action.points:
        try:
            _take(work, point)
        except PointLeftOut as choice:
            work.held.again = None
            left_out = Value(None, "", why=f"left out: {choice.why}")
            kept = work.keep(point, Kind.VOLTAGE, left_out, instrument="person", how=How.TYPED)
            work.tally.chosen.append(sentence(kept))
    work.held.again = None


def _take(work: Work, point: str, old: Reading | None = None) -> None:
    """Take one point, judge and keep it. `old`: the reading that it is taken again for, which stays beside it."""
    limits, limits_from = limits_of(work.this_step, point, work.board, work.state)
    if hands_free(work, point):
        found = by_hand(work, point, limits)
    elif work.meter.by_hand:
        found = typed_by_hand(work, point, lambda: _out_of_limit(work, point, limits))
    else:
        found = _out_of_limit(work, point, limits)
    judged = Judged(limits, limits_from)
    if spoiled(work, point, found):
        judged = Judged(limits, limits_from, Result.NOT_JUDGED, IN_LIMIT)
        work.tally.missing.append(f"{point}: {IN_LIMIT}")
    elif reason := below_minimum_load(work, point):
        judged = Judged(limits, limits_from, Result.NOT_JUDGED, reason)
    fed = work.power.feed_of(point) if point in work.board.inputs else None
    if fed is not None:
        judged = against_set(work, fed, found, judged)
    if word := said_by_board(work, point, found.value):
        judged = replace(judged, note="; ".join(filter(None, (judged.note, word))))
    if old is not None:
        judged = replace(judged, note="; ".join(filter(None, (TAKEN_AGAIN, judged.note))))
        work.take_back(old)
    reading = work.keep_settled(point, Kind.VOLTAGE, found, judged, replaces=None if old is None else old.id)
    work.held.again = lambda: _again(work, point, reading)
    trip_if_damaging(work, point, found.value)
    if fed is not None and due(work, fed):
        note_leads(work, fed, reading, found.beside)


def _again(work: Work, point: str, old: Reading) -> None:
    """Take the last reading again; left out after all, the old one stands."""
    try:
        _take(work, point, old)
    except PointLeftOut as choice:
        work.journal.event("probe", f"{point} was not taken again: {choice.why}")
        work.held.again = lambda: _again(work, point, old)


def _out_of_limit(work: Work, point: str, limits: Limits | None) -> Settled:
    """Read until the supply was out of current limit throughout. The watch decides whether that lasts too long.

    A damaging voltage is never read again: power is cut by then, and the reading is what there is of it.
    """
    work.hands.probe(point)
    found = settled(work, Function.DC_VOLTS, point, around=around_of(limits), limits=limits)
    for _ in range(AGAIN):
        if not spoiled(work, point, found):
            break
        work.waits.sleep(work.setup.poll_every, f"waiting for the supply to leave current limit before {point}")
        found = settled(work, Function.DC_VOLTS, point, around=around_of(limits), limits=limits)
    return found


def below_minimum_load(work: Work, point: str) -> str:
    """Return why a rail is not judged because of its load, at the volts set; '' if it is.

    That is told beside the attempt's result: one that passed has not seen this rail.
    """
    rail = work.board.rails.get(point)
    if rail is None or rail.converter is None or rail.converter.minimum_load is None:
        return ""
    nominal = {name: point.voltage.number for name, point in work.board.inputs.items()}
    volts = {feed.input: math.copysign(feed.volts, nominal[feed.input]) for feed in work.power.on}
    loaded = work.power.sinking.loaded(work.board)
    if point not in solve(loaded, volts, state=work.state).below_minimum_load:
        return ""
    reason = f"loaded below the minimum of {rail.converter.minimum_load}"
    if point not in work.warnings:
        work.warnings[point] = f"{point} was not judged: {reason}"
        work.journal.event("warning", work.warnings[point])
    return reason
