"""What the points of a sweep come to: regulation, efficiency, dropout, where a rail starts and stops. Pure.

There is more than one formula for regulation: each has a name that the step states, and its text goes with the figure.
Volts are taken by magnitude, so that a negative rail has the same figures.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import field

from bringup.core.frozen import frozen
from bringup.core.under_load import LINE_FORMULAS, LOAD_FORMULAS

LINE, LOAD, EFFICIENCY, DROPOUT, STARTS, STOPS = (
    "line regulation",
    "load regulation",
    "efficiency",
    "dropout",
    "starts at",
    "stops at",
)

FIELDS = {
    "line_regulation": LINE,
    "load_regulation": LOAD,
    "efficiency": EFFICIENCY,
    "dropout": DROPOUT,
    "starts_at": STARTS,
    "stops_at": STOPS,
}
"""Field of a `sweep` step -> the figure it judges."""
IN_PERCENT = (LINE, LOAD, EFFICIENCY)
OF_INPUT = (LINE, DROPOUT, STARTS, STOPS)
"""Figures of a sweep of input voltage; load regulation is one of a sweep of load current, efficiency of either."""

DROPPED = 0.02
"""A rail is out of regulation once it has fallen by this part from what it was at the highest input (common practice:
data sheets say 2 % or 100 mV, no single source)."""
UP_FROM = 0.9
"""A rail counts as up from this part of its nominal volts on (common practice, no source)."""

Pairs = Sequence[tuple[float, float]]
"""What was set (V at the input, A drawn), and the volts of the rail there."""


@frozen
class Figure:
    """One figure. `value` None: there is none, `why` says the reason; `note` what belongs to it."""

    value: float | None
    note: str = ""
    why: str = ""
    bound: bool = False
    """The true figure may be lower: a value above an upper limit settles nothing."""
    used: Pairs = ()
    """Points whose volts, by magnitude, it is worked out from ..."""
    of: Callable[..., float] | None = field(default=None, compare=False)
    """... and the smooth function of just these volts that it is; None: not of volts that were read."""


def line_regulation(points: Pairs, nominal_input: float, nominal: float, formula: str) -> Figure:
    """Return percent (for 'ends per volt': percent a volt). Raises KeyError for an unknown formula."""
    text = LINE_FORMULAS[formula]
    ordered = sorted((set_to, abs(volts)) for set_to, volts in points)
    if len(ordered) < 2 or ordered[0][0] == ordered[-1][0]:  # noqa: PLR2004 - a change takes two
        return Figure(None, text, "fewer than two points have a value in regulation")
    if formula == "largest deviation":
        middle = min(ordered, key=lambda point: abs(point[0] - nominal_input))
        furthest = max((point for point in ordered if point != middle), key=lambda point: abs(point[1] - middle[1]))
        way = 1.0 if furthest[1] >= middle[1] else -1.0
        return _worked_out(lambda far, near: way * 100.0 * (far - near) / near, (furthest, middle), text)
    over = abs(nominal) * (ordered[-1][0] - ordered[0][0] if formula == "ends per volt" else 1.0)
    return _worked_out(lambda high, low: 100.0 * (high - low) / over, (ordered[-1], ordered[0]), text)


def load_regulation(points: Pairs, nominal: float, formula: str) -> Figure:
    """Return percent, positive where the rail falls with load. Raises KeyError for an unknown formula."""
    text = LOAD_FORMULAS[formula]
    ordered = sorted((drawn, abs(volts)) for drawn, volts in points)
    if len(ordered) < 2 or ordered[0][0] == ordered[-1][0]:  # noqa: PLR2004 - a change takes two
        return Figure(None, text, "fewer than two points have a value")
    used = [ordered[0], ordered[-1]]
    at_full = abs(nominal)
    if formula == "ends over half load":
        half = ordered[-1][0] / 2
        used.append(min(ordered, key=lambda point: abs(point[0] - half)))
    if formula != "ends over nominal":
        at_full = used[-1][1]
    if not at_full:
        return Figure(None, text, "0 V is nothing to refer to")
    if formula == "ends over nominal":
        return _worked_out(lambda least, full: 100.0 * (least - full) / at_full, used, text)
    if formula == "ends over full load":
        return _worked_out(lambda least, full: 100.0 * (least - full) / full, used, text)
    # Where nothing lies between, the point nearest to half load is one of the ends: its volts count once.
    end = used.index(used[-1])
    if end < len(used) - 1:
        return _worked_out(lambda *ends: 100.0 * (ends[0] - ends[1]) / ends[end], used[:-1], text)
    return _worked_out(lambda least, full, over: 100.0 * (least - full) / over, used, text)


def _worked_out(function: Callable[..., float], used: Pairs, text: str) -> Figure:
    return Figure(function(*(volts for _, volts in used)), text, used=tuple(used), of=function)


def efficiency(volts_in: float, amps_in: float, volts_out: float, amps_out: float) -> Figure:
    """Return power out over power in, in percent."""
    put_in, got_out = abs(volts_in * amps_in), abs(volts_out * amps_out)
    if not put_in:
        return Figure(None, why="nothing is taken in")
    return Figure(100.0 * got_out / put_in)


def dropout(points: Pairs) -> Figure:
    """Return input less output, in V, at the lowest input at which the rail is still in regulation."""
    ordered = sorted(((abs(set_to), abs(volts)) for set_to, volts in points), reverse=True)
    if not ordered or not ordered[0][1]:
        return Figure(None, why="the rail has no volts at the highest input")
    least = (1.0 - DROPPED) * ordered[0][1]
    lost = next((index for index, (_, volts) in enumerate(ordered) if volts < least), len(ordered))
    set_to, volts = ordered[lost - 1]
    if lost == len(ordered):
        return Figure(set_to - volts, f"at most: still in regulation at {set_to:g} V in", bound=True)
    return Figure(set_to - volts, f"in regulation at {set_to:g} V in, at {ordered[lost][0]:g} V no longer")


def starts_at(points: Pairs, nominal: float) -> Figure:
    """Return the lowest input, rising, at which the rail is up, in V. `points` in the order they were set."""
    before: float | None = None
    for set_to, volts in points:
        if abs(volts) >= UP_FROM * abs(nominal):
            if before is None:
                return Figure(None, why=f"it is up at the first point already ({set_to:g} V)")
            return Figure(set_to, f"between {before:g} V and {set_to:g} V")
        before = set_to
    return Figure(None, why="it does not come up")


def stops_at(points: Pairs, nominal: float) -> Figure:
    """Return the highest input, falling, at which the rail is up no more, in V. `points` in the order they were set."""
    before: float | None = None
    for set_to, volts in points:
        if abs(volts) < UP_FROM * abs(nominal):
            if before is None:
                return Figure(None, why=f"it is down at the first point already ({set_to:g} V)")
            return Figure(set_to, f"between {before:g} V and {set_to:g} V")
        before = set_to
    return Figure(None, why="it does not stop")
