"""How far an instrument may be off, as makers print it: parts of reading and range, counts, a fixed amount. Pure."""

from __future__ import annotations

import re
from decimal import Decimal

from bringup.core.frozen import frozen
from bringup.core.late import late
from bringup.core.quantity import Quantity, format_quantity, parse_quantity
from bringup.errors import NotationError

_OF = r"(?:\s+(?:of\s+)?(reading|rdg|value|range|rng|full\s+scale|fs))?"
_SHARE = late(rf"(.*\S)\s*(%|ppm){_OF}", re.IGNORECASE)
_COUNTS = late(r"([0-9]+(?:\.[0-9]+)?)\s*(?:counts?|digits?|dgts?|cts?)", re.IGNORECASE)
_OF_RANGE = ("range", "rng", "fs", "full scale")
_PPM_IN_PERCENT = Decimal("1e-4")


@frozen
class Accuracy:
    """A limit of error. Decimal, so that sums and bounds are exact."""

    percent: Decimal
    """Of the value."""
    volts: Decimal = Decimal(0)
    """The fixed part, in `unit`."""
    of_range: Decimal = Decimal(0)
    """Percent of the range."""
    counts: Decimal = Decimal(0)
    """Steps of the last digit."""
    unit: str = "V"

    def at(self, volts: Decimal) -> Decimal:
        """Return how far it may be off at that value, by what needs no range."""
        return abs(volts) * self.percent / 100 + self.volts

    def on(self, value: Decimal, full_scale: Decimal, digit: Decimal) -> Decimal:
        """Return how far it may be off at that value on a range; `digit` is the weight of its last digit there."""
        return self.at(value) + self.of_range * full_scale / 100 + self.counts * digit

    def __str__(self) -> str:
        if self.unit == "V" and not self.of_range and not self.counts:
            return f"{self.percent.normalize():f} % + {(self.volts * 1000).normalize():f} mV"
        parts = [f"{self.percent.normalize():f} % of reading"] if self.percent else []
        parts += [f"{self.of_range.normalize():f} % of range"] if self.of_range else []
        parts += [f"{self.counts.normalize():f} counts"] if self.counts else []
        parts += [format_quantity(self.volts, self.unit)] if self.volts else []
        return " + ".join(parts)


OF_SUPPLY = Accuracy(Decimal("0.5"), Decimal("0.02"))
OF_METER = Accuracy(Decimal("0.5"), Decimal("0.005"))
"""Where the bench file states none: what plain instruments in order keep (common practice, no source)."""

WAY_OUT = "Write a part of the value and volts, such as 0.05 % + 10 mV."


def parse_accuracy(text: str, unit: str = "V") -> Accuracy:
    """Read `0.05 % + 10 mV`, also one of the two alone, also with a plus-minus sign before. Raises NotationError.

    What is of a range, or counts, is refused: nobody says here of which range.
    """
    found = parse_specified(text, unit)
    if found.of_range or found.counts:
        what = "a part of the range" if found.of_range else "counts"
        raise NotationError(
            f"'{text.strip()}' gives {what}, and nothing says of which range",
            text=text,
            what_to_do="Write `accuracy` as a list, each entry with its range: "
            "[{range: 10 V, error: 0.0035 % of reading + 0.0005 % of range}].",
        )
    return found


def parse_specified(text: str, unit: str = "V") -> Accuracy:
    """Read `0.0035 % of reading + 0.0005 % of range`, `0.5 % + 3 counts`, `20 ppm of reading + 1 mV` and the like.

    A percentage alone is of the reading; two of them have to say of what. Raises NotationError.
    """
    found: dict[str, Decimal] = {}
    bare = 0
    offset = 0
    for part in text.split("+"):
        written = part.strip().removeprefix("±").strip().strip("()").strip()
        name, value, says = _term(written, text, offset, unit)
        bare += not says
        if name in found:
            way_out = "Say of what each is: 0.0035 % of reading + 0.0005 % of range." if name == "reading" else ""
            unit_named = {"reading": "%", "fixed": unit}.get(name, name)
            raise NotationError(f"'{text}' gives {unit_named} twice", text=text, offset=offset, what_to_do=way_out)
        if value < 0:
            raise NotationError(f"'{written}' is below zero", text=text, offset=offset)
        found[name] = value
        offset += len(part) + 1
    if not any(found.values()):
        raise NotationError(f"'{text}': no instrument is exact", text=text, offset=0)
    reading, fixed, share, counts = (found.get(name, Decimal(0)) for name in ("reading", "fixed", "range", "counts"))
    return Accuracy(reading, fixed, share, counts, unit)


def _term(written: str, text: str, offset: int, unit: str) -> tuple[str, Decimal, bool]:
    """Return what one term is of, its value, and whether it said so."""
    if (counts := _COUNTS.fullmatch(written)) is not None:
        return "counts", _read(f"{counts.group(1)} %", text, offset).value, True
    if (share := _SHARE.fullmatch(written)) is not None:
        number = _read(f"{share.group(1)} %", text, offset).value
        number = number * _PPM_IN_PERCENT if share.group(2).lower() == "ppm" else number
        of = " ".join((share.group(3) or "").lower().split())
        return ("range" if of in _OF_RANGE else "reading"), number, bool(of)
    value = _read(written, text, offset)
    if value.unit != unit:
        named = {"V": "volts", "A": "amperes", "ohm": "ohms"}.get(unit, unit)
        raise NotationError(f"'{written}' is neither percent nor {named}", text=text, offset=offset)
    return "fixed", value.value, True


def _read(written: str, text: str, offset: int) -> Quantity:
    try:
        return parse_quantity(written)
    except NotationError as error:
        raise NotationError(error.message, text=text, offset=offset, what_to_do=WAY_OUT) from error
