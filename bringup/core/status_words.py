"""Status words: numbers whose bits mean something, in the four notations that instruments use, and conditions on bits.

A condition is what stands as a key under `words` in a dialect file: `bit 0`, `not bit 0`, `bit 0 and not bit 1`,
`bit 4 of output 1`. Bit 0 weighs 1.
"""

from __future__ import annotations

import re
from functools import lru_cache

from bringup.core.frozen import frozen
from bringup.core.late import late
from bringup.core.replies import ReplyKind, read_hex, read_integer
from bringup.errors import NotationError

LAST_BIT = 31
"""Status words have at most 32 bits."""

_LOOKS_LIKE = late(r"(?:not\s+)?bits?\b", re.IGNORECASE)
_TERM = r"(?:not )?bit \d+"
_WHOLE = late(rf"({_TERM}(?: and {_TERM})*)(?: of output (\d{{1,2}}))?")
_ONE = late(r"(not )?bit (\d+)")


@frozen
class Condition:
    """Bits that must be set or clear, all of them. `output`: which output it speaks of; None: any."""

    bits: tuple[tuple[int, bool], ...]
    output: int | None = None

    def holds(self, word: int) -> bool:
        """Whether the word has these bits."""
        return all(bool(word >> bit & 1) is wanted for bit, wanted in self.bits)


def is_condition(text: str) -> bool:
    """Whether a key under `words` is meant to be a condition on bits rather than a reply."""
    return _LOOKS_LIKE.match(text) is not None


@lru_cache(maxsize=512)
def read_condition(text: str) -> Condition:
    """Read a condition. Raises NotationError for one that is not written as conditions are."""
    found = _WHOLE.fullmatch(text)
    if found is None:
        raise NotationError(
            f"'{text}' is no condition on bits",
            text=text,
            what_to_do="write `bit 0`, `bit 0 and not bit 1` or `bit 4 of output 1`",
        )
    bits = tuple((int(number), not negated) for negated, number in _ONE.findall(found.group(1)))
    for number, _ in bits:
        if number > LAST_BIT:
            raise NotationError(f"there is no bit {number}: a status word has bits 0 to {LAST_BIT}", text=text)
    return Condition(bits, int(found.group(2)) if found.group(2) else None)


def status_word(kind: ReplyKind, text: str) -> int | None:
    """Return the number that a reply of that kind is, None for one that is none. Never raises."""
    if kind is ReplyKind.BYTE:
        return ord(text) if len(text) == 1 and ord(text) < 256 else None  # noqa: PLR2004 - a byte
    if kind is ReplyKind.HEX:
        return read_hex(text)
    if kind in (ReplyKind.BITS, ReplyKind.BITS_FROM_0):
        body = text.strip()
        if not re.fullmatch(r"[01]{1,32}", body):
            return None
        return int(body if kind is ReplyKind.BITS else body[::-1], 2)
    number = read_integer(text)
    return number if number is not None and number >= 0 else None
