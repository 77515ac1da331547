"""How a simulated instrument behaves on its socket: the bad manners that real instruments and networks have."""

from __future__ import annotations

from enum import StrEnum

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
