"""How messages travel to one instrument, what an open session to it is, and how a session ends.

Shared by the conversation and by every kind of session; no pyvisa here.
"""

from __future__ import annotations

from typing import Protocol

from bringup.core.dialect import Message
from bringup.core.frozen import frozen
from bringup.core.replies import ReplyKind
from bringup.core.serial_port import PortSettings
from bringup.runner.records import LinkFault

MOST_BYTES = 1 << 20
"""A line longer than this is no answer to anything we ask."""
IDENTIFY = Message("*IDN?", ReplyKind.IDENTITY, 3.0)
BLANK = "\0 \t\r\n"
"""What may stand around a line and means nothing: some instruments pad with NUL."""
MARGIN = 0.5
"""Seconds on top of all time-outs before a worker counts as lost."""
WRITE_WITHIN = 2.0
"""Seconds in which an instrument must take what is written to it."""


class Broken(Exception):  # noqa: N818 - what a session is then
    """The session cannot go on: why, as a fault and in words."""

    def __init__(self, fault: LinkFault, why: str) -> None:
        super().__init__(why)
        self.fault = fault
        self.why = why


class Refusal(Exception):  # noqa: N818 - what the instrument said
    """The instrument says that it will not do what it was told. The session is sound."""

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why


class Session(Protocol):
    """One open connection. Every method may raise Broken and nothing else."""

    joins_writes: bool
    """Whether consecutive messages have to go out in one write, lest they wait for each other on the way."""

    def write(self, data: bytes) -> None:
        """Send."""

    def receive(self, until: float) -> tuple[bytes, bool]:
        """Return bytes, and whether they end a message; (b"", False) if none came by monotonic time `until`."""

    def waiting(self) -> bool:
        """Whether bytes have come that nobody has fetched yet."""

    def close(self) -> None:
        """Let go."""


@frozen
class Wire:
    """How messages travel: their ends, the gaps between them, what stands around them. Times in seconds."""

    write_end: str = "\n"
    read_end: str = "\n"
    """'': replies have no end; `quiet` seconds of silence end them, and so does a line feed."""
    quiet: float = 0.05
    gap: float = 0.0
    identify: Message = IDENTIFY
    recovery: float = 3.0
    """How long reopening may be tried before a batch is given up."""
    patience: float = 0.0
    """How long the first opening may be tried anew at one that takes the connection and says nothing: it starts up."""
    acknowledge: str = ""
    """The line that answers what was told; another one there is a refusal."""
    acknowledges_everything: bool = False
    """Whether it follows the answer to a query, too."""
    echo: str = "none"
    """What comes back of what is sent: 'none', 'lines', 'characters' (each is waited for before the next goes out)."""
    prompt: str = ""
    """What stands in front of lines and means nothing."""
    greeting: tuple[Message, ...] = ()
    """Goes out before `*IDN?`: it says whom of several on one cable we speak to, and sets nothing."""
    opening: tuple[Message, ...] = ()
    """Goes out after every identification."""
    closing: tuple[Message, ...] = ()
    """Goes out before a link that works is closed for good."""
    port: PortSettings = PortSettings()

    @property
    def answers_what_is_told(self) -> bool:
        """Whether a message that asks for nothing is answered all the same."""
        return bool(self.acknowledge) or self.echo != "none"
