"""A program message taken apart as IEEE 488.2 (chapter 7) and SCPI-1999 write it: units, headers, data.

Only the notation is known here. Which headers exist is command_tree.py; what data mean to a command is
parameters.py. Every text is either read or answered with a ScpiFault: nothing else is raised, in linear time.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from enum import Enum, auto

from bringup.core.frozen import frozen
from bringup.simulation.scpi_errors import ScpiFault

LONGEST_MNEMONIC = 12
MOST_DIGITS = 255
LARGEST_EXPONENT = 32000

_WS = r"[\x00-\x09\x0b-\x20]"
_SPACE = re.compile(f"{_WS}*")
_HEADER = re.compile(r"(?:(\*)([A-Za-z]\w*)|(:?)([A-Za-z]\w*(?::[A-Za-z]\w*)*))(\??)", re.ASCII)
_NUMBER = re.compile(
    rf"(?P<mantissa>[+-]?(?:\d+\.?\d*|\.\d+))"
    rf"(?:{_WS}*[Ee]{_WS}*(?P<exponent>[+-]?\d+))?"
    rf"(?:{_WS}*(?P<suffix>[A-Za-z%/][A-Za-z0-9%/.^-]*))?",
    re.ASCII,
)
_RADIX = re.compile(r"#(?:[Hh]([0-9A-Fa-f]+)|[Qq]([0-7]+)|[Bb]([01]+))(?!\w)", re.ASCII)
_STRING = re.compile(r"\"((?:[^\"]|\"\")*)\"|'((?:[^']|'')*)'")
_WORD = re.compile(r"[A-Za-z]\w*", re.ASCII)
_EXPRESSION = re.compile(r"\(([^()\"';]*)\)")


class DataKind(Enum):
    """The sorts of program data (IEEE 488.2, 7.7)."""

    NUMBER = auto()
    WORD = auto()
    STRING = auto()
    BLOCK = auto()
    EXPRESSION = auto()


@frozen
class Datum:
    """One parameter as written."""

    kind: DataKind
    text: str
    """The word in capitals, the string without its quotes, the block's bytes (latin-1), the expression's inside."""
    number: float = 0.0
    suffix: str = ""
    """In capitals."""


@frozen
class Unit:
    """One program message unit."""

    mnemonics: tuple[str, ...]
    """In capitals; one only where `common`."""
    common: bool
    absolute: bool
    """Whether it starts with a colon."""
    query: bool
    data: tuple[Datum, ...]

    @property
    def header(self) -> str:
        """The header as an error text shows it."""
        return ("*" if self.common else "") + ":".join(self.mnemonics) + ("?" if self.query else "")


def units(message: str) -> Iterator[Unit]:
    """Take a message apart, one unit at a time. Raises ScpiFault (-1xx) at the first unit that cannot be read.

    `message` holds one character per byte, without the message's end. Empty units are passed over, as most
    instruments do.
    """
    position, end = _skip(message, 0), len(message.rstrip("\r\n"))
    message = message[:end]
    while position < end:
        if message[position] == ";":
            position = _skip(message, position + 1)
            continue
        unit, position = _unit(message, position)
        yield unit


def _skip(text: str, position: int) -> int:
    found = _SPACE.match(text, position)
    assert found is not None, "an optional pattern always matches"
    return found.end()


def _unit(text: str, position: int) -> tuple[Unit, int]:
    found = _HEADER.match(text, position)
    if found is None:
        raise ScpiFault(-102 if text[position] in ":*?,+-.0123456789\"'(" else -101)
    star, common, colon, path, mark = found.groups()
    mnemonics = (common.upper(),) if star else tuple(path.upper().split(":"))
    if any(len(mnemonic.rstrip("0123456789")) > LONGEST_MNEMONIC for mnemonic in mnemonics):
        raise ScpiFault(-112)
    after = found.end()
    position = _skip(text, after)
    data: tuple[Datum, ...] = ()
    if position < len(text) and text[position] != ";":
        if position == after:
            raise ScpiFault(_misplaced(text[position]))
        data, position = _data(text, position)
    return Unit(mnemonics, bool(star), bool(colon), bool(mark), data), position


def _misplaced(character: str) -> int:
    """Return the error for a character that stands right behind a header."""
    if character == ",":
        return -103
    if character in ":?":
        return -102
    return -111 if character in "\"'(#+-." or (character.isascii() and character.isalnum()) else -101


def _data(text: str, position: int) -> tuple[tuple[Datum, ...], int]:
    """Read the parameters from `position` on, up to the unit's end."""
    data = []
    while True:
        datum, position = _datum(text, position)
        data.append(datum)
        position = _skip(text, position)
        if position >= len(text) or text[position] == ";":
            return tuple(data), position
        if text[position] != ",":
            raise ScpiFault(-103)
        position = _skip(text, position + 1)
        if position >= len(text):
            raise ScpiFault(-102)


def _datum(text: str, position: int) -> tuple[Datum, int]:
    first = text[position]
    if first in "\"'":
        if (found := _STRING.match(text, position)) is None:
            raise ScpiFault(-151)
        double, single = found.groups()
        inside = double.replace('""', '"') if double is not None else single.replace("''", "'")
        return Datum(DataKind.STRING, inside), found.end()
    if first == "#":
        return _hash(text, position)
    if first == "(":
        if (found := _EXPRESSION.match(text, position)) is None:
            raise ScpiFault(-171)
        return Datum(DataKind.EXPRESSION, found[1].strip()), found.end()
    if (found := _WORD.match(text, position)) is not None:
        if len(found[0]) > LONGEST_MNEMONIC:
            raise ScpiFault(-144)
        return Datum(DataKind.WORD, found[0].upper()), found.end()
    if (found := _NUMBER.match(text, position)) is not None:
        return _number(found), found.end()
    if first in "+-.":
        raise ScpiFault(-121)
    raise ScpiFault(-102 if first in ",:*?;" else -101)


def _number(found: re.Match[str]) -> Datum:
    """Turn a match of _NUMBER into a datum (IEEE 488.2, 7.7.2: at most 255 digits, exponents to 32000)."""
    mantissa, exponent = found["mantissa"], found["exponent"] or "0"
    if len(mantissa) > MOST_DIGITS + 2:
        raise ScpiFault(-124)
    if len(exponent) > MOST_DIGITS or abs(int(exponent)) > LARGEST_EXPONENT:
        raise ScpiFault(-123)
    return Datum(DataKind.NUMBER, found[0], float(f"{mantissa}e{exponent}"), (found["suffix"] or "").upper())


def _hash(text: str, position: int) -> tuple[Datum, int]:
    """Read what starts with `#`: a number in another radix, or a block (IEEE 488.2, 7.7.4 and 7.7.6)."""
    if (found := _RADIX.match(text, position)) is not None:
        digits = found[1] or found[2] or found[3]
        if len(digits) > MOST_DIGITS:
            raise ScpiFault(-124)
        whole = int(digits, 16 if found[1] else 8 if found[2] else 2)
        return Datum(DataKind.NUMBER, found[0], float(whole)), found.end()
    mark = text[position + 1 : position + 2]
    if mark == "0":
        return Datum(DataKind.BLOCK, text[position + 2 :]), len(text)
    if not (mark.isascii() and mark.isdigit()):
        raise ScpiFault(-121 if mark.upper() in {"H", "Q", "B"} else -161)
    start = position + 2 + int(mark)
    count = text[position + 2 : start]
    if len(count) != int(mark) or not (count.isascii() and count.isdigit()):
        raise ScpiFault(-161)
    end = start + int(count)
    if end > len(text):
        raise ScpiFault(-161)
    return Datum(DataKind.BLOCK, text[start:end]), end
