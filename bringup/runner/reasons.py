"""Whether a typed line can be a reason: it stays in the unit's history, a value typed one question late must not."""

from __future__ import annotations

import re

from bringup.core.entry import read_entry
from bringup.core.limits import parse_limits
from bringup.core.words import Kind
from bringup.errors import NotationError

LETTERS = 4
"""A reason of fewer letters says nothing to whoever reads it a month later."""
_QUANTITY = re.compile(r"[+-]?[0-9]*[.,]?[0-9]+\s*[^\W\d]*[0-9]*(?:\s*rising)?", re.IGNORECASE)
"""A number and at most one word behind it: '300mA', '24 volts', '4k7'."""


def not_a_reason(text: str) -> str:
    """Say why this cannot stand as a reason; '' if it can."""
    said = text.strip()
    if _QUANTITY.fullmatch(said) or _reads_as_value(said):
        return f"{said!r} reads as a value, not as a reason: say why, in words"
    if sum(character.isalpha() for character in said) < LETTERS:
        return f"{said!r} is too short to tell anybody why: say it in words"
    return ""


def _reads_as_value(said: str) -> bool:
    """Whether a question for a value, or a file, would take it: '1e-3 ohms', '< 50 ohm', '7M rising', 'OL'."""
    for read in (
        parse_limits,
        lambda text: read_entry(text, Kind.RESISTANCE),
        lambda text: read_entry(text, Kind.VOLTAGE),
    ):
        try:
            read(said)
        except NotationError:
            continue
        return True
    return False
