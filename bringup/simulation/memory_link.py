"""The in-memory carrier: a Link whose other end is a simulated instrument, in the time of a SimulatedClock.

Used wherever a whole attempt runs in one process without waiting. Behaves as a socket would: opening identifies,
a time-out closes, and nothing goes out again before the instrument has told who it is.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from bringup.core.bench import Identity
from bringup.core.dialect import Dialect, Message
from bringup.core.replies import ReplyKind, read_identity
from bringup.core.spelling import filled, who_is_there
from bringup.core.understanding import can_be_answer
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault, Reply
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.instrument import Exchange, Instrument

IDENTIFY = Message("*IDN?", ReplyKind.IDENTITY)


@dataclass(slots=True)
class Troubles:
    """What goes wrong on this link, in simulated seconds. Tests may change it while the link is in use."""

    lost_at: float = math.inf
    """From here on the link is gone: messages under way and later ones are LOST and not carried out."""
    silent_from: float = math.inf
    silent_until: float = math.inf
    """Between these two nothing is answered."""
    obeys_while_silent: bool = False
    """Whether what is sent meanwhile is carried out all the same."""
    late_from: float = math.inf
    late_by: float = 0.0
    """From `late_from` on every answer comes `late_by` seconds later."""
    identity: str | None = None
    """Another answer to `*IDN?`, as of an instrument that took this one's place."""
    garbage: dict[str, str] = field(default_factory=dict)
    """Message text -> line that is answered instead. One that cannot be the answer is a stray, and the wait goes on."""


class _Batch:
    """Messages that go out together, and what has come of them."""

    __slots__ = ("gives_way", "messages", "pending", "replies")

    def __init__(self, messages: Sequence[Message], pending: Pending[tuple[Reply, ...]]) -> None:
        self.messages = tuple(messages)
        self.pending = pending
        self.replies: list[Reply] = []
        self.gives_way = False


class MemoryLink:
    """One client of one simulated instrument (runner.protocols.Link). At most one link per instrument."""

    def __init__(
        self,
        name: str,
        instrument: Instrument,
        clock: SimulatedClock,
        *,
        troubles: Troubles | None = None,
        dialect: Dialect | None = None,
        address: int | None = None,
    ) -> None:
        """`dialect`, `address`: how it is greeted, and what is said after it has told who it is, as over a network."""
        self._name = name
        self._instrument = instrument
        self._clock = clock
        self.troubles = troubles if troubles is not None else Troubles()
        self._identity: Identity | None = None
        self._first: Identity | None = None
        self._greeting = () if dialect is None else tuple(filled(text, address=address) for text in dialect.greeting)
        opening = {} if dialect is None else dialect.opening
        self._opening = (*opening.get("lan", ()), *opening.get("any", ()))
        self._identify = IDENTIFY if dialect is None else who_is_there(dialect)
        self._acknowledge = "" if dialect is None else dialect.acknowledge
        self._open = False
        self._closed = False
        self._batches: deque[_Batch] = deque()
        self._working = False
        self._desk: deque[tuple[bytes, Callable[[bytes | None], None]]] = deque()
        self._busy = False
        self.sent: list[str] = []
        """Every message that went out, in order (for tests and for whoever wants to see the traffic)."""

    @property
    def name(self) -> str:
        """Role and resource."""
        return self._name

    @property
    def identity(self) -> Identity | None:
        """What it last answered to `*IDN?`."""
        return self._identity

    def submit(self, messages: Sequence[Message]) -> Pending[tuple[Reply, ...]]:
        """Exchange these in order; the Pending settles in a scheduled event."""
        allowed = IDENTIFY.timeout + sum(message.timeout + message.gap for message in messages)
        queued = sum(one.timeout + one.gap for batch in self._batches for one in batch.messages)
        pending: Pending[tuple[Reply, ...]] = Pending(
            self._clock.monotonic() + allowed + queued + 1.0, self._clock.wake
        )
        self._batches.append(_Batch(messages, pending))
        if not self._working:
            self._next_batch()
        return pending

    def hurry(self) -> None:
        """Send nothing more of what was submitted so far."""
        for batch in self._batches:
            batch.gives_way = True

    def close(self) -> None:
        """Close for good: what is under way or waiting is LOST."""
        self._closed = True
        for batch in self._batches:
            self._end(batch, LinkFault.LOST)
        self._batches.clear()

    # one batch after the other, one message after the other

    def _next_batch(self) -> None:
        self._working = bool(self._batches)
        if not self._batches:
            return
        batch = self._batches[0]
        if self._open:
            self._step(batch, iter(batch.messages))
        else:
            for text in self._greeting:
                self._send(Message(text), lambda _: None)
            self._send(self._identify, lambda reply: self._opened(batch, reply))

    def _opened(self, batch: _Batch, reply: Reply) -> None:
        fault = reply.fault
        if fault is None and reply.line is not None:
            self._identity = read_identity(reply.line)
            self._first = self._first or self._identity
            if self._identity.text != self._first.text:
                fault = LinkFault.OTHER_INSTRUMENT
        if fault is not None:
            self._finish(batch, fault)
            return
        self._open = True
        for text in self._opening:
            self._send(Message(text), lambda _: None)
        self._step(batch, iter(batch.messages))

    def _step(self, batch: _Batch, rest: Iterator[Message]) -> None:
        message = next(rest, None)
        if message is None or batch.gives_way:
            self._finish(batch, None if message is None else LinkFault.GAVE_WAY)
            return

        def answered(reply: Reply) -> None:
            batch.replies.append(reply)
            if reply.fault is None and message.gap > 0:
                self._clock.at(self._clock.monotonic() + message.gap, lambda: self._step(batch, rest), wakes=False)
            elif reply.fault is None:
                self._step(batch, rest)
            else:
                self._open = reply.fault is LinkFault.REFUSED
                self._finish(batch, None)

        self._send(message, answered)

    def _finish(self, batch: _Batch, fault: LinkFault | None) -> None:
        if self._batches and self._batches[0] is batch:
            self._batches.popleft()
        self._clock.at(self._clock.monotonic(), lambda: self._end(batch, fault), wakes=False)
        self._next_batch()

    def _end(self, batch: _Batch, fault: LinkFault | None) -> None:
        """Settle: the first message without a reply gets `fault`, those after it were not sent."""
        now = self._clock.monotonic()
        replies = list(batch.replies)
        for message in batch.messages[len(replies) :]:
            replies.append(Reply(message, None, now, now, fault or LinkFault.NOT_SENT))
            fault = None
        batch.pending.settle(tuple(replies))

    # one message

    def _send(self, message: Message, answered: Callable[[Reply], None]) -> None:
        """Send one message; `answered` is called once, in an event or at once."""
        clock, troubles = self._clock, self.troubles
        sent = clock.monotonic()
        if self._closed or sent >= troubles.lost_at:
            answered(Reply(message, None, sent, sent, LinkFault.LOST))
            return
        self.sent.append(message.text)
        waits = message.expects is not None
        strays, open_ = list[str](), [True]

        def conclude(line: str | None, fault: LinkFault | None) -> None:
            if line is not None and waits and not can_be_answer(message, line):
                strays.append(line)
            elif open_[0]:
                open_[0] = False
                answered(Reply(message, line, sent, clock.monotonic(), fault, tuple(strays)))

        if waits:
            clock.at(sent + message.timeout, lambda: conclude(None, LinkFault.TIMEOUT), wakes=False)
            if troubles.lost_at < sent + message.timeout:
                clock.at(troubles.lost_at, lambda: conclude(None, LinkFault.LOST), wakes=False)
        if troubles.silent_from <= sent < troubles.silent_until and not troubles.obeys_while_silent:
            if not waits:
                conclude(None, None)
            return
        self._desk.append((message.text.encode("latin-1", "replace"), self._deliverer(message, conclude)))
        if not self._busy:
            self._busy = True
            clock.at(sent, self._serve, wakes=False)

    def _deliverer(
        self, message: Message, conclude: Callable[[str | None, LinkFault | None], None]
    ) -> Callable[[bytes | None], None]:
        """Return what hands the instrument's reply to the client, with the troubles on its way."""

        def deliver(reply: bytes | None) -> None:
            troubles, now = self.troubles, self._clock.monotonic()
            if message.expects is None:
                refused = bool(self._acknowledge) and reply is not None and reply.decode("latin-1") != self._acknowledge
                conclude(None, LinkFault.REFUSED if refused else None)
                return
            line = None if reply is None else reply.decode("latin-1")
            if troubles.identity is not None and message.text == self._identify.text:
                line = troubles.identity
            line = troubles.garbage.get(message.text, line)
            if line is None or now >= troubles.lost_at or troubles.silent_from <= now < troubles.silent_until:
                return
            if now >= troubles.late_from:
                self._clock.at(now + troubles.late_by, lambda: conclude(line, None), wakes=False)
            else:
                conclude(line, None)

        return deliver

    # the instrument's side: one exchange at a time, to its end even if nobody waits any more

    def _serve(self) -> None:
        if not self._desk:
            self._busy = False
            return
        text, deliver = self._desk.popleft()
        self._resume(self._instrument.exchange(text, self._clock.monotonic()), deliver, first=True)

    def _resume(self, exchange: Exchange, deliver: Callable[[bytes | None], None], *, first: bool = False) -> None:
        try:
            wanted = next(exchange) if first else exchange.send(self._clock.monotonic())
        except StopIteration as end:
            deliver(end.value)
            self._clock.at(self._clock.monotonic(), self._serve, wakes=False)
            return
        self._clock.at(wanted, lambda: self._resume(exchange, deliver), wakes=False)
