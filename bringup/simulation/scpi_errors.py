"""The SCPI error numbers that the simulated instruments use, with their words, and the fault that carries one.

Numbers and words: SCPI-1999 volume 2, 21.8 (from memory and from published tables; the standard itself not seen).
"""

from __future__ import annotations

TEXTS: dict[int, str] = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -144: "Character data too long",
    -151: "Invalid string data",
    -161: "Invalid block data",
    -171: "Invalid expression",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -440: "Query UNTERMINATED after indefinite response",
}

LONGEST_TEXT = 255

_CLASS_BITS = ((-100, 32), (-200, 16), (-400, 4))
"""Command, execution and query errors: first number of the hundred, and bit."""
_DEVICE_DEPENDENT = 8


class ScpiFault(Exception):  # noqa: N818 - the standard calls them errors and events; this one is thrown, not queued
    """Something in a program message that an instrument reports in its error queue."""

    def __init__(self, code: int, detail: str = "") -> None:
        super().__init__(code, detail)
        self.code = code
        self.detail = detail


def entry(code: int, detail: str = "") -> str:
    """Return the text of a queue entry: the standard's words, then the device's own after a semicolon."""
    text = TEXTS[code] + (f";{detail}" if detail else "")
    return text.replace('"', '""')[:LONGEST_TEXT]


def event_bit(code: int) -> int:
    """Return the bit of the standard event status register that belongs to an error's class (IEEE 488.2, 11.5.1)."""
    return next((bit for hundred, bit in _CLASS_BITS if hundred - 99 <= code <= hundred), _DEVICE_DEPENDENT)
