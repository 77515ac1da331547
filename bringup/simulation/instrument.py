"""The boundary of the simulation: a message in, and in simulated time a reply out.

An instrument works on one message as an Exchange; what carries messages (memory_link, server) resumes it when the
time it named has come, so that several instruments share one world whose time never runs backwards.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Protocol

from bringup.core.frozen import frozen

MESSAGE_BYTES = 4096
"""A longer program message is thrown away whole (error -363)."""

Exchange = Generator[float, float, bytes | None]
"""One message being worked on. Yields the simulated time at which it wants to go on; is sent the time at which it is
resumed (never earlier, maybe later); returns the response message without its end, None where there is none."""


class Instrument(Protocol):
    """One simulated instrument. It works on one message at a time: the carrier sees to that."""

    def exchange(self, message: bytes, now: float) -> Exchange:
        """Work on one program message (without its end) that came at time `now`. Never raises for what it says."""

    def overrun(self) -> None:
        """Note that a message was too long and was thrown away."""

    def interrupted(self) -> None:
        """Note that a new message came before the response to the former one was fetched, which is lost."""


@frozen
class Outcome:
    """What became of one message."""

    reply: bytes | None
    ready_at: float
    """Simulated time at which the reply is there, or at which a message without one has been carried out."""


def take(instrument: Instrument, message: bytes, now: float) -> Outcome:
    """Carry one message through to its end, with nobody else using the world meanwhile."""
    exchange = instrument.exchange(message, now)
    at = now
    try:
        wanted = next(exchange)
        while True:
            at = max(at, wanted)
            wanted = exchange.send(at)
    except StopIteration as end:
        return Outcome(end.value, at)
