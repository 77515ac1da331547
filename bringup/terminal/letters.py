"""Large letters for the one thing that must not be overlooked: nobody knows whether an output is on. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from bringup.terminal.lines import Line, Tone, wrapped

_LETTERS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "A": (" ### ", "#   #", "#####", "#   #", "#   #"),
        "E": ("#####", "#    ", "#### ", "#    ", "#####"),
        "K": ("#   #", "#  # ", "###  ", "#  # ", "#   #"),
        "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
        "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
        "P": ("#### ", "#   #", "#### ", "#    ", "#    "),
        "S": (" ####", "#    ", " ### ", "    #", "#### "),
        "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
        "U": ("#   #", "#   #", "#   #", "#   #", " ### "),
        "W": ("#   #", "#   #", "# # #", "## ##", "#   #"),
        " ": ("   ", "   ", "   ", "   ", "   "),
    }
)
WIDE = 78
"""Columns of the frame: it fits into a terminal of eighty."""
WORDS = "OUTPUT STATE UNKNOWN: USE THE SWITCH ON THE SUPPLY, NOW"


def large(text: str, block: str = "#") -> list[str]:
    """Return the text as five rows of large letters, drawn with `block`."""
    return [" ".join(_LETTERS[letter][row] for letter in text).replace("#", block).rstrip() for row in range(5)]


def unknown_frame(said: Sequence[str], width: int | None = None, block: str = "#") -> list[Line]:
    """Return the frame: the large letters, what to do in plain words, and what is known of why.

    A terminal that is too narrow for the letters gets the words alone.
    """
    wide = WIDE if width is None else min(WIDE, width)
    inside = wide - 6
    rows: list[str] = []
    if wide == WIDE:
        rows = [*large("OUTPUT STATE", block), "", *large("UNKNOWN", block), ""]
    for text in (WORDS, *filter(None, said)):
        rows += wrapped(text, inside)
    edge = "!" * wide
    return [Line(text, Tone.ALARM) for text in (edge, *(f"!! {row:<{inside}} !!" for row in rows), edge)]
