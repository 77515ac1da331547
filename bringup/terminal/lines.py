"""Lines that stay on the screen: their text, how they are meant, and how they are broken at words. Pure."""

from __future__ import annotations

import re
import textwrap
from enum import StrEnum

from bringup.core.frozen import frozen

_UNIT = re.compile(r"(?<=\d) (?=(?:[fpnuµmkKMGT]?(?:V|A|Ω|W|s|Hz|F|ohm)|°C|%|min|h)\b|%)")
"""The space between a number and its unit: no line is broken there."""
_KEY = re.compile(r"(?<=  [a-zA-Z]) (?=[a-z])|(?<=  [a-z]) (?=Enter )|(?<=  [a-z] Enter) (?=[a-z])")
"""The spaces between a key and its word, in a list of keys: nor there."""
_STUCK = "\N{NO-BREAK SPACE}"
_LEAST = 24
"""Columns below which breaking at words does more harm than good."""


class Tone(StrEnum):
    """How a line is meant; the words carry the meaning too, so that nothing depends on colour."""

    PLAIN = "plain"
    HEAD = "head"
    GOOD = "good"
    BAD = "bad"
    WARN = "warn"
    QUIET = "quiet"
    TO_TYPE = "to type"
    """A command to be copied; never broken."""
    ALARM = "alarm"
    """Of the frame that says that the output state is unknown; never broken, drawn as one block."""


@frozen
class Line:
    """One line that stays."""

    text: str
    tone: Tone = Tone.PLAIN


def wrapped(text: str, width: int | None) -> list[str]:
    """Break a line at words where it is longer than `width`, further lines set in by two more columns.

    None: as wide as it gets (a file, a pipe). A word that is longer than a line is cut.
    """
    if width is None or len(text) <= width or width < _LEAST:
        return [text]
    indent = text[: len(text) - len(text.lstrip())]
    wrapper = textwrap.TextWrapper(width, subsequent_indent=f"{indent}  ", break_on_hyphens=False, expand_tabs=False)
    pieces = wrapper.wrap(_KEY.sub(_STUCK, _UNIT.sub(_STUCK, text)))
    return [piece.replace(_STUCK, " ") if _STUCK not in text else piece for piece in pieces] or [text]
