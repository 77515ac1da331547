"""How operations become messages in a Dialect: what stands in braces is filled in, numbers are spelt.

Pure. {value} is a plain decimal number; {value:.3f} has three digits after its point, {value:05.2f} is also padded with
zeros to five characters; {output:02d} is padded to two digits. Other formats do not exist.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from decimal import ROUND_HALF_EVEN, Decimal

from bringup.core.dialect import UNIT_OF_FUNCTION, UNIT_OF_WHAT_IS_MEASURED, Dialect, Message, Operation, can_ask
from bringup.core.replies import ReplyKind
from bringup.core.status_words import is_condition

PLACEHOLDERS = ("output", "name", "value", "function", "mode", "range", "nplc", "speed", "on", "channels", "channel")
"""What may stand in braces in the texts of a dialect file."""
NUMBERS = ("value", "range", "nplc")
WHOLES = ("output", "address", "channel")
DECIMALS = 6
"""Digits after the point in what is sent: microvolts, microamperes and microseconds; no supply sets finer."""
LARGEST = 1e12
"""No number beyond this is ever sent."""

_HOLE = re.compile(r"\{(\w+)(?::([^{}]*))?\}")
_NUMBER_FORMAT = re.compile(r"(?:0([1-9]))?\.([0-6])f")
_WHOLE_FORMAT = re.compile(r"0([1-9])d")


def number_text(value: float, form: str = "") -> str:
    """Spell a number for any instrument: plain decimal notation with a point, whatever the locale, no exponent.

    Rounded to DECIMALS, or as `form` says ('.3f', '05.2f'). Raises ValueError for what is not finite or beyond
    LARGEST, and for a form that does not exist: that is a bug in the caller.
    """
    if not math.isfinite(value) or abs(value) > LARGEST:
        raise ValueError(f"{value!r} must never be sent to an instrument")
    found = _NUMBER_FORMAT.fullmatch(form)
    if form and found is None:
        raise ValueError(f"{form!r} is no format of a number")
    decimals = DECIMALS if found is None else int(found.group(2))
    exact = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_EVEN)
    text = f"{exact + 0:f}"
    if found is not None:
        return text.zfill(int(found.group(1) or 0))
    return (text.rstrip("0").rstrip(".") or "0") if "." in text else text


def is_format(name: str, form: str) -> bool:
    """Whether what stands behind the colon in {name:form} is one of the formats that this name takes."""
    if name in NUMBERS:
        return _NUMBER_FORMAT.fullmatch(form) is not None
    return name in WHOLES and _WHOLE_FORMAT.fullmatch(form) is not None


def holes(text: str) -> tuple[str, ...]:
    """Return the names that stand in braces in a text of a dialect file."""
    return tuple(name for name, _ in _HOLE.findall(text))


def names_output(*texts: str) -> bool:
    """Whether one of these texts names the output itself, so that nothing has to be selected first."""
    return any({"output", "name"} & set(holes(text)) for text in texts)


def filled(text: str, **values: object) -> str:
    """Fill in {address} and the like where no operation is spelt: the messages of a greeting. Raises KeyError."""
    return _HOLE.sub(lambda hole: _plain(values[hole.group(1)], hole.group(2) or ""), text)


def spell(dialect: Dialect, operation: str, **values: object) -> tuple[Message, ...]:
    """Return what tells the instrument to do the operation; empty if the dialect only asks it.

    `values`: output (int), value (V, A or s), on (bool), function (our name), range (float, None for automatic),
    nplc (float), speed (the dialect's own word), mode (our name), channels (tuple of int), channel (int).
    Raises KeyError for an operation, function, mode or output name that the dialect does not have.
    """
    entry = dialect.operations[operation]
    return tuple(
        Message(_filled(dialect, entry, text, values), None, dialect.timeout, gap=entry.gap) for text in entry.send
    )


def who_is_there(dialect: Dialect) -> Message:
    """Return the question by which it says who it is: `*IDN?`, where the dialect has no other one."""
    if can_ask(dialect, "identify"):
        return ask(dialect, "identify")
    return Message("*IDN?", ReplyKind.IDENTITY, dialect.timeout)


def ask(dialect: Dialect, operation: str, *, extra_time: float = 0.0, **values: object) -> Message:
    """Return the query that belongs to the operation. `extra_time`: seconds on top of the dialect's time-out.

    Raises KeyError for an operation that the dialect does not have, or cannot ask.
    """
    entry = dialect.operations[operation]
    if not entry.query:
        raise KeyError(f"{dialect.name} has no query for {operation}")
    measured = entry.unit == UNIT_OF_WHAT_IS_MEASURED
    return Message(
        _filled(dialect, entry, entry.query, values),
        entry.reply,
        dialect.timeout + extra_time,
        bytes=1 if entry.reply is ReplyKind.BYTE else 0,
        gap=entry.gap,
        unit=UNIT_OF_FUNCTION.get(str(values.get("function")), "") if measured else entry.unit,
        over_range_words=dialect.over_range_words,
        pattern=entry.pattern,
    )


def _filled(dialect: Dialect, entry: Operation, text: str, values: Mapping[str, object]) -> str:
    if "{" not in text:
        return text
    return _HOLE.sub(lambda hole: _word(dialect, entry, hole.group(1), hole.group(2) or "", values), text)


def _word(dialect: Dialect, entry: Operation, name: str, form: str, values: Mapping[str, object]) -> str:
    """Spell one value. Raises KeyError where none was given for that name."""
    if name == "name":
        output = values["output"]
        assert isinstance(output, int)
        return dialect.output_names[output]
    value = values[name]
    if name == "on":
        return _theirs(entry, "on", "ON") if value else _theirs(entry, "off", "OFF")
    if name == "function":
        return dialect.functions[str(value)]
    if name == "mode":
        return dialect.modes[str(value)]
    if name == "range" and value is None:
        return _theirs(entry, "auto", "AUTO")
    if name == "range" and (theirs := dialect.range_words.get(str(values.get("function")))):
        return theirs[dialect.ranges[str(values["function"])].index(float(str(value)))]
    if name == "channels":
        assert isinstance(value, tuple)
        return ",".join(str(channel) for channel in value)
    if name == "speed":
        return str(value)
    if name == "output":
        assert isinstance(value, int)
    return _plain(value, form)


def _plain(value: object, form: str) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        if not form or (found := _WHOLE_FORMAT.fullmatch(form)):
            return str(value).zfill(int(found.group(1)) if form and found else 0)
        value = float(value)
    assert isinstance(value, float)
    return number_text(value, form)


def _theirs(entry: Operation, ours: str, otherwise: str) -> str:
    """Return the instrument's word for ours. Bits of a status word are how it answers, never what is sent."""
    if ours in entry.spelt:
        return entry.spelt[ours]
    said = (theirs for theirs, word in entry.words.items() if word == ours and not is_condition(theirs))
    return next(said, otherwise)
