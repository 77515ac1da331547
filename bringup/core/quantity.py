"""Quantities as a data sheet writes them: text to number and back. The only door to quantiphy.

quantiphy writes them, and is loaded when the first one is written. It does not read them, because it reads '1,5 V' as
15 V and '4k7' as 4 of a unit 'k7'; of what both of us read, the tests hold us to its number. Which units there are is
our own list.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field
from decimal import ROUND_HALF_EVEN, Context, Decimal, Inexact
from functools import cache
from types import MappingProxyType
from typing import Any

from bringup.core.frozen import frozen
from bringup.core.notation import Term, clean, scan_term, skip_spaces
from bringup.errors import NotationError

UNITS = ("V", "A", "ohm", "W", "s", "Hz", "degC", "F", "%")
"""The units we know, in the spelling in which they are computed and stored."""

EXACT = Context(prec=200, traps=[Inexact])
"""Decimal arithmetic that says so if it ever had to round. No number we read comes near 200 digits."""

_ROUNDED = Context(prec=200, rounding=ROUND_HALF_EVEN)

_SPELT: Mapping[str, tuple[str, int]] = MappingProxyType(
    {
        **{unit: (unit, 1) for unit in UNITS},
        "Ω": ("ohm", 1),
        "Ohm": ("ohm", 1),
        "ohms": ("ohm", 1),
        "Ohms": ("ohm", 1),
        "°C": ("degC", 1),
        "℃": ("degC", 1),
        "min": ("s", 60),
        "h": ("s", 3600),
    }
)
"""Spelling -> our unit and how many of it. 'OHM' is left out: 'MOHM' means mega in SCPI and milli elsewhere."""

_NO_PREFIX = ("%", "degC", "°C", "℃", "min", "h")
_PREFIXES: Mapping[str, int] = MappingProxyType(
    {"f": -15, "p": -12, "n": -9, "u": -6, "µ": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9, "T": 12}
)
_LETTERS_OF_OHMS = ("R", "kR", "KR", "MR")
_WRITTEN = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}
_SHOWN_AS = {"ohm": "Ω", "degC": "°C"}

_KNOWN = "V, A, ohm (or Ω), W, s (or min, h), Hz, degC (or °C), F with a prefix from f to T, and %"


@cache
def _writer() -> Any:
    """Return a quantiphy number with settings of its own, whatever anybody sets process-wide."""
    import quantiphy

    class Number(quantiphy.Quantity):
        """See above."""

    Number.set_prefs(
        input_sf="TGMKkmuµnpf",
        output_sf="TGMkmunpf",
        keep_components=True,
        strip_zeros=False,
        spacer=" ",
        map_sf={"u": "µ"},
    )
    return Number


@frozen
class Quantity:
    """A number with a unit, exact. `value` is in the base unit (3300 for '3.3 kohm'); percent stays percent."""

    value: Decimal
    unit: str
    text: str = ""
    """As written."""
    last_digit: int | None = field(default=None, compare=False)
    """Power of ten of the last digit that was written: -3 for '3.306 V', 2 for '0.7 kohm'; None where unknown."""

    @property
    def resolution(self) -> float | None:
        """Weight of the last digit that was written, in the base unit."""
        return None if self.last_digit is None else float(Decimal((0, (1,), self.last_digit)))

    @property
    def number(self) -> float:
        """The value in binary floating point."""
        return float(self.value)

    def __str__(self) -> str:
        return format_quantity(self.value, self.unit)


def parse_quantity(text: str, unit: str | None = None) -> Quantity:
    """Read '3.3 V', '66 mV', '140 kΩ', '4k7' where unit is 'ohm'. Raises NotationError."""
    plain = clean(text, "a quantity")
    term = scan_term(plain, skip_spaces(plain, 0), text=text, letter_code=unit == "ohm")
    quantity = quantity_of(term, text=text, unit=unit)
    rest = skip_spaces(plain, term.end)
    if rest < len(plain):
        raise NotationError(
            f"{plain[rest:]!r} follows {plain[: term.end].strip()!r}, where one quantity is due",
            text=text,
            offset=rest,
            what_to_do="Write one number with its unit and nothing more, such as 3.3 V.",
        )
    return quantity


def quantity_of(term: Term, *, text: str, unit: str | None = None) -> Quantity:
    """Return what a scanned term is worth, in `unit` where one is given. Raises NotationError."""
    prefix, base, times = ("" if term.unit == "R" else term.unit, "ohm", 1) if term.code else _split(term, text)
    if unit is not None and base != unit:
        raise NotationError(
            f"{text[term.offset : term.end]!r} is in {base}, where {unit} is due",
            text=text,
            offset=term.unit_offset,
            what_to_do=f"State it in {unit}.",
        )
    exponent = term.exponent + _PREFIXES.get(prefix, 0)
    written = Decimal(term.sign + term.digits)
    # Written out, for 3300 and 3.3E+3 are the same number but not the same text.
    scaled = Decimal(f"{EXACT.scaleb(written, exponent):f}") if written else written
    value = EXACT.multiply(scaled, Decimal(times))
    last_digit = exponent - len(term.digits.partition(".")[2]) if times == 1 else None
    return Quantity(value, base, text[term.offset : term.end].strip(), last_digit)


def _split(term: Term, text: str) -> tuple[str, str, int]:
    """Return prefix, our unit, and how many of it the written unit is."""
    written = term.unit
    if written in _SPELT:
        unit, times = _SPELT[written]
        return "", unit, times
    prefix, rest = written[:1], written[1:]
    if prefix in _PREFIXES and rest in _SPELT and rest not in _NO_PREFIX:
        unit, times = _SPELT[rest]
        return prefix, unit, times
    shown = text[term.offset : term.end].strip()
    if not written or (prefix in _PREFIXES and not rest):
        raise NotationError(
            f"{shown!r} has no unit" + (f": {written!r} alone is only a prefix" if written else ""),
            text=text,
            offset=term.end,
            what_to_do=f"Write the unit: {_KNOWN}.",
        )
    if written in _LETTERS_OF_OHMS:
        number = shown.removesuffix(written).strip()
        prefix = written.removesuffix("R")
        raise NotationError(
            f"{written!r} in {text!r} is a letter for ohms that is written without a blank, and for resistors only",
            text=text,
            offset=term.unit_offset,
            what_to_do=f"Write {number} {prefix}Ω or {number} {prefix}ohm.",
        )
    alike = " or ".join(_alike(written))
    raise NotationError(
        f"{written!r} in {text!r} is no unit that is known here",
        text=text,
        offset=term.unit_offset,
        what_to_do=(f"Did you mean {alike}? " if alike else "") + f"Known are {_KNOWN}.",
    )


def _alike(written: str) -> list[str]:
    """Return the known units that differ from what was written in capitals only; mohm and Mohm are both told."""
    found: dict[tuple[str, int, int], str] = {}
    for prefix, power in (("", 0), *_PREFIXES.items()):
        for spelling, (unit, times) in _SPELT.items():
            known = not (prefix and spelling in _NO_PREFIX)
            if known and (prefix + spelling).casefold() == written.casefold():
                found.setdefault((unit, times, power), prefix + spelling)
    return list(found.values())


def format_quantity(value: float | Decimal, unit: str, *, resolution: float | None = None) -> str:
    """Write with an SI prefix: '3.306 V', '-12 V', '499 mA', '10 kΩ'. No digit finer than `resolution`.

    With a resolution, digits are kept down to it (3.300 V); without one, trailing zeros go, and a float is written to
    12 significant digits, which hides its binary noise. Raises ValueError for NaN and infinity: no value is written
    by whoever knows why there is none.
    """
    exact = value if isinstance(value, Decimal) else Decimal(f"{value:.12g}" if resolution is None else repr(value))
    if not exact.is_finite():
        raise ValueError(f"{value} is no number that can be written as a quantity")
    lowest: int | None = None
    if resolution is not None and resolution > 0 and math.isfinite(resolution):
        lowest = Decimal(repr(resolution)).adjusted()
        exact = _ROUNDED.quantize(exact, Decimal((0, (1,), lowest)))
    shown = _SHOWN_AS.get(unit, unit)
    if exact.is_zero() or unit not in UNITS or unit in _NO_PREFIX:
        return _plain(exact, shown, lowest, prefix=unit in UNITS and unit not in _NO_PREFIX)
    if lowest is not None and _exponent(exact, unit) < lowest:
        return _plain(exact, shown, lowest, prefix=True)
    if unit == "s" and exact.adjusted() >= 0:
        return _plain(exact, shown, lowest, prefix=False)
    number = _writer()(f"{exact:e} {shown}")
    return str(number.render(form="si", prec="full", strip_zeros=lowest is None))


def _exponent(value: Decimal, unit: str) -> int:
    """Return the power of ten of the prefix that puts one to three digits before the point."""
    highest = 0 if unit == "s" else max(_WRITTEN)
    return min(max(3 * (value.adjusted() // 3), min(_WRITTEN)), highest)


def _plain(value: Decimal, shown: str, lowest: int | None, *, prefix: bool) -> str:
    """Write zero, units without prefixes, and values whose last known digit stands before the point.

    Zero shows its resolution with at most three decimals (0.000 V, 0.00 mV); a value known to 10 kΩ only is written
    in MΩ, because 120 kΩ would state a digit that is not known.
    """
    exponent = 0
    if prefix and lowest is not None:
        exponent = min(0, 3 * math.floor((lowest + 3) / 3)) if value.is_zero() else 3 * math.ceil(lowest / 3)
        exponent = min(max(exponent, min(_WRITTEN)), max(_WRITTEN))
    scaled = value.scaleb(-exponent, _ROUNDED)
    digits = f"{scaled:f}"
    if lowest is None and "." in digits:
        digits = digits.rstrip("0").rstrip(".")
    elif lowest is not None and lowest - exponent >= 0:
        digits = f"{int(scaled)}"
    if value.is_zero():
        digits = digits.lstrip("-")
    return f"{digits} {_WRITTEN[exponent]}{shown}".rstrip()


def format_reading(value: float | None, unit: str, resolution: float | None = None) -> str:
    """Write a reading for people: `format_quantity`, or 'no value' where there is none."""
    if value is None or not math.isfinite(value):
        return "no value"
    return format_quantity(value, unit, resolution=resolution)
