"""Bytes from a terminal as single keys: characters that are whole, escape sequences taken out. No waiting here."""

from __future__ import annotations

import codecs
import re

ENTER = "\n"
BACKSPACE = "\x7f"
ESCAPE = "\x1b"
_SEQUENCE = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|O[ -~])")
"""What arrow and function keys send (ECMA-48: CSI, SS3): it means nothing here."""
_BEGUN = re.compile(r"\x1b(?:\[[0-?]*[ -/]*|O)?\Z")
"""The beginning of one at the end of what came: the rest may be on its way."""
_LONGEST = 32
"""Characters after which a sequence that does not end is none."""


class Keystrokes:
    """Takes chunks of bytes as they come and gives keys. An escape by itself is the Esc key, once nothing follows."""

    def __init__(self) -> None:
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._held = ""

    @property
    def waiting(self) -> bool:
        """Whether an escape has come of which it is not yet known what it begins."""
        return bool(self._held)

    def take(self, chunk: bytes) -> list[str]:
        """Return the keys that are whole by now."""
        text = _SEQUENCE.sub("", self._held + self._decoder.decode(chunk))
        begun = _BEGUN.search(text)
        self._held = "" if begun is None or len(begun[0]) > _LONGEST else begun[0]
        return _keys(text[: len(text) - len(self._held)])

    def nothing_follows(self) -> list[str]:
        """Return what was held back as the keys that it must have been."""
        held, self._held = self._held, ""
        return _keys(held)


def _keys(text: str) -> list[str]:
    return [{"\r": ENTER, "\x08": BACKSPACE}.get(character, character) for character in text]
