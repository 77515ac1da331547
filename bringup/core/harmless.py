"""Text from outside made harmless for a terminal: what would be obeyed is shown instead.

Replies of instruments, notes, file names and causes may hold anything. Every view and every command that prints text
passes it through here last; the logbook keeps it as it came.
"""

from __future__ import annotations

_SEPARATORS = ("Zl", "Zp")
"""Line and paragraph separators: some terminals begin a new line at them."""


def harmless(text: str, keep: str = "") -> str:
    r"""Return the text with control characters and the like written out: an escape becomes `\x1b`.

    Controls (C0, C1, delete), invisible formatting (direction overrides, zero-width signs), lone surrogates, line and
    paragraph separators, and what has no character. `keep`: characters left as they are, such as a line feed.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(each if each in keep or _plain(each) else _spelt(each) for each in text)


def harmless_lines(text: str) -> str:
    """Return the text harmless, its line feeds kept: for text of our own that is several lines."""
    return harmless(text, keep="\n")


def harmless_json(text: str) -> str:
    r"""Return a JSON document harmless and the same: only within strings can such a character stand.

    The line feeds between its parts stay. Outside the first plane a character takes two `\u` escapes.
    """
    return "".join(each if each == "\n" or _plain(each) else _escaped(each) for each in text)


def _plain(character: str) -> bool:
    if character.isascii():
        return character.isprintable()
    import unicodedata  # few texts need it, and a start waits for none of them

    category = unicodedata.category(character)
    return not category.startswith("C") and category not in _SEPARATORS


def _spelt(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")


def _escaped(character: str) -> str:
    units = character.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[at]:02x}{units[at + 1]:02x}" for at in range(0, len(units), 2))
