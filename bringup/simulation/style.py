"""How one style of simulated supply is spoken to: a table of what it understands, in its own notation.

The notation is that of a printed command list, not that of our dialect files: `VOLTage {x},(@{n})` takes VOLT or
VOLTAGE, `[SOURce:]` may be left out, `{n}` is an output, `{x}` a number, `{b}` a switch, `{ext}` and `{wires}` where it
senses, `{name}` a name of an output, `{word}` any word, `{list}` a list of channels, `(@101,103:105)`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from enum import StrEnum

from bringup.core.frozen import frozen
from bringup.simulation.supply_levels import Rating

_PARTS = re.compile(r"(\{\w+\}|\[[^\]]*\]|[A-Za-z]+|\s+)")
_HOLES = {
    "{n}": r"(?P<n>[0-9]{1,2})",
    "{x}": r"(?P<x>[+-]?[0-9]+(?:\.[0-9]+)?)",
    "{b}": r"(?P<b>ON|OFF|1|0)",
    "{word}": r"(?P<word>[A-Za-z0-9]+)",
    "{ext}": r"(?P<b>EXT|INT)",
    "{wires}": r"(?P<b>4W|2W)",
    "{name}": r"(?P<name>[A-Za-z][A-Za-z0-9]*)",
    "{list}": r"\(@(?P<list>[0-9,: ]*)\)",
}


class Complains(StrEnum):
    """Where an instrument of a style says what went wrong."""

    QUEUE = "queue"
    REGISTERS = "registers"
    AT_ONCE = "at once"
    """In the place of its acknowledge line."""
    NOWHERE = "nowhere"


@frozen
class Told:
    """One thing that can be told: its spelling, and what it does (an action of StyledSupply)."""

    pattern: str
    does: str


@frozen
class Asked:
    """One thing that can be asked: its spelling, what is asked for, and how the reply is written.

    `form`: a format for numbers ({n}: of which output), 'OFF/ON' words for what is off or on, or a function.
    """

    pattern: str
    what: str
    form: str | Callable[[object], str] = "{}"


@frozen
class Style:
    """One style."""

    name: str
    """That of the dialect that is meant to speak to it."""
    model: str
    ratings: Mapping[int, Rating]
    tells: tuple[Told, ...]
    asks: tuple[Asked, ...]
    names: Mapping[int, str] | None = None
    """What {name} may be."""
    selects: bool = False
    """Whether settings go to the output selected before."""
    one_switch: bool = False
    """Whether one switch serves all outputs."""
    master: bool = False
    """Whether power needs a general switch behind each output's own."""
    complains: Complains = Complains.QUEUE
    acknowledge: str = ""
    identifies: str = "*IDN?"
    """What it answers by who it is."""
    clamps: bool = False
    """Takes what is too much as its largest value and says nothing; else it refuses that."""
    locked: bool = False
    """Refuses to be told anything before it was locked to remote control."""
    address: int | None = None
    """Answers nobody before it was addressed by this."""
    re_energises: bool = False
    errors_clear_trips: bool = False
    case_matters: bool = False
    step: float = 0.001
    """Volts and amps of its last digit."""


def compiled(pattern: str, *, case_matters: bool = False) -> re.Pattern[str]:
    """Return what recognises a spelling of the table."""
    return re.compile(_expression(pattern), 0 if case_matters else re.IGNORECASE)


def _expression(pattern: str) -> str:
    return "".join(_part(part) for part in _PARTS.split(pattern) if part)


def _part(part: str) -> str:
    if part in _HOLES:
        return _HOLES[part]
    if part.startswith("["):
        return f"(?:{_expression(part[1:-1])})?"
    if part.isspace():
        return r"\s+"
    short = "".join(letter for letter in part if not letter.islower())
    if part.isalpha() and short != part:
        return f"(?:{short}|{part.upper()})"
    return re.escape(part)
