"""`measure`: volts at each point, one after the other, each settled, with the input's volts and amps beside it.

Never judged while the supply is in current limit, nor where the rail's load is below what its converter needs.
"""

from __future__ import annotations

from bringup.core.board import Input
from bringup.core.expectation import limits_of
from bringup.core.procedure import Measure
from bringup.core.quantity import format_quantity
from bringup.core.solver import solve
from bringup.core.words import Kind, Result
from bringup.runner.at_board import measure_at_board
from bringup.runner.endings import Trip
from bringup.runner.measuring import around_of, settled
from bringup.runner.roles import Function
from bringup.runner.work import Judged, Settled, Work

IN_LIMIT = "the supply is in current limit"
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
        if found.limited:
            judged = Judged(limits, limits_from, Result.NOT_JUDGED, IN_LIMIT)
            work.tally.missing.append(f"{point}: {IN_LIMIT}")
        elif reason := below_minimum_load(work, point):
            judged = Judged(limits, limits_from, Result.NOT_JUDGED, reason)
        work.keep_settled(point, Kind.VOLTAGE, found, judged)
        _damage(work, point, found)


def _out_of_limit(work: Work, point: str, around: float | None) -> Settled:
    """Read until the supply was out of current limit throughout. The watch decides whether that lasts too long."""
    found = settled(work, Function.DC_VOLTS, point, around=around)
    for _ in range(AGAIN):
        if not found.limited:
            break
        work.waits.sleep(work.setup.poll_every, f"waiting for the supply to leave current limit before {point}")
        found = settled(work, Function.DC_VOLTS, point, around=around)
    return found


def below_minimum_load(work: Work, point: str) -> str:
    """Return why a rail is not judged because of its load; '' if it is."""
    rail = work.board.rails.get(point)
    if rail is None or rail.converter is None or rail.converter.minimum_load is None:
        return ""
    volts = {feed.input: work.board.inputs[feed.input].voltage.number for feed in work.power.on}
    if point not in solve(work.board, volts, state=work.state).below_minimum_load:
        return ""
    return f"loaded below the minimum of {rail.converter.minimum_load}"


def _damage(work: Work, point: str, found: Settled) -> None:
    """A point beyond what damages it, or over the meter's range, is switched off at once."""
    most = work.board.point(point).damage_above
    if found.value.over_range:
        raise Trip(f"{point} is over the meter's range: that counts as above what damages it")
    if most is None or found.value.number is None or abs(found.value.number) <= abs(most.number):
        return
    whose = "the board" if isinstance(work.board.point(point), Input) else "it"
    read = format_quantity(found.value.number, "V", resolution=found.value.resolution)
    raise Trip(f"{point} reads {read}, above the {most} that damage {whose}")
