"""`measure`: volts at each point, one after the other, each settled, with the input's volts and amps beside it.

Never judged while the supply is in current limit, nor where the rail's load is below what its converter needs.
"""

from __future__ import annotations

import math

from bringup.core.expectation import limits_of
from bringup.core.procedure import Measure
from bringup.core.solver import solve
from bringup.core.words import Kind, Result
from bringup.runner.at_board import measure_at_board
from bringup.runner.damage import spoiled, trip_if_damaging
from bringup.runner.lead_loss import against_set
from bringup.runner.measuring import IN_LIMIT, around_of, settled
from bringup.runner.roles import Function
from bringup.runner.work import Judged, Settled, Work

AGAIN = 20
"""How often a reading is taken again because the supply was in current limit meanwhile; the watch trips long before."""


def measure(work: Work, action: Measure) -> None:
    """Measure every point."""
    for feed in work.power.on:
        measure_at_board(work, feed)
    for point in action.points:
        work.hands.probe(point)
        limits, limits_from = limits_of(work.this_step, point, work.board, work.state)
        found = _out_of_limit(work, point, around_of(limits))
        judged = Judged(limits, limits_from)
        if spoiled(work, point, found):
            judged = Judged(limits, limits_from, Result.NOT_JUDGED, IN_LIMIT)
            work.tally.missing.append(f"{point}: {IN_LIMIT}")
        elif reason := below_minimum_load(work, point):
            judged = Judged(limits, limits_from, Result.NOT_JUDGED, reason)
        if point in work.board.inputs and (fed := work.power.feed_of(point)) is not None:
            judged = against_set(work, fed, found, judged)
        work.keep_settled(point, Kind.VOLTAGE, found, judged)
        trip_if_damaging(work, point, found.value)


def _out_of_limit(work: Work, point: str, around: float | None) -> Settled:
    """Read until the supply was out of current limit throughout. The watch decides whether that lasts too long.

    A damaging voltage is never read again: power is cut by then, and the reading is what there is of it.
    """
    found = settled(work, Function.DC_VOLTS, point, around=around)
    for _ in range(AGAIN):
        if not spoiled(work, point, found):
            break
        work.waits.sleep(work.setup.poll_every, f"waiting for the supply to leave current limit before {point}")
        found = settled(work, Function.DC_VOLTS, point, around=around)
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
