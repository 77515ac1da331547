"""A dialect: how one family of instruments spells a role's operations, and how its replies are read.

Pure: it turns an operation into Messages and lines into values. The data come from YAML (files.dialect_file);
the messages are carried by a Link. Operation names follow the IVI class specifications (IVI-4.4, IVI-4.2, from
memory) in our own spelling.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from bringup.core.replies import ReplyKind


@dataclass(frozen=True, slots=True)
class Message:
    """One program message. `expects` None means that the instrument does not answer it."""

    text: str
    expects: ReplyKind | None = None
    timeout: float = 2.0
    """Seconds allowed for this answer."""


@dataclass(frozen=True, slots=True)
class Operation:
    """How one operation is spelt. Texts may hold {output}, {value}, {function}, {range}, {nplc}, {on}.

    An operation with `query` is asked, one with `send` is told; both may be given (set and read back).
    """

    send: tuple[str, ...] = ()
    query: str = ""
    reply: ReplyKind = ReplyKind.NUMBER
    words: Mapping[str, str] = field(default_factory=dict)
    """Translation of reply words or bit masks to our words, such as {"1": "on"} or {"bit 0": "current"}."""
    field: int = 0
    """Which of several comma-separated values."""


@dataclass(frozen=True, slots=True)
class Dialect:
    """One dialect file. An operation that is absent here cannot be done; the tool must say so."""

    name: str
    role: str
    """'supply' or 'meter'."""
    operations: Mapping[str, Operation]
    functions: Mapping[str, str] = field(default_factory=dict)
    """Meter only: our function name ('dc volts', 'ohms') -> the instrument's."""
    identity_pattern: str = ""
    write_end: str = "\n"
    read_end: str = "\n"
    gap: float = 0.0
    """Seconds to keep between messages."""
    output_scope: str = "each"
    """'each' or 'all': what one output switch switches."""
    clear_re_energises: bool = False
    """Clearing a trip may bring the output back on."""
    over_range_from: float = 9.8e37
    """Magnitudes from here on are over-range replies."""
    timeout: float = 2.0
    """Seconds an answer may take (a meter's integration time comes on top)."""
    ranges: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    """Meter only: our function name -> full-scale values it can be fixed to, base units, ascending."""
    checked_against: str = ""
    path: str = ""
