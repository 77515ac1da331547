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
    """Passes everything on; what is sent after `idle` seconds goes into the void, until a question brings the loss.

    What only told something looks sent, as on a socket whose other end has gone. After the loss there is a new link.
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
        if now - self.last < self.idle:
            self.last = now
            return self.link.submit(messages)
        if any(message.expects is not None for message in messages):
            self.last = now
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
