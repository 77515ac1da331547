"""Reading what an instrument answered: IEEE 488.2 response data, not-a-number codes, error queue entries.

Nothing here raises, whatever the line: an instrument may send anything. What cannot be read is no value, never 0.
Lines are text in which each character is one byte (latin-1), as a link hands them over.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from enum import StrEnum

from bringup.core.bench import Identity
from bringup.core.channels import read_channels
from bringup.core.frozen import frozen
from bringup.core.late import late
from bringup.core.quantity import parse_quantity
from bringup.core.response import ENDS, read_block, read_string, split_fields
from bringup.errors import NotationError

NOT_A_NUMBER = 9.91e37
"""What SCPI-1999 sends for 'not a number' (volume 1, 7.2.1; as makers' guides cite it)."""
INFINITE = 9.9e37
"""What SCPI-1999 sends for infinity, signed: over range. The two differ by one part in a thousand only."""
CODE_TOLERANCE = 1e-6
"""Relative; instruments print the codes with different numbers of digits."""

_NRF = late(r"([+-]?(?:[0-9]++\.?[0-9]*+|\.[0-9]++))(?:[eE]([+-]?[0-9]{1,6}))?")
_INTEGER = late(r"[+-]?[0-9]{1,18}")
_HEX = late(r"(?:0[xX]|#[Hh])?([0-9A-Fa-f]{1,8})")
_BITS = late(r"[01]{1,32}")
_RADIX = late(r"#(?:[Hh]([0-9A-Fa-f]{1,16})|[Qq]([0-7]{1,22})|[Bb]([01]{1,64}))")
_ERROR = late(r"([+-]?[0-9]{1,9})(?:[ \t]*,[ \t]*|[ \t]+|$)(.*)", re.DOTALL)

_OVER_RANGE_WORDS = {"OL": 1, "+OL": 1, "-OL": -1, "INF": 1, "+INF": 1, "INFINITY": 1, "-INF": -1, "NINF": -1}
_NOT_A_NUMBER_WORDS = ("NAN", "+NAN", "-NAN")
_TRUE = ("1", "+1", "ON", "YES", "TRUE")
_FALSE = ("0", "+0", "-0", "OFF", "NO", "FALSE")
# How makers write units: '0.7K Ohm', '100 OHM' (and MOHM, which is mega in SCPI), '1.23 VDC', '1.23 VAC'.
_OHM = late(r"\s*ohms?$", re.IGNORECASE)
_DC = late(r"(?<=[VA])\s?[AD]C$")
_MOST_DIGITS = 64
_LONGEST_NUMBER = 120
"""Characters of a number with its exponent and unit; anything longer is something else."""
_WORDS = late(r"[A-Za-z]{3}")
_MOST_IDENTITY = 200
_SHORTEST_IDENTITY = 6
_FEWEST_FIELDS = 3


class ReplyKind(StrEnum):
    """What sort of line answers a query."""

    NUMBER = "number"
    NUMBERS = "numbers"
    INTEGER = "integer"
    BOOLEAN = "boolean"
    ERROR = "error"
    IDENTITY = "identity"
    STRING = "string"
    TEXT = "text"
    BLOCK = "block"
    CHANNELS = "channels"
    """A list of a scanner's channels: (@101,103:105), also as a block around it."""
    HEX = "hex"
    """A status word in hexadecimal digits, with or without 0x or #H in front."""
    BYTE = "byte"
    """A status word that is one raw byte, of any value."""
    BITS = "bits"
    """A status word as digits 0 and 1, bit 0 last."""
    BITS_FROM_0 = "bits from 0"
    """The same with bit 0 first."""


@frozen
class Value:
    """One number from an instrument. `number` None is no value; `over_range` is +1 or -1 when beyond the range."""

    number: float | None
    raw: str
    resolution: float | None = None
    """Weight of the last digit of the reply."""
    over_range: int = 0
    why: str = ""
    """Why there is no number, for people."""
    received: float | None = None
    """Monotonic seconds at which the reply came; None where nothing carried it (typed, computed, no reply)."""
    full_scale: float | None = None
    """Range that the meter was set to; None: it chose one itself, or nobody knows."""
    nplc: float | None = None
    """Power-line cycles it was integrated for, as the meter was set; None: nobody knows."""
    standard: float | None = None
    """Combined standard uncertainty of a number worked out from readings; None: not known, or read itself."""
    repeats: tuple[float, int] | None = None
    """Standard deviation of the number as repeated readings show it, and its degrees of freedom."""


@frozen
class ScpiError:
    """One entry of an error queue. Only `code` decides anything."""

    code: int
    text: str
    raw: str


def can_answer(kind: ReplyKind, line: str, *, unit: str = "") -> bool:
    """Whether the line can be the answer to a query of that kind at all.

    `unit`: the unit that numbers may carry ('V' for a supply that answers 43.50V); '' permits none. TEXT takes any
    line that is not empty, since a mode or a name may be anything.
    """
    if kind is ReplyKind.BYTE:
        return len(line) == 1
    body = line.strip(ENDS)
    if kind is ReplyKind.NUMBER:
        fields = split_fields(body)
        return len(fields) == 1 and _is_number(fields[0], unit)
    if kind is ReplyKind.NUMBERS:
        fields = split_fields(body)
        return bool(fields) and all(_is_number(one, unit) for one in fields)
    if kind is ReplyKind.INTEGER:
        return read_integer(body) is not None
    if kind is ReplyKind.BOOLEAN:
        return read_boolean(body) is not None
    if kind is ReplyKind.ERROR:
        return read_error(body) is not None
    if kind is ReplyKind.IDENTITY:
        return _is_identity(body)
    if kind is ReplyKind.STRING:
        return read_string(body) is not None
    if kind is ReplyKind.CHANNELS:
        return read_channels(body) is not None
    if kind is ReplyKind.BLOCK:
        return read_block(line) is not None
    if kind is ReplyKind.HEX:
        return read_hex(body) is not None
    if kind in (ReplyKind.BITS, ReplyKind.BITS_FROM_0):
        return _BITS.fullmatch(body) is not None
    return bool(body)


def read_number(line: str, *, field: int = 0, over_range_from: float = 9.8e37, unit: str = "") -> Value:
    """Read one number of a reply (NR1, NR2, NR3, comma list). Never raises: what is no number is no value.

    `field` counts from 0. Magnitudes from `over_range_from` on are over range, and so is 9.9E37 always; 9.91E37 is no
    value. `unit`: a unit that may follow the number, with an SI prefix ('V' reads 20.44mV as 0.02044).
    """
    fields = split_fields(line)
    if not fields:
        return Value(None, line, why="the reply is empty")
    if not 0 <= field < len(fields):
        return Value(None, line, why=f"the reply has {len(fields)} values, number {field + 1} was asked for")
    return _read(fields[field], line, over_range_from, unit)


def read_numbers(line: str, *, over_range_from: float = 9.8e37, unit: str = "") -> tuple[Value, ...]:
    """Read every number of a comma list, each as `read_number` does; an empty reply gives none."""
    return tuple(_read(one, one, over_range_from, unit) for one in split_fields(line))


def read_integer(line: str) -> int | None:
    """Read NR1, an integral NR2 or NR3 (`+4.0E+00`), or #H, #Q, #B (IEEE 488.2); None for anything else."""
    body = line.strip(ENDS)
    if _INTEGER.fullmatch(body):
        return int(body)
    if radix := _RADIX.fullmatch(body):
        for digits, base in zip(radix.groups(), (16, 8, 2), strict=True):
            if digits is not None:
                return int(digits, base)
    value = _read(body, body, 9.8e37, "").number
    if value is None or not value.is_integer() or abs(value) >= 2.0**53:
        return None
    return int(value)


def read_hex(line: str) -> int | None:
    """Read up to eight hexadecimal digits, with or without 0x or #H in front; None for anything else."""
    found = _HEX.fullmatch(line.strip(ENDS))
    return None if found is None else int(found.group(1), 16)


def read_boolean(line: str, words: Mapping[str, str] | None = None) -> bool | None:
    """Read 0/1, ON/OFF, YES/NO, TRUE/FALSE in any case; None for anything else.

    `words` translates an instrument's own words to 'on' and 'off' and is asked first.
    """
    body = line.strip(ENDS).upper()
    for theirs, ours in (words or {}).items():
        if theirs.strip().upper() == body:
            body = ours.strip().upper()
            break
    if body in _TRUE:
        return True
    return False if body in _FALSE else None


def read_error(line: str) -> ScpiError | None:
    """Read an error queue entry by its leading integer; None if there is none.

    Every spelling in use is read: `0,"No error"`, `+0,"No error"`, `0,No Error`, `0  No Error`, `-113,Undefined
    header,MEAS:POW?`, a bare `0`. A list of numbers is no entry.
    """
    body = line.strip(ENDS)
    match = _ERROR.fullmatch(body)
    if match is None:
        return None
    code, rest = int(match.group(1)), match.group(2).strip()
    string = read_string(rest)
    if rest and string is None and not _WORDS.search(rest):
        return None
    return ScpiError(code, rest if string is None else string, line)


def read_identity(line: str) -> Identity:
    """Read the reply to `*IDN?` (IEEE 488.2, 10.14, from memory): four fields, fewer if fewer came.

    Commas beyond the third belong to the firmware field. An identity without commas is all in `maker`.
    """
    body = line.strip(ENDS)
    fields = [one.strip(ENDS) for one in body.split(",", 3)]
    maker, model, serial, firmware = (*fields, "", "", "", "")[:4]
    return Identity(maker, model, serial, firmware, body)


def _read(text: str, raw: str, over_range_from: float, unit: str) -> Value:
    word = text.strip(ENDS).upper()
    if word in _OVER_RANGE_WORDS:
        return Value(None, raw, over_range=_OVER_RANGE_WORDS[word], why="over range")
    if word in _NOT_A_NUMBER_WORDS:
        return Value(None, raw, why="the instrument says that it has no number")
    if len(text) > _LONGEST_NUMBER:
        return Value(None, raw, why=f"{text[:40]!r}... is no number: it has {len(text)} characters")
    match = _NRF.fullmatch(text)
    if match is None:
        return _read_with_unit(text, raw, over_range_from, unit)
    if len(match.group(1)) > _MOST_DIGITS:
        return Value(None, raw, why="more digits than a number has")
    exponent = int(match.group(2) or 0)
    return _judged(float(text), raw, over_range_from, exponent - len(match.group(1).partition(".")[2]))


def _read_with_unit(text: str, raw: str, over_range_from: float, unit: str) -> Value:
    """Read a number that carries its unit, where that was asked for."""
    if unit:
        try:
            quantity = parse_quantity(_OHM.sub("ohm", _DC.sub("", text)), unit)
        except NotationError as error:
            return Value(None, raw, why=error.message)
        if not _is_letter_code(text):
            return _judged(quantity.number, raw, over_range_from, quantity.last_digit or 0)
    return Value(None, raw, why=f"{text[:40]!r} is no number")


def _is_letter_code(text: str) -> bool:
    return re.fullmatch(r"[0-9]*[RKkMGT][0-9]*", text) is not None


def _judged(value: float, raw: str, over_range_from: float, last_digit: int) -> Value:
    magnitude = abs(value)
    if abs(magnitude - NOT_A_NUMBER) <= CODE_TOLERANCE * NOT_A_NUMBER:
        return Value(None, raw, why="the instrument says that it has no number (9.91E37)")
    if magnitude >= min(over_range_from, INFINITE * (1 - CODE_TOLERANCE)):
        return Value(None, raw, over_range=1 if value > 0 else -1, why="over range")
    resolution = float(f"1e{last_digit}")
    return Value(value, raw, resolution=resolution or None)


def _is_number(text: str, unit: str) -> bool:
    if (match := _NRF.fullmatch(text)) is not None:
        return len(match.group(1)) <= _MOST_DIGITS
    value = _read(text, text, 9.8e37, unit)
    return value.number is not None or bool(value.over_range) or value.why.startswith("the instrument says")


def _is_identity(body: str) -> bool:
    """Whether this can be an identity: three commas or nearly so; or maker and model, or one long word, with digits."""
    if not 0 < len(body) <= _MOST_IDENTITY or not body.isprintable():
        return False
    if read_error(body) is not None or can_answer(ReplyKind.NUMBERS, body) or body[0] in "#\"'":
        return False
    fields = body.split(",")
    if len(fields) >= _FEWEST_FIELDS:
        return any(character.isalpha() for character in fields[0] + fields[1])
    return (
        all(any(character.isalpha() for character in field) for field in fields)
        and len(body) >= _SHORTEST_IDENTITY
        and any(character.isalpha() for character in body)
        and any(character.isdigit() for character in body)
    )
