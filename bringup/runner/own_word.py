"""What the board itself says of a rail, beside what the meter read there: neither is the other's proof."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from bringup.core.limits import Limits
from bringup.core.quantity import Quantity, format_quantity
from bringup.core.reading import BY_BOARD, Reading
from bringup.core.reference import difference
from bringup.core.replies import Value
from bringup.core.words import LimitsFrom
from bringup.runner.work import Judged, Work


def beside_the_meter(work: Work, point: str, value: Value, judged: Judged, agrees: Quantity | None) -> Judged:
    """Return how the board's own reading of a point is judged, with what the meter read there last.

    `agrees`: percent by which it may differ from that; without a reading of the meter there is nothing to agree with.
    """
    metered = _latest(work, point, by_board=False)
    if metered is None or metered.value is None:
        if agrees is not None:
            work.tally.missing.append(f"{point} by the board: the meter has not read it, so nothing can agree")
        return judged
    shown = format_quantity(metered.value, metered.unit, resolution=metered.resolution)
    if agrees is not None:
        judged = Judged(_near(metered.value, agrees, shown), LimitsFrom.PROCEDURE)
    if value.number is None:
        return judged
    apart = difference(value.number, metered.value, metered.unit, value.resolution)
    return replace(judged, note=f"{apart} from the meter's {shown}")


def said_by_board(work: Work, point: str, value: Value) -> str:
    """Say what the board itself said of a point that the meter has read; '' where it said nothing in this state."""
    said = _latest(work, point, by_board=True)
    if said is None or said.value is None or value.number is None:
        return ""
    apart = difference(said.value, value.number, said.unit, said.resolution)
    return f"the board says {format_quantity(said.value, said.unit, resolution=said.resolution)}, {apart} from this"


def _latest(work: Work, point: str, *, by_board: bool) -> Reading | None:
    """Return the last reading of a powered point in the board state that holds, since it was powered as it is now."""
    feed = work.power.feed_of(work.board.input_of(point) or "")
    watched = None if feed is None else work.watch.of(feed.output)
    since = 0.0 if watched is None else watched.valid_from
    replaced = {each.replaces for each in work.journal.readings}
    for each in reversed(work.journal.readings):
        if each.point != point or each.board_state != work.state or each.monotonic < since or each.id in replaced:
            continue
        if each.aspect == BY_BOARD if by_board else each.of_powered_point and each.instrument == "meter":
            return each
    return None


def _near(value: float, part: Quantity, shown: str) -> Limits:
    nominal = Decimal(repr(value))
    width = abs(nominal) * part.value / 100
    return Limits("V", nominal - width, nominal + width, nominal, f"{shown} ± {part}")
