"""How a simulated instrument behaves on its cable: how it speaks, and the bad manners that real ones have."""

from __future__ import annotations

from enum import StrEnum

from bringup.core.dialect import Dialect
from bringup.core.frozen import frozen

GARBAGE = b"\x00\xff~#?!"


class Clients(StrEnum):
    """How many clients an instrument takes at a time."""

    MANY = "many"
    ONE_REFUSES = "one, others are closed"
    ONE_HOLDS = "one, others wait"
    """A second client connects, is not answered, and what it sent is carried out when the first one leaves."""


@frozen
class Manners:
    """How an instrument behaves on its socket. Counts are of messages of one connection, from 0; -1 is never."""

    clients: Clients = Clients.MANY
    latency: float = 0.0
    """Seconds before each message is looked at."""
    silent_after: int = -1
    """From this message on nothing is answered (nor carried out)."""
    garbage_after: int = -1
    """From this message on every answer is garbage."""
    drop_after: int = -1
    """At this message the connection is closed instead, once: later connections are served."""
    late_at: int = -1
    late_by: float = 0.0
    """The answer to this message comes so many seconds later."""
    stale_at: int = -1
    stale: bytes = b"+1.23450000E+00"
    """This line goes out before the answer to that message."""
    identity: bytes | None = None
    """Another answer to `*IDN?`."""
    interrupts: bool = False
    """A message that comes while a response is under way discards that response (-410)."""


POLITE = Manners()


@frozen
class Speech:
    """What stands around messages and replies, as a dialect has it (core.dialect.Dialect says more)."""

    message_end: bytes = b"\n"
    """b"": whatever comes in one piece is a message."""
    reply_end: bytes = b"\n"
    acknowledge: bytes = b""
    acknowledges_everything: bool = False
    echo: str = "none"
    prompt: bytes = b""


PLAIN = Speech()


def speech_of(dialect: Dialect) -> Speech:
    """Return how an instrument speaks that this dialect is for."""
    return Speech(
        dialect.write_end[-1:].encode("latin-1"),
        dialect.read_end.encode("latin-1"),
        dialect.acknowledge.encode("latin-1"),
        dialect.acknowledge_scope == "everything",
        dialect.echo,
        dialect.prompt.encode("latin-1"),
    )
