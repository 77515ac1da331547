"""A dialect: how one family of instruments spells a role's operations, and how its replies are read.

Pure: it turns an operation into Messages and lines into values. The data come from YAML (files.dialect_file);
the messages are carried by a Link. Operation names follow the IVI class specifications (IVI-4.4, IVI-4.2, from
memory) in our own spelling.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import field
from decimal import ROUND_HALF_EVEN, Decimal

from bringup.core.frozen import frozen
from bringup.core.replies import ReplyKind, Value, read_boolean, read_number

PLACEHOLDERS = ("output", "value", "function", "range", "nplc", "on")
"""What may stand in braces in the texts of a dialect file."""
DECIMALS = 6
"""Digits after the point in what is sent: microvolts, microamperes and microseconds; no supply sets finer."""
LARGEST = 1e12
"""No number beyond this is ever sent."""

_HOLE = re.compile(r"\{(\w+)\}")
_BIT = re.compile(r"bit (\d+)")
_LEADING_INTEGER = re.compile(r"\s*([+-]?\d+)")


@frozen
class Message:
    """One program message. `expects` None means that the instrument does not answer it."""

    text: str
    expects: ReplyKind | None = None
    timeout: float = 2.0
    """Seconds allowed for this answer."""


@frozen
class Operation:
    """How one operation is spelt. Texts may hold {output}, {value}, {function}, {range}, {nplc}, {on}.

    An operation with `query` is asked, one with `send` is told; both may be given (set and read back).
    """

    send: tuple[str, ...] = ()
    query: str = ""
    reply: ReplyKind = ReplyKind.NUMBER
    words: Mapping[str, str] = field(default_factory=dict)
    """Instrument's word -> ours: replies such as {"1": "on"} or {"bit 0": "current"} (the first that fits counts).

    What is sent is spelt by the same table read backwards: {"EXT": "on"} makes {on} EXT, {"DEF": "auto"} makes an
    automatic {range} DEF.
    """
    field: int = 0
    """Which of several comma-separated values."""


@frozen
class Dialect:
    """One dialect file. An operation that is absent here cannot be done; the tool must say so."""

    name: str
    role: str
    """'supply' or 'meter'."""
    operations: Mapping[str, Operation]
    functions: Mapping[str, str] = field(default_factory=dict)
    """Meter only: our function name ('dc volts', 'ohms') -> the instrument's."""
    identity_pattern: str = ""
    write_end: str = "\n"
    read_end: str = "\n"
    gap: float = 0.0
    """Seconds to keep between messages."""
    output_scope: str = "each"
    """'each' or 'all': what one output switch switches."""
    watchdog_scope: str = "all"
    """'each' or 'all': what the communication watchdog switches off."""
    clear_re_energises: bool = False
    """Clearing a trip may bring the output back on."""
    over_range_from: float = 9.8e37
    """Magnitudes from here on are over-range replies."""
    timeout: float = 2.0
    """Seconds an answer may take (a meter's integration time comes on top)."""
    ranges: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    """Meter only: our function name -> full-scale values it can be fixed to, base units, ascending."""
    checked_against: str = ""
    path: str = ""


def number_text(value: float) -> str:
    """Spell a number for any instrument: plain decimal notation with a point, whatever the locale, no exponent.

    Rounded to DECIMALS. Raises ValueError for what is not finite or beyond LARGEST: that is a bug in the caller.
    """
    if not math.isfinite(value) or abs(value) > LARGEST:
        raise ValueError(f"{value!r} must never be sent to an instrument")
    exact = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-DECIMALS), ROUND_HALF_EVEN)
    text = f"{exact:f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def holes(text: str) -> tuple[str, ...]:
    """Return the names that stand in braces in a text of a dialect file."""
    return tuple(_HOLE.findall(text))


def spell(dialect: Dialect, operation: str, **values: object) -> tuple[Message, ...]:
    """Return what tells the instrument to do the operation; empty if the dialect only asks it.

    `values`: output (int), value (V, A or s), on (bool), function (our name), range (float, None for automatic),
    nplc (float). Raises KeyError for an operation or function that the dialect does not have.
    """
    entry = dialect.operations[operation]
    return tuple(Message(_filled(dialect, entry, text, values), None, dialect.timeout) for text in entry.send)


def ask(dialect: Dialect, operation: str, *, extra_time: float = 0.0, **values: object) -> Message:
    """Return the query that belongs to the operation. `extra_time`: seconds on top of the dialect's time-out.

    Raises KeyError for an operation that the dialect does not have, or cannot ask.
    """
    entry = dialect.operations[operation]
    if not entry.query:
        raise KeyError(f"{dialect.name} has no query for {operation}")
    return Message(_filled(dialect, entry, entry.query, values), entry.reply, dialect.timeout + extra_time)


def can_ask(dialect: Dialect, operation: str) -> bool:
    """Whether the dialect has a query for the operation."""
    return operation in dialect.operations and bool(dialect.operations[operation].query)


def can_tell(dialect: Dialect, operation: str) -> bool:
    """Whether the dialect can tell an instrument to do the operation."""
    return operation in dialect.operations and bool(dialect.operations[operation].send)


def names_output(*texts: str) -> bool:
    """Whether one of these texts names the output itself, so that nothing has to be selected first."""
    return any("output" in holes(text) for text in texts)


def understand_number(dialect: Dialect, operation: str, line: str | None) -> Value:
    """Read a number from the reply to the operation's query. What is none is no value; never raises."""
    if line is None:
        return Value(None, "", why="no reply")
    entry = dialect.operations[operation]
    return read_number(line, field=entry.field, over_range_from=dialect.over_range_from)


def understand_switch(dialect: Dialect, operation: str, line: str | None) -> bool | None:
    """Read on or off, yes or no; None for no reply and for anything else."""
    if line is None:
        return None
    if dialect.operations[operation].words:
        return {"on": True, "off": False}.get(understand_word(dialect, operation, line) or "")
    return read_boolean(line)


def understand_word(dialect: Dialect, operation: str, line: str | None) -> str | None:
    """Translate a reply by the operation's words, in their order; None where none of them fits."""
    if line is None:
        return None
    words = dialect.operations[operation].words
    text = line.strip().strip('"').strip().upper()
    leading = _LEADING_INTEGER.fullmatch(text)
    number = int(leading.group(1)) if leading else None
    for theirs, ours in words.items():
        bit = _BIT.fullmatch(theirs)
        if bit is not None:
            fits = number is not None and number >= 0 and bool(number >> int(bit.group(1)) & 1)
        else:
            fits = text == theirs.upper() or (number is not None and str(number) == theirs)
        if fits:
            return ours
    return None


def _filled(dialect: Dialect, entry: Operation, text: str, values: Mapping[str, object]) -> str:
    return _HOLE.sub(lambda hole: _word(dialect, entry, hole.group(1), values), text)


def _word(dialect: Dialect, entry: Operation, name: str, values: Mapping[str, object]) -> str:
    """Spell one value. Raises KeyError where none was given for that name."""
    value = values[name]
    if name == "on":
        return _theirs(entry, "on", "ON") if value else _theirs(entry, "off", "OFF")
    if name == "function":
        return dialect.functions[str(value)]
    if name == "range" and value is None:
        return _theirs(entry, "auto", "AUTO")
    if name == "output":
        assert isinstance(value, int)
        return str(value)
    assert isinstance(value, int | float)
    return number_text(value)


def _theirs(entry: Operation, ours: str, otherwise: str) -> str:
    """Return the instrument's word for ours."""
    return next((theirs for theirs, word in entry.words.items() if word == ours), otherwise)
