"""Limits as a data sheet writes them, and what a value is by them. Computed in decimal, inclusive at their ends.

`< 50 mV` and `<= 50 mV` mean the same here: a limit belongs to what it permits, as in every other spelling.
"""

from __future__ import annotations

import math
from decimal import Context, Decimal

from bringup.core.frozen import frozen
from bringup.core.notation import clean, scan_term, skip_spaces, two_ends
from bringup.core.quantity import EXACT, Quantity, format_quantity, quantity_of
from bringup.core.words import Result
from bringup.errors import NotationError

_MARKS = ("<=", ">=", "≤", "≥", "<", ">", "+/-", "±", "..", "…")
_SAME_MARK = {"<=": "<", "≤": "<", ">=": ">", "≥": ">", "+/-": "±", "…": ".."}

_WHOLE = 100
"""Percent."""

SPELLINGS = "3.3 V ± 2 %; 3.3 V ± 66 mV; 3.3 V +5 % -2 %; 4.75 V .. 5.25 V; < 50 mV; > 1 kohm; >= 4.5 V"
"""How limits may be written, for messages and documentation."""


@frozen
class Limits:
    """A lower and an upper limit, either of which may be absent, and the nominal value where one was stated.

    Raises ValueError for a lower limit above the upper one: text with such limits is refused before it comes here.
    """

    unit: str
    low: Decimal | None = None
    high: Decimal | None = None
    nominal: Decimal | None = None
    text: str = ""
    """As written."""

    def __post_init__(self) -> None:
        if self.low is not None and self.high is not None and not self.low <= self.high:
            raise ValueError(f"the lower limit {self.low} {self.unit} is above the upper one, {self.high}")

    def accepts(self, value: float | Decimal) -> bool:
        """Whether the value lies within, ends included, as binary floating point sees them.

        A float is compared with the float nearest to each limit, so that a reading of 3.366 meets a limit of 3.366.
        NaN lies within nothing.
        """
        if isinstance(value, Decimal):
            if value.is_nan():
                return False
            return (self.low is None or self.low <= value) and (self.high is None or value <= self.high)
        above = self.low is None or float(self.low) <= value
        below = self.high is None or value <= float(self.high)
        return above and below and not math.isnan(value)

    def __str__(self) -> str:
        """Write it so that `parse_limits` with this unit reads the same again; '' where there are none at all."""
        if self.nominal is not None and self.low is not None and self.high is not None:
            return _with_nominal(self.nominal, self.low, self.high, self.unit)
        if self.low is not None and self.high is not None:
            return f"{format_quantity(self.low, self.unit)} .. {format_quantity(self.high, self.unit)}"
        if self.low is not None:
            return f">= {format_quantity(self.low, self.unit)}"
        return "" if self.high is None else f"<= {format_quantity(self.high, self.unit)}"


@frozen
class _Piece:
    """A mark (its one spelling) or a quantity, and where it stands."""

    offset: int
    mark: str = ""
    quantity: Quantity | None = None
    sign: str = ""


def parse_limits(text: str, unit: str | None = None) -> Limits:
    """Read '3.3 V ± 2 %' and every other spelling listed in SPELLINGS. Raises NotationError."""
    try:
        return _parsed(text, unit)
    except NotationError as error:
        if not (ends := two_ends(text)):
            raise
        try:
            _parsed(ends, unit)
        except NotationError:
            raise error from None
        raise NotationError(error.message, text=text, offset=error.offset, what_to_do=f"Write {ends}.") from error


def _parsed(text: str, unit: str | None) -> Limits:
    pieces = _pieces(clean(text, "limits"), text, unit)
    shape = "".join(piece.mark or "q" for piece in pieces)
    if shape in ("<q", ">q"):
        bound = _absolute(pieces[1], text, unit)
        low, high = (None, bound.value) if shape == "<q" else (bound.value, None)
        return Limits(bound.unit, low, high, text=text.strip())
    if shape == "q..q":
        first = _absolute(pieces[0], text, unit)
        return _ends(first, _absolute(pieces[2], text, first.unit), text)
    if shape == "q±q" and not pieces[2].sign:
        nominal = _absolute(pieces[0], text, unit)
        part = _part(pieces[2], nominal, text)
        return _around(nominal, part, part, text)
    if shape == "qqq" and {pieces[1].sign, pieces[2].sign} == {"+", "-"}:
        nominal = _absolute(pieces[0], text, unit)
        parts = {piece.sign: _part(piece, nominal, text).copy_abs() for piece in pieces[1:]}
        return _around(nominal, parts["-"], parts["+"], text)
    raise _no_spelling(shape, pieces, text)


def _no_spelling(shape: str, pieces: list[_Piece], text: str) -> NotationError:
    written = text.strip()
    if shape == "q":
        return NotationError(
            f"{written!r} is one value without a tolerance",
            text=text,
            offset=len(text.rstrip()),
            what_to_do=f"State how far off it may be: {written} ± 2 %, or two ends: 4.75 V .. 5.25 V.",
        )
    if shape == "qq" and pieces[1].sign:
        other = "-" if pieces[1].sign == "+" else "+"
        return NotationError(
            f"{written!r} says nothing of the other side",
            text=text,
            offset=pieces[1].offset,
            what_to_do=f"State both sides: {written} {other}0 % where none is permitted.",
        )
    return NotationError(
        f"{written!r} is no spelling of limits",
        text=text,
        offset=pieces[min(1, len(pieces) - 1)].offset,
        what_to_do=f"Limits are written like one of these: {SPELLINGS}.",
    )


def _pieces(plain: str, text: str, unit: str | None) -> list[_Piece]:
    pieces: list[_Piece] = []
    position = skip_spaces(plain, 0)
    while position < len(plain):
        mark = next((mark for mark in _MARKS if plain.startswith(mark, position)), "")
        if mark:
            pieces.append(_Piece(position, mark=_SAME_MARK.get(mark, mark)))
            position += len(mark)
        else:
            term = scan_term(plain, position, text=text, letter_code=unit == "ohm")
            pieces.append(_Piece(position, quantity=quantity_of(term, text=text), sign=term.sign))
            position = term.end
        position = skip_spaces(plain, position)
    return pieces


def _absolute(piece: _Piece, text: str, unit: str | None) -> Quantity:
    """Return the quantity of a piece, which must be in `unit` if one is due."""
    quantity = piece.quantity
    assert quantity is not None, "the shape was looked at"
    if unit is not None and quantity.unit != unit:
        raise NotationError(
            f"{quantity.text!r} is in {quantity.unit}, where {unit} is due",
            text=text,
            offset=piece.offset,
            what_to_do=f"State it in {unit}." + (" Percent may only follow ±, + or -." if quantity.unit == "%" else ""),
        )
    return quantity


def _part(piece: _Piece, nominal: Quantity, text: str) -> Decimal:
    """Return a tolerance in the unit of the nominal value; percent are of the nominal's magnitude."""
    quantity = piece.quantity
    assert quantity is not None, "the shape was looked at"
    if quantity.unit != "%":
        return _absolute(piece, text, nominal.unit).value
    if nominal.unit in ("%", "degC") or nominal.value == 0:
        raise NotationError(
            f"{quantity.text!r} of {nominal.text!r} can be meant in two ways or means nothing",
            text=text,
            offset=piece.offset,
            what_to_do="State the two ends, such as 85 % .. 91 %, or the tolerance in the unit itself.",
        )
    if abs(quantity.value) > _WHOLE:
        raise NotationError(
            f"a tolerance of {quantity.text} is more than the value itself",
            text=text,
            offset=piece.offset,
            what_to_do="Correct it, or state the two ends, such as 0 V .. 10 V, where that is meant.",
        )
    return EXACT.multiply(nominal.value.copy_abs(), quantity.value).scaleb(-2, EXACT)


def _around(nominal: Quantity, below: Decimal, above: Decimal, text: str) -> Limits:
    low, high = EXACT.subtract(nominal.value, below), EXACT.add(nominal.value, above)
    return Limits(nominal.unit, low, high, nominal.value, text.strip())


def _ends(low: Quantity, high: Quantity, text: str) -> Limits:
    if low.value > high.value:
        raise NotationError(
            f"the lower limit {low} is above the upper one, {high}, in {text.strip()!r}",
            text=text,
            what_to_do="Write the lower one first; of two negative values that is the one further from zero.",
        )
    return Limits(low.unit, low.value, high.value, None, text.strip())


def _with_nominal(nominal: Decimal, low: Decimal, high: Decimal, unit: str) -> str:
    below, above = EXACT.subtract(nominal, low), EXACT.subtract(high, nominal)
    if below < 0 or above < 0 or unit == "%":
        # A nominal value outside its own limits (a computed one), or a tolerance on a percentage, has no notation;
        # the ends are what judges.
        return f"{format_quantity(low, unit)} .. {format_quantity(high, unit)}"
    centre = format_quantity(nominal, unit)
    if below == above:
        return f"{centre} ± {_tolerance(above, nominal, unit)}"
    return f"{centre} +{_tolerance(above, nominal, unit)} -{_tolerance(below, nominal, unit)}"


def _tolerance(part: Decimal, nominal: Decimal, unit: str) -> str:
    """Write a tolerance in percent where that takes no more than four digits, else in the unit."""
    if nominal != 0 and unit != "degC":
        percent = Context(prec=4).divide(part.scaleb(2, EXACT), nominal.copy_abs())
        if EXACT.multiply(percent, nominal.copy_abs()) == part.scaleb(2, EXACT):
            return format_quantity(percent, "%")
    return format_quantity(part, unit)


def judge(value: float | None, limits: Limits | None) -> Result:
    """Simple acceptance: pass or fail; `no value` for None, NaN and infinity, `recorded` without limits."""
    if value is None or not math.isfinite(value):
        return Result.NO_VALUE
    if limits is None:
        return Result.RECORDED
    return Result.PASS if limits.accepts(value) else Result.FAIL


def deviation_percent(value: float, limits: Limits) -> float | None:
    """Deviation from nominal in percent of its magnitude (negative = nearer zero or below); None without nominal.

    A -12 V rail at -11.9 V is -0.83 % off, as a +12 V rail at +11.9 V is.
    """
    if not limits.nominal:
        return None
    nominal = float(limits.nominal)
    return (value - nominal) / nominal * 100
