"""The door between Python values and columns: times, finite numbers, exact decimals, text that can be stored.

Whatever cannot be kept faithfully is refused here with LogbookError, before a statement is made of it.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from decimal import Decimal

from bringup.errors import LogbookError


def time_text(at: datetime) -> str:
    """Return UTC text of one width, '2026-11-25T09:04:05.123456Z'. Raises LogbookError for a naive time."""
    if at.tzinfo is None:
        raise LogbookError(f"{at.isoformat()} does not say its time zone; the logbook keeps UTC")
    utc = at if at.tzinfo is UTC else at.astimezone(UTC)
    return utc.isoformat(timespec="microseconds")[: -len("+00:00")] + "Z"


def time_from(text: str) -> datetime:
    """Return the aware UTC time of such a text."""
    return datetime.fromisoformat(text)


def number(value: float | None, what: str) -> float | None:
    """Return the value if it is finite or absent. Raises LogbookError for NaN and infinity."""
    if value is not None and not math.isfinite(value):
        raise LogbookError(f"{what} is {value}; the logbook keeps finite numbers, or no value")
    return value


def decimal_columns(value: Decimal | None, what: str) -> tuple[float | None, str | None]:
    """Return a decimal as REAL and as exact text. Raises LogbookError for what is not finite in either."""
    if value is None:
        return None, None
    if not value.is_finite():
        raise LogbookError(f"{what} is {value}; the logbook keeps finite numbers, or no value")
    return number(float(value), what), str(value)


def storable(text: str) -> str:
    """Return text with what no database takes (lone surrogates, NUL) written as backslash escapes."""
    if "\0" in text:
        text = text.replace("\0", "\\x00")
    if text.isascii():
        return text
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def storable_or_none(text: str | None) -> str | None:
    """Return storable text, or None for None."""
    return None if text is None else storable(text)


def flag(value: bool | None) -> int | None:
    """Return 1, 0 or None."""
    return None if value is None else int(value)
