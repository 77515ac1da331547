"""What a command's parameters mean: numbers with units, words, booleans, strings, channel lists.

Each reader turns one Datum of the grammar into a value, or throws the error that an instrument would queue.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import Enum

from bringup.core.frozen import frozen
from bringup.simulation.grammar import DataKind, Datum
from bringup.simulation.scpi_errors import ScpiFault


class Special(Enum):
    """Words that stand for a number (SCPI-1999 volume 1, 7.2.1, from memory)."""

    MINIMUM = "MIN"
    MAXIMUM = "MAX"
    DEFAULT = "DEF"


_SPECIALS = {
    "MIN": Special.MINIMUM,
    "MINIMUM": Special.MINIMUM,
    "MAX": Special.MAXIMUM,
    "MAXIMUM": Special.MAXIMUM,
    "DEF": Special.DEFAULT,
    "DEFAULT": Special.DEFAULT,
}

_MULTIPLIERS = {
    "": 1.0,
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}
"""IEEE 488.2, 7.7.3 (table 7-2, from memory). M is milli but for ohms and hertz, where it is mega."""

Reader = Callable[[Datum], object]


@frozen
class Parameter:
    """One parameter of a command: how it is read, and whether it may be left out."""

    read: Reader
    optional: bool = False


def short_form(mnemonic: str) -> str:
    """Return the capitals (and digits) of a mnemonic as a command table writes it: VOLT of VOLTage."""
    return "".join(letter for letter in mnemonic if not letter.islower())


def number(unit: str = "", *, optional: bool = False) -> Parameter:
    """A number in base units, with or without a suffix of `unit` ('V', 'A', 'OHM', 'S', 'HZ', 'W'), or a Special."""

    def read(datum: Datum) -> float | Special:
        if datum.kind is DataKind.WORD and datum.text in _SPECIALS:
            return _SPECIALS[datum.text]
        return _plain_number(datum, unit)

    return Parameter(read, optional)


def special(*, optional: bool = False) -> Parameter:
    """MIN, MAX or DEF, as a query takes it."""

    def read(datum: Datum) -> Special:
        if datum.kind is not DataKind.WORD:
            raise ScpiFault(-104)
        if datum.text not in _SPECIALS:
            raise ScpiFault(-224)
        return _SPECIALS[datum.text]

    return Parameter(read, optional)


def integer(low: int, high: int, *, optional: bool = False) -> Parameter:
    """A whole number from `low` to `high`; other numbers are rounded (IEEE 488.2, 7.7.2.4)."""

    def read(datum: Datum) -> int:
        value = _plain_number(datum, "")
        if not low - 0.5 <= value < high + 0.5:
            raise ScpiFault(-222)
        return math.floor(value + 0.5)

    return Parameter(read, optional)


def boolean(*, optional: bool = False) -> Parameter:
    """ON, OFF, or a number: whatever rounds to 0 is off (SCPI-1999 volume 1, 7.3)."""

    def read(datum: Datum) -> bool:
        if datum.kind is DataKind.WORD:
            if datum.text not in {"ON", "OFF"}:
                raise ScpiFault(-224)
            return datum.text == "ON"
        return abs(_plain_number(datum, "")) >= 0.5  # noqa: PLR2004 - rounds to 0 below a half

    return Parameter(read, optional)


def word(*choices: str, optional: bool = False) -> Parameter:
    """One of some words, in its short or long form; the value is the short form."""
    forms = {form: short_form(choice) for choice in choices for form in (short_form(choice), choice.upper())}

    def read(datum: Datum) -> str:
        if datum.kind is not DataKind.WORD:
            raise ScpiFault(-104)
        if datum.text not in forms:
            raise ScpiFault(-224, datum.text)
        return forms[datum.text]

    return Parameter(read, optional)


def string(*, optional: bool = False) -> Parameter:
    """A quoted string."""

    def read(datum: Datum) -> str:
        if datum.kind is not DataKind.STRING:
            raise ScpiFault(-104)
        return datum.text

    return Parameter(read, optional)


def string_or_none(*, optional: bool = False) -> Parameter:
    """A quoted string, or the word NONE."""

    def read(datum: Datum) -> str | None:
        if datum.kind is DataKind.WORD and datum.text == "NONE":
            return None
        if datum.kind is not DataKind.STRING:
            raise ScpiFault(-104)
        return datum.text

    return Parameter(read, optional)


def either(first: Parameter, second: Parameter) -> Parameter:
    """What `first` reads, else what `second` reads; a fault of `second` stands."""

    def read(datum: Datum) -> object:
        try:
            return first.read(datum)
        except ScpiFault:
            return second.read(datum)

    return Parameter(read, first.optional)


def channels(last: int, *, optional: bool = False) -> Parameter:
    """A channel list such as `(@1,2)` or `(@1:3)`, channels from 1 to `last`; the value is a tuple in that order."""

    def read(datum: Datum) -> tuple[int, ...]:
        if datum.kind is not DataKind.EXPRESSION:
            raise ScpiFault(-104)
        if not datum.text.startswith("@"):
            raise ScpiFault(-171)
        listed: list[int] = []
        for part in datum.text[1:].split(","):
            ends = [end.strip() for end in part.split(":")]
            if len(ends) > 2 or not all(end.isascii() and end.isdigit() for end in ends):  # noqa: PLR2004 - a range has 2 ends
                raise ScpiFault(-171)
            if not all(len(end) <= 4 and 1 <= int(end) <= last for end in ends):  # noqa: PLR2004 - no such channel anywhere
                raise ScpiFault(-222)
            low, high = int(ends[0]), int(ends[-1])
            listed += range(low, high + 1) if low <= high else range(low, high - 1, -1)
        return tuple(listed)

    return Parameter(read, optional)


def read_all(parameters: tuple[Parameter, ...], data: tuple[Datum, ...]) -> tuple[object, ...]:
    """Read a unit's data by a command's parameters; absent optional ones are None. Raises ScpiFault."""
    if len(data) > len(parameters):
        raise ScpiFault(-108)
    if len(data) < len(parameters) and not parameters[len(data)].optional:
        raise ScpiFault(-109)
    values = [parameter.read(datum) for parameter, datum in zip(parameters, data, strict=False)]
    return (*values, *[None] * (len(parameters) - len(data)))


def _plain_number(datum: Datum, unit: str) -> float:
    if datum.kind is not DataKind.NUMBER:
        raise ScpiFault(-104)
    value = datum.number
    if datum.suffix:
        if not unit:
            raise ScpiFault(-138)
        value *= _multiplier(datum.suffix, unit)
    if not math.isfinite(value):
        raise ScpiFault(-222)
    return value


def _multiplier(suffix: str, unit: str) -> float:
    prefix = suffix.removesuffix(unit)
    if prefix == suffix or prefix not in _MULTIPLIERS:
        raise ScpiFault(-131, suffix[:12])
    if prefix == "M" and unit in {"OHM", "HZ"}:
        return 1e6
    return _MULTIPLIERS[prefix]
