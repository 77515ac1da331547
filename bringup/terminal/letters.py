"""Large letters, for what must not be overlooked (nobody knows whether an output is on) or is read from afar. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from bringup.terminal.lines import Line, Tone, wrapped

_LETTERS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "A": (" ### ", "#   #", "#####", "#   #", "#   #"),
        "B": ("#### ", "#   #", "#### ", "#   #", "#### "),
        "C": (" ####", "#    ", "#    ", "#    ", " ####"),
        "D": ("#### ", "#   #", "#   #", "#   #", "#### "),
        "E": ("#####", "#    ", "#### ", "#    ", "#####"),
        "F": ("#####", "#    ", "#### ", "#    ", "#    "),
        "G": (" ####", "#    ", "#  ##", "#   #", " ####"),
        "H": ("#   #", "#   #", "#####", "#   #", "#   #"),
        "I": ("#####", "  #  ", "  #  ", "  #  ", "#####"),
        "J": ("  ###", "   # ", "   # ", "#  # ", " ##  "),
        "K": ("#   #", "#  # ", "###  ", "#  # ", "#   #"),
        "L": ("#    ", "#    ", "#    ", "#    ", "#####"),
        "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
        "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
        "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
        "P": ("#### ", "#   #", "#### ", "#    ", "#    "),
        "Q": (" ### ", "#   #", "# # #", "#  # ", " ## #"),
        "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
        "S": (" ####", "#    ", " ### ", "    #", "#### "),
        "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
        "U": ("#   #", "#   #", "#   #", "#   #", " ### "),
        "V": ("#   #", "#   #", "#   #", " # # ", "  #  "),
        "W": ("#   #", "#   #", "# # #", "## ##", "#   #"),
        "X": ("#   #", " # # ", "  #  ", " # # ", "#   #"),
        "Y": ("#   #", " # # ", "  #  ", "  #  ", "  #  "),
        "Z": ("#####", "   # ", "  #  ", " #   ", "#####"),
        "0": (" ### ", "#  ##", "# # #", "##  #", " ### "),
        "1": ("  #  ", " ##  ", "  #  ", "  #  ", " ### "),
        "2": ("#### ", "    #", " ### ", "#    ", "#####"),
        "3": ("#### ", "    #", " ### ", "    #", "#### "),
        "4": ("#  # ", "#  # ", "#####", "   # ", "   # "),
        "5": ("#####", "#    ", "#### ", "    #", "#### "),
        "6": (" ### ", "#    ", "#### ", "#   #", " ### "),
        "7": ("#####", "    #", "   # ", "  #  ", "  #  "),
        "8": (" ### ", "#   #", " ### ", "#   #", " ### "),
        "9": (" ### ", "#   #", " ####", "    #", " ### "),
        ".": ("  ", "  ", "  ", "  ", "# "),
        "-": ("    ", "    ", "### ", "    ", "    "),
        "+": ("     ", "  #  ", "#####", "  #  ", "     "),
        "/": ("    #", "   # ", "  #  ", " #   ", "#    "),
        "_": ("     ", "     ", "     ", "     ", "#####"),
        " ": ("   ", "   ", "   ", "   ", "   "),
    }
)
WIDE = 78
"""Columns of the frame: it fits into a terminal of eighty."""
WORDS = "OUTPUT STATE UNKNOWN: USE THE SWITCH ON {}, NOW"


def switches(told: str) -> str:
    """Return on what the switch is that the person is told to use: of several supplies, on every one."""
    return "EVERY SUPPLY" if "every supply off" in told else "THE SUPPLY"


def what_to_do(told: str) -> str:
    """Return the words beside the large letters, as those say it."""
    return WORDS.format(switches(told))


OFF_AFTER_ALL = "REACHED AGAIN: OUTPUTS OFF"


def large(text: str, block: str = "#") -> list[str]:
    """Return the text as five rows of large letters, drawn with `block`."""
    return [" ".join(_LETTERS[letter][row] for letter in text).replace("#", block).rstrip() for row in range(5)]


def drawable(text: str) -> bool:
    """Whether there is a large letter for each of its characters."""
    return all(letter in _LETTERS for letter in text)


def unknown_frame(said: Sequence[str], width: int | None = None, block: str = "#") -> list[Line]:
    """Return the frame: the large letters, what to do in plain words, and what is known of why.

    A terminal that is too narrow for the letters gets the words alone.
    """
    words = what_to_do(said[0] if said else "")
    return _framed(("OUTPUT STATE", "UNKNOWN"), (words, *said), ("!", Tone.ALARM), width, block)


def off_frame(said: Sequence[str], width: int | None = None, block: str = "#") -> list[Line]:
    """Return the frame that takes the other one back, as large: the outputs are known to be off after all."""
    return _framed(("OUTPUTS OFF",), (OFF_AFTER_ALL, *said), ("=", Tone.GOOD), width, block)


def _framed(
    letters: Sequence[str], said: Sequence[str], edge: tuple[str, Tone], width: int | None, block: str
) -> list[Line]:
    wide = WIDE if width is None else min(WIDE, width)
    inside = wide - 6
    rows: list[str] = []
    if wide == WIDE:
        rows = [row for text in letters for row in (*large(text, block), "")]
    for text in filter(None, said):
        rows += wrapped(text, inside)
    sign, tone = edge
    side = 2 * sign
    return [
        Line(text, tone) for text in (sign * wide, *(f"{side} {row:<{inside}} {side}" for row in rows), sign * wide)
    ]
