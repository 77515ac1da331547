"""Shapes of fields that hold quantities and limits in data-sheet notation. The notation itself is the core's."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from bringup.core.accuracy import Accuracy, parse_accuracy, parse_specified
from bringup.core.frozen import frozen
from bringup.core.limits import Limits, parse_limits
from bringup.core.listening import unit_of
from bringup.core.quantity import Quantity, format_quantity, parse_quantity
from bringup.errors import NotationError
from bringup.files.nodes import Node, Problems, Scalar
from bringup.files.shapes import WRONG, Schema, scalar
from bringup.files.wording import joined

UNIT_WORDS = {
    "V": "volts",
    "A": "amperes",
    "ohm": "ohms",
    "W": "watts",
    "s": "seconds",
    "F": "farads",
    "%": "percent",
    "Hz": "hertz",
    "degC": "degrees Celsius",
}
"""How a unit is called in a sentence."""

_ALTERNATING = r"(?i:[0-9]\s*[munpkMGµμ]?V\s*(~|AC\b|RMS\b)|[0-9]\s*[mkµμ]?VAC\b|~)"
_PART_OF_ONE = r"0?\.[0-9]{1,6}"
LARGEST_ERROR = Decimal("0.1")
"""Volts at 1 V: what is off by more tells nothing of a supply or meter in order."""
_HINTS = ("~", "AC", "RMS")
"""One of these is in every text that the pattern finds: few texts have to be compared with it."""


def notation(text: Scalar, read: Callable[[str], Any], problems: Problems) -> Any:
    """Return `read(text)`, or WRONG after reporting its NotationError at the character it names."""
    capitals = text.text.upper()
    if any(hint in capitals for hint in _HINTS) and re.search(_ALTERNATING, text.text):
        problems.add(
            text, f"'{text.text}' is alternating voltage", "circuits connected to the mains are out of scope: give DC"
        )
        return WRONG
    try:
        return read(text.text)
    except NotationError as error:
        problems.add(text, error.message, error.what_to_do, offset=error.offset)
        return WRONG


@frozen
class Amount:
    """A quantity in one of these units. `least`: 'above zero' (default), 'zero' (zero too) or '' (any sign)."""

    units: tuple[str, ...]
    least: str = "above zero"
    share: bool = False
    """Percent that people also write as a part of one: 0.9 is told to be 90 %."""

    def read(self, node: Node, problems: Problems) -> Any:
        """Return a Quantity."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        value = notation(text, self._parse, problems)
        if not isinstance(value, Quantity):
            return WRONG
        if value.unit not in self.units:
            units = joined([UNIT_WORDS[unit] for unit in self.units])
            problems.add(text, f"'{text.text}' is in {UNIT_WORDS.get(value.unit, value.unit)} where {units} are due")
            return WRONG
        if (self.least == "above zero" and value.value <= 0) or (self.least == "zero" and value.value < 0):
            if value.value < 0:
                problems.add(text, f"'{text.text}' is below zero", "state it by magnitude, without its sign")
            else:
                problems.add(text, f"'{text.text}' is zero")
            return WRONG
        return value

    def _parse(self, text: str) -> Quantity:
        if len(self.units) == 1:
            try:
                return parse_quantity(text, self.units[0])
            except NotationError as error:
                if not self.share or not re.fullmatch(_PART_OF_ONE, text.strip()):
                    raise
                way_out = f"Write {format_quantity(Decimal(text.strip()).scaleb(2), '%')}."
                raise NotationError(error.message, text=text, offset=error.offset, what_to_do=way_out) from error
        # Several units: what is written decides, and a resistor code (4k7) is ohms where ohms are possible.
        try:
            return parse_quantity(text)
        except NotationError:
            if "ohm" not in self.units:
                raise
            try:
                return parse_quantity(text, "ohm")
            except NotationError:
                pass
            raise

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a string with a unit in it; a resistor code needs none."""
        del definitions
        return {"type": "string", "pattern": "[0-9]"}

    def words(self) -> str:
        """Return the units."""
        return joined([UNIT_WORDS[unit] for unit in self.units])


@frozen
class PerWatt:
    """A thermal resistance: '60 degC/W', '60 K/W'."""

    def read(self, node: Node, problems: Problems) -> Any:
        """Return degrees per watt as a float, above zero."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        found = re.fullmatch(r"\s*([0-9]{1,6}(?:\.[0-9]{1,6})?)\s*(?:degC|°C|℃|K)\s*/\s*W\s*", text.text)
        if found is None or not float(found.group(1)):
            problems.add(text, f"'{text.text}' is no thermal resistance above zero", "such as 60 degC/W")
            return WRONG
        return float(found.group(1))

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a string with a number in it."""
        del definitions
        return {"type": "string", "pattern": "/ *W *$"}

    def words(self) -> str:
        """Return what it is."""
        return "degrees per watt"


@frozen
class UnitWord:
    """A unit alone, with its prefix: `mV`."""

    def read(self, node: Node, problems: Problems) -> Any:
        """Return it as written."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        return WRONG if notation(text, lambda unit: unit_of(unit.strip()), problems) is WRONG else text.text.strip()

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a string."""
        del definitions
        return {"type": "string"}

    def words(self) -> str:
        """Return what it is."""
        return "a unit, such as `mV`"


@frozen
class Limit:
    """Limits in data-sheet notation. `unit` None: the unit is whatever is written, checked by whoever knows it."""

    unit: str | None = None

    def read(self, node: Node, problems: Problems) -> Any:
        """Return Limits."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        return notation(text, lambda written: parse_limits(written, self.unit), problems)

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a string with a number in it."""
        del definitions
        return {"type": "string", "pattern": "[0-9]"}

    def words(self) -> str:
        """Return what it is, with the unit."""
        return f"limits in {UNIT_WORDS[self.unit]}" if self.unit else "limits"


@frozen
class Part:
    """A part's value with its tolerance: '140 kΩ ± 1 %'. Without a tolerance it counts as exact."""

    unit: str

    def read(self, node: Node, problems: Problems) -> Any:
        """Return Limits with a nominal value above zero."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        value = notation(text, self._parse, problems)
        if not isinstance(value, Limits):
            return WRONG
        if value.nominal is None or value.low is None or value.high is None or value.low <= 0:
            message = f"'{text.text}' gives no nominal value above zero with a tolerance around it"
            problems.add(text, message, "such as 140 kΩ ± 1 %" if self.unit == "ohm" else "such as 0.8 V ± 1 %")
            return WRONG
        return value

    def _parse(self, text: str) -> Limits:
        try:
            exact = parse_quantity(text, self.unit)
        except NotationError:
            return parse_limits(text, self.unit)
        return Limits(self.unit, exact.value, exact.value, exact.value, text)

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a string with a number in it."""
        del definitions
        return {"type": "string", "pattern": "[0-9]"}

    def words(self) -> str:
        """Return what it is, with the unit."""
        return f"{UNIT_WORDS[self.unit]} with a tolerance"


@frozen
class Specified:
    """A limit of error as makers print it: '0.0035 % of reading + 0.0005 % of range', '0.5 % + 3 counts'."""

    def read(self, node: Node, problems: Problems) -> Any:
        """Return an Accuracy, in the unit of its fixed part; volts where there is none."""
        text = scalar(node, self.words(), problems)
        return WRONG if text is None else notation(text, self._parse, problems)

    def _parse(self, text: str) -> Accuracy:
        for unit in ("A", "ohm"):
            try:
                found = parse_specified(text, unit)
            except NotationError:
                continue
            if found.volts:
                return found
        return parse_specified(text)

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a string with a number in it."""
        del definitions
        return {"type": "string", "pattern": "[0-9]"}

    def words(self) -> str:
        """Return what it is."""
        return "a part of the reading, a part of the range, counts, or a sum of them"


@frozen
class Error:
    """A limit of error: '0.05 % + 10 mV'. One that would let anything pass for 1 V (or 1 A) is refused."""

    unit: str = "V"

    def read(self, node: Node, problems: Problems) -> Any:
        """Return an Accuracy."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        value = notation(text, lambda written: parse_accuracy(written, self.unit), problems)
        if value is not WRONG and value.at(Decimal(1)) > LARGEST_ERROR:
            unit = self.unit
            message = f"'{text.text}' lets 1 {unit} be off by more than {LARGEST_ERROR} {unit}"
            problems.add(text, message, f"such as 0.5 % + 20 m{unit}")
            return WRONG
        return value

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a string with a number in it."""
        del definitions
        return {"type": "string", "pattern": "[0-9]"}

    def words(self) -> str:
        """Return what it is."""
        return f"a part of the value, {UNIT_WORDS[self.unit]}, or both"
