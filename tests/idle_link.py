"""A link to an instrument that drops whoever has not spoken for some seconds: noticed only by what is not answered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from bringup.core.bench import Identity
from bringup.core.dialect import Message
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault, Reply
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.memory_link import MemoryLink


@dataclass
class IdleLink:
    """Passes everything on; the first batch after `idle` seconds goes into the void, the one after it to a new link.

    What only told something looks sent, as on a socket whose other end has gone; the first question brings the loss.
    """

    link: MemoryLink
    clock: SimulatedClock
    idle: float
    last: float = 0.0
    dropped: list[tuple[str, ...]] = field(default_factory=list)

    @property
    def name(self) -> str:
        return self.link.name

    @property
    def identity(self) -> Identity | None:
        return self.link.identity

    def submit(self, messages: Sequence[Message]) -> Pending[tuple[Reply, ...]]:
        now = self.clock.monotonic()
        idle, self.last = now - self.last, now
        if idle < self.idle:
            return self.link.submit(messages)
        self.dropped.append(tuple(message.text for message in messages))
        fault: LinkFault | None = None
        replies = []
        for message in messages:
            lost = LinkFault.LOST if message.expects is not None and fault is None else fault
            fault = LinkFault.NOT_SENT if lost is not None else None
            replies.append(Reply(message, None, now, now, lost, why="it closed the connection"))
        pending: Pending[tuple[Reply, ...]] = Pending(now + 1.0, self.clock.wake)
        pending.settle(tuple(replies))
        return pending

    def hurry(self) -> None:
        self.link.hurry()

    def close(self) -> None:
        self.link.close()
