"""A dialect: how one family of instruments spells a role's operations, and how its replies are read. The records.

Pure. The data come from YAML (files.dialect_file); `spelling` turns operations into Messages, `understanding` reads the
lines that come back, `models` chooses by what `*IDN?` says; a Link carries the messages. Operation names follow the IVI
class specifications (IVI-4.4, IVI-4.2, from memory) in our own spelling.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from bringup.core.frozen import frozen
from bringup.core.replies import ReplyKind
from bringup.core.serial_port import PortSettings

UNIT_OF_FUNCTION = {
    "dc volts": "V",
    "ac volts": "V",
    "dc amps": "A",
    "ac amps": "A",
    "ohms": "ohm",
    "four-wire ohms": "ohm",
    "capacitance": "F",
    "diode": "V",
    "frequency": "Hz",
    "temperature": "degC",
}
"""What a meter can be asked for, and the unit of the answer."""
LOAD_MODES = {"current": "A", "resistance": "ohm", "power": "W", "voltage": "V"}
"""What a load can hold constant, and the unit of its level. The level of each is set by `set_` and this name."""
UNIT_OF_WHAT_IS_MEASURED = "function"
"""As an operation's unit: that of the function which the meter is set to."""
LINK_KINDS = ("any", "serial", "lan", "gpib", "usb")
"""What messages at opening and closing may depend on."""


@frozen
class Message:
    """One program message. `expects` None means that the instrument does not answer it."""

    text: str
    expects: ReplyKind | None = None
    timeout: float = 2.0
    """Seconds allowed for this answer."""
    bytes: int = 0
    """So many bytes are the reply, with no line end to wait for; 0: a line."""
    gap: float = 0.0
    """Seconds to keep after this message on top of the dialect's gap."""
    unit: str = ""
    """The unit that numbers of the reply may carry; '' permits none."""
    over_range_words: tuple[str, ...] = ()
    """What may stand in the place of a number that is beyond the range, beside what all instruments write."""
    pattern: str = ""
    """Regular expression for the whole reply, whose group is what counts; '': all of it."""


@frozen
class Operation:
    """How one operation is spelt. Texts may hold what spelling.PLACEHOLDERS lists.

    An operation with `query` is asked, one with `send` is told; both may be given (set and read back).
    """

    send: tuple[str, ...] = ()
    query: str = ""
    reply: ReplyKind = ReplyKind.NUMBER
    words: Mapping[str, str] = field(default_factory=dict)
    """Instrument's word -> ours: replies such as {"1": "on"} or bits of a status word such as {"bit 0": "current"},
    {"bit 4 of output 1": "on"}, {"bit 0 and not bit 1": "voltage"} (the first that fits counts).

    What is sent is spelt by the same table read backwards: {"EXT": "on"} makes {on} EXT, {"DEF": "auto"} makes an
    automatic {range} DEF.
    """
    otherwise: str = ""
    """Our word where none of `words` fits, though the reply was read and speaks of that output. In files: `else`."""
    spelt: Mapping[str, str] = field(default_factory=dict)
    """Our word -> the instrument's, in what is sent, where `words` does not say it: {"on": "1"}."""
    field: int = 0
    """Which of several comma-separated values."""
    unit: str = ""
    pattern: str = ""
    gap: float = 0.0
    functions: tuple[str, ...] = ()
    """Meter only: for which functions it is used; empty: for all."""
    modes: tuple[str, ...] = ()
    """Load only: in which modes it is used; empty: in all."""
    discard: int = 0
    """Meter only: so many answers are asked for and thrown away first, for they may be of what was there before."""
    ignore_errors: tuple[int, ...] = ()
    """Error numbers that the instrument queues although it has done what it was told."""
    clears_when_read: bool = False
    """Reading clears it (an event register): what it said is kept, for it will not say so again."""
    clears_trips: bool = False
    """Asking it acknowledges trips, so that they are to be asked first."""
    checked_against: str = ""
    """What this spelling was checked against, where that is not what the whole dialect says."""


@frozen
class Variant:
    """What is different on the models whose `*IDN?` holds `pattern`. None: as in the dialect; an operation: absent."""

    pattern: str
    operations: Mapping[str, Operation | None] = field(default_factory=dict)
    outputs: int | None = None
    output_names: Mapping[int, str] | None = None
    output_scope: str | None = None
    clear_re_energises: bool | None = None


@frozen
class Dialect:
    """One dialect file. An operation that is absent here cannot be done; the tool must say so."""

    name: str
    role: str
    """'supply', 'meter', 'load', 'scanner' or 'scope'."""
    operations: Mapping[str, Operation]
    functions: Mapping[str, str] = field(default_factory=dict)
    """Meter only: our function name ('dc volts', 'ohms') -> the instrument's."""
    modes: Mapping[str, str] = field(default_factory=dict)
    """Load only: our name of a mode (LOAD_MODES) -> the instrument's. One that is absent, it has not got."""
    identity_pattern: str = ""
    write_end: str = "\n"
    read_end: str = "\n"
    """'': replies have no end; `quiet` seconds of silence end them."""
    quiet: float = 0.0
    gap: float = 0.0
    """Seconds to keep between messages."""
    acknowledge: str = ""
    """The line that answers every message that was told, such as OK; '' for none."""
    acknowledge_scope: str = "tells"
    """'tells', or 'everything': after a query's data too."""
    echo: str = "none"
    """What comes back of what is sent: 'none', 'lines', 'characters' (each is to be waited for)."""
    prompt: str = ""
    """What stands in front of lines and means nothing."""
    greeting: tuple[str, ...] = ()
    """Sent before `*IDN?`; may hold {address}."""
    opening: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Kind of link (LINK_KINDS) -> messages after every identification. They change no output."""
    closing: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """The same before closing: back to local."""
    port: PortSettings = PortSettings()
    outputs: int = 0
    """Supply and load: how many outputs, or channels, it has, numbered from 1; 0: not stated."""
    output_names: Mapping[int, str] = field(default_factory=dict)
    """Supply and load: output number -> what {name} is in its texts."""
    output_scope: str = "each"
    """'each' or 'all': what one output switch switches."""
    watchdog_scope: str = "all"
    """'each' or 'all': what the communication watchdog switches off."""
    clear_re_energises: bool = False
    """Clearing a trip may bring the output back on."""
    over_range_from: float = 9.8e37
    """Magnitudes from here on are over-range replies."""
    timeout: float = 2.0
    """Seconds an answer may take (a meter's integration time comes on top)."""
    over_range_words: tuple[str, ...] = ()
    """Words for over range beside those that all instruments write."""
    ranges: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    """Meter only: our function name -> full-scale values it can be fixed to, base units, ascending."""
    range_words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Meter only: our function name -> what {range} is for each of its `ranges`; absent: the number."""
    speeds: Mapping[str, float] = field(default_factory=dict)
    """Meter only: what {speed} can be -> seconds that one reading takes then."""
    settling: float = 0.0
    """Scanner only: seconds from a relay that has moved to a reading."""
    one_at_a_time: bool = False
    """Scanner only: closing a channel opens every other one."""
    divisions: int = 8
    """Scope only: divisions from the bottom of its screen to the top. What fills them all is clipped."""
    configure_presets: bool = False
    """Meter only: setting function and range also sets automatic zero and an input of 10 megohm."""
    variants: tuple[Variant, ...] = ()
    checked_against: str = ""
    path: str = ""


def applies(dialect: Dialect, operation: str, function: str) -> bool:
    """Whether the dialect has the operation, and uses it for that function of a meter."""
    entry = dialect.operations.get(operation)
    return entry is not None and (not entry.functions or function in entry.functions)


def usable(dialect: Dialect, operation: str, mode: str) -> bool:
    """Whether the dialect can tell a load the operation, and it counts in that mode."""
    entry = dialect.operations.get(operation)
    return entry is not None and bool(entry.send) and (not entry.modes or mode in entry.modes)


def configuring(dialect: Dialect, function: str, *, fixed: bool) -> str | None:
    """Return the operation that sets a meter to a function, on a fixed range or an automatic one; None: there is none.

    A dialect without `configure_auto` spells an automatic range within `configure`.
    """
    automatic = "configure_auto" if "configure_auto" in dialect.operations else "configure"
    wanted = (("configure",) if fixed else ()) + (automatic, "configure_function")
    return next((name for name in wanted if applies(dialect, name, function) and can_tell(dialect, name)), None)


def can_ask(dialect: Dialect, operation: str) -> bool:
    """Whether the dialect has a query for the operation."""
    return operation in dialect.operations and bool(dialect.operations[operation].query)


def can_tell(dialect: Dialect, operation: str) -> bool:
    """Whether the dialect can tell an instrument to do the operation."""
    return operation in dialect.operations and bool(dialect.operations[operation].send)
