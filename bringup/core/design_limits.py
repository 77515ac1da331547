"""Limits of a rail from its design: worst case and root-sum-square of what makes it, and how they came about.

The worst case is taken at the exact corners of every tolerance, in decimal; root-sum-square is first order, each part's
tolerance times its sensitivity. Both allow for the drop in the output resistance, at the largest load. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from itertools import product

from bringup.core.board import Across, Board, Converter, Rail, Tolerances
from bringup.core.design_values import largest_amps, sign_of
from bringup.core.frozen import frozen
from bringup.core.kept import kept
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.core.wording import limits_text, shown

LOAD_MARGIN = Decimal("1.3")
"""Stated loads are taken 30 % higher when the drop in an output resistance is allowed for."""

FINEST = Decimal("1e-9")
"""Computed limits are rounded to a billionth of a volt: a quotient has no end in decimal."""

_Ends = tuple[Decimal, Decimal, Decimal]
"""Lowest, nominal and highest value of a part, the lowest first by value."""


@frozen
class Designed:
    """What a rail may read by its design, signed. Both limits have the same nominal value, that of no load."""

    rail: str
    made_by: str
    """The rail whose converter makes it: itself, or what it is plainly connected to."""
    converter: Converter
    worst_case: Limits
    root_sum_square: Limits
    tolerances: Tolerances
    """Which of the two judges, by the board file."""
    amps: Decimal
    """Largest current that is allowed for in the drop."""
    drop: Decimal
    """Volts lost in the output resistance at that current, taken off towards zero."""

    @property
    def limits(self) -> Limits:
        """The limits that judge."""
        return self.worst_case if self.tolerances is Tolerances.WORST_CASE else self.root_sum_square

    @property
    def basis(self) -> str:
        """How the limits that judge came about, in words. Writes quantities, so it waits until somebody wants it."""
        through = "" if self.made_by == self.rail else f"as {self.made_by}, to which it is plainly connected: "
        how = "worst case" if self.tolerances is Tolerances.WORST_CASE else "root-sum-square"
        return f"{through}{how} of {_formula(self.converter)}{_dropped(self)}"


@kept
def designed(board: Board, name: str) -> Designed | None:
    """Return what a rail may read by its design: by its own converter, or by that of what it is plainly connected to.

    None where the file does not hold enough, for an input, and for a ring of rails.
    """
    seen: list[str] = []
    while name in board.rails and name not in seen:
        rail = board.rails[name]
        if rail.converter is not None:
            made = _converted(board, rail, rail.converter)
            return made if made is None or not seen else replace(made, rail=seen[0])
        if rail.expect is not None or rail.source is None:
            return None
        seen.append(name)
        name = rail.source
    return None


def all_designed(board: Board) -> Iterator[Designed]:
    """Every rail of which the file holds enough, in the order of the file."""
    for name in board.rails:
        found = designed(board, name)
        if found is not None:
            yield found


def narrower(board: Board, found: Designed) -> str:
    """Say where stated limits are narrower than what the parts allow: sound units may then fail. '' where not."""
    stated = board.rails[found.rail].expect
    if stated is None:
        return ""
    worst = found.worst_case
    low = stated.low is not None and worst.low is not None and stated.low > worst.low
    high = stated.high is not None and worst.high is not None and stated.high < worst.high
    if not low and not high:
        return ""
    return (
        f"the stated limits of {found.rail}, {limits_text(stated)}, are narrower than the worst case of its parts, "
        f"{limits_text(worst)}: a sound unit may fail them"
    )


def feedback_limits(converter: Converter, sign: float = 1.0) -> Limits | None:
    """Return the set point of a feedback network with its worst case, at the exact corners, in decimal.

    `reference * (1 + far / near) + feedback current * far`, `near` being the resistor that the reference stands across.
    None where the network is not stated in full. `sign`: -1 for a rail below 0 (design_values.sign_of).
    """
    ends = _network(converter)
    if ends is None:
        return None
    corners = [_volts(*corner) for corner in product(*((each[0], each[2]) for each in ends))]
    nominal = _volts(*(each[1] for each in ends))
    return _signed(sign, min(corners), nominal, max(corners))


def root_sum_square(converter: Converter, sign: float = 1.0) -> Limits | None:
    """Return the set point of a feedback network with the root-sum-square of its parts' tolerances, first order.

    With k = 1 - reference / output and no feedback current that is sqrt(t_ref^2 + (k t_upper)^2 + (k t_lower)^2) of
    the output. Tolerances that differ to either side are summed for each side.
    """
    ends = _network(converter)
    if ends is None:
        return None
    (_, reference, _), (_, far, _), (_, near, _), (_, amps, _) = ends
    slopes = (1 + far / near, reference / near + amps, -reference * far / near**2, far)
    nominal = _volts(reference, far, near, amps)
    below = above = Decimal(0)
    for (low, typical, high), slope in zip(ends, slopes, strict=True):
        sides = sorted(((low - typical) * slope, (high - typical) * slope))
        below, above = below + sides[0] ** 2, above + sides[1] ** 2
    return _signed(sign, nominal - below.sqrt(), nominal, nominal + above.sqrt())


def _network(converter: Converter) -> tuple[_Ends, _Ends, _Ends, _Ends] | None:
    """Ends of reference (magnitude), far resistor, near resistor and feedback current; None unless all are known."""
    if converter.reference is None or converter.upper is None or converter.lower is None:
        return None
    reference, upper, lower = (_ends(part) for part in (converter.reference, converter.upper, converter.lower))
    current = (Decimal(0),) * 3 if converter.feedback_current is None else _ends(converter.feedback_current)
    if reference is None or upper is None or lower is None or current is None:
        return None
    far, near = (upper, lower) if converter.reference_across is Across.LOWER else (lower, upper)
    if near[0] <= 0 or far[0] < 0:
        return None
    low, typical, high = sorted(abs(volts) for volts in reference)
    return (low, typical, high), far, near, current


def _volts(reference: Decimal, far: Decimal, near: Decimal, amps: Decimal) -> Decimal:
    return reference * (1 + far / near) + amps * far


def _ends(part: Limits) -> _Ends | None:
    """Lowest, nominal and highest value; a part without tolerance is exact, one without nominal is centred."""
    low = part.low if part.low is not None else part.nominal
    high = part.high if part.high is not None else part.nominal
    if low is None or high is None:
        return None
    return low, part.nominal if part.nominal is not None else (low + high) / 2, high


def _signed(sign: float, low: Decimal, nominal: Decimal, high: Decimal) -> Limits:
    """Limits of magnitudes with their sign."""
    low, nominal, high = (each.quantize(FINEST) for each in (low, nominal, high))
    if sign < 0.0:
        low, nominal, high = -high, -nominal, -low
    return Limits("V", low=low, high=high, nominal=nominal)


def _converted(board: Board, rail: Rail, converter: Converter) -> Designed | None:
    sign = sign_of(board, rail.name)
    worst, squares = feedback_limits(converter, sign), root_sum_square(converter, sign)
    if worst is None or squares is None:
        if converter.output is None or (own := _ends(converter.output)) is None:
            return None
        low, nominal, high = sorted(map(abs, own))
        worst = squares = _signed(sign, low, nominal, high)
    amps = drop = Decimal(0)
    if converter.output_resistance is not None:
        # The largest current of any board state, so that the limits hold in all of them.
        amps = Decimal(repr(largest_amps(board, rail))) * LOAD_MARGIN
        drop = (converter.output_resistance.value * amps).quantize(FINEST)
    worst, squares = (_lowered(limits, drop) for limits in (worst, squares))
    return Designed(rail.name, rail.name, converter, worst, squares, board.tolerances, amps, drop)


def _formula(converter: Converter) -> str:
    """Write what makes the output, with the tolerances of its parts."""
    if converter.reference is None or converter.upper is None or converter.lower is None:
        return "" if converter.output is None else f"its own {limits_text(converter.output)}"
    reference, upper, lower = (limits_text(part) for part in (converter.reference, converter.upper, converter.lower))
    far, near = (upper, lower) if converter.reference_across is Across.LOWER else (lower, upper)
    current = ""
    if converter.feedback_current is not None:
        current = f" + {limits_text(converter.feedback_current)} × {far}"
    return f"{reference} × (1 + {far} / {near}){current}"


def _dropped(found: Designed) -> str:
    if not found.drop or found.converter.output_resistance is None:
        return ""
    drop, amps = shown(float(found.drop), "V", 3), shown(float(found.amps), "A", 3)
    ohms = format_quantity(found.converter.output_resistance.value, "ohm")
    return f", less up to {drop} in {ohms} at {amps} ({LOAD_MARGIN} times what hangs on it)"


def _lowered(limits: Limits, drop: Decimal) -> Limits:
    """Take a drop off towards zero."""
    assert limits.low is not None, "computed limits have both ends"
    assert limits.high is not None, "computed limits have both ends"
    if limits.high <= 0:
        return Limits("V", limits.low, limits.high + drop, limits.nominal)
    return Limits("V", limits.low - drop, limits.high, limits.nominal)
