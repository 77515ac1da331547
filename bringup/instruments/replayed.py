"""A link whose instrument is a trace: what is sent is compared with what was sent then, and answered as it was then.

Opens nothing and never waits: the conversation is the one that real instruments get (conversation.Conversation), over
a session that reads the trace; when things happen is what the trace says.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Container, Sequence
from dataclasses import replace
from typing import Protocol

from bringup.core.bench import Identity
from bringup.core.dialect import Message
from bringup.core.frozen import frozen
from bringup.core.traffic import Event, escaped
from bringup.instruments.batches import encoded, unanswered
from bringup.instruments.conversation import Conversation
from bringup.instruments.course import Course
from bringup.instruments.wire import Broken, Wire
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault, Reply

NEVER = 1e9
"""Seconds: how long opening is tried is what the trace says, and no clock."""


class Clock(Protocol):
    """The time of a replay."""

    def monotonic(self) -> float:
        """Seconds since the trace began."""

    def at(self, time: float, callback: Callable[[], None], *, wakes: bool = True) -> None:
        """Call `callback` then."""

    def wake(self) -> None:
        """End the wait now."""

    def spend(self, until: float) -> None:
        """Let time pass until then."""


class ReplayedSession:
    """One connection in a trace (wire.Session)."""

    def __init__(self, course: Course, *, joins_writes: bool) -> None:
        self.joins_writes = joins_writes
        self._course = course

    def write(self, data: bytes) -> None:
        """Compare. Raises Differs, and Broken where it was so then."""
        event = self._course.next
        if event is None or event.what != "out" or event.data != data:
            raise self._course.differs(f'the {self._course.role} is sent "{escaped(data)}"')
        self._course.take()
        self._course.sent += 1
        self._break("unsent")

    def receive(self, until: float) -> tuple[bytes, bool]:
        """Return what came then; nothing where nothing did before something else was done."""
        del until
        event = self._course.take_if("in")
        if event is not None:
            return event.data, event.words == "end"
        self._break("broken")
        self._course.take_if("silent")
        return b"", False

    def waiting(self) -> bool:
        """Whether bytes came that nobody had fetched."""
        self._break("broken")
        return self._course.next is not None and self._course.next.what == "in"

    def close(self) -> None:
        """Let go, as was done then."""
        self._course.take_if("closed")

    def _break(self, what: str) -> None:
        if (event := self._course.take_if(what)) is not None:
            raise _broken(event)


class _TriedOn(threading.Event):
    """Whether opening was given up: it was tried again then, or it was not."""

    def __init__(self, course: Course) -> None:
        super().__init__()
        self._course = course

    def wait(self, timeout: float | None = None) -> bool:
        """Return at once whether there was no other try."""
        del timeout
        return self._course.next is None or self._course.next.what not in {"opened", "not_opened"}


@frozen
class _Look:
    """The last batch of nothing but questions, and what came of it."""

    data: bytes = b""
    replies: tuple[Reply, ...] = ()
    lasts: float = 0.0
    is_latest: bool = False
    """Whether nothing else has gone out since."""
    repeated: bool = False


class ReplayedLink:
    """An instrument in a trace (runner.protocols.Link), in the time of the trace. Every call may raise Differs."""

    def __init__(
        self, name: str, wire: Wire, course: Course, clock: Clock, looks: Container[str] | None = None
    ) -> None:
        """`looks`: where it is looked at at an interval, the messages in looks that only say which output is meant."""
        self.name = name
        self.other_looks = 0
        """Looks at the supply that this replay made and the trace has not, or the other way round."""
        self._selecting = looks
        self._end = wire.write_end.encode("latin-1")
        self._last_look = _Look()
        self._course = course
        self._clock = clock
        self._gap = wire.gap
        self._busy_until = 0.0
        self._closed = False
        wire = replace(wire, gap=0.0, recovery=NEVER, patience=NEVER)
        self._conversation = Conversation(self._connect, wire, _TriedOn(course))

    @property
    def identity(self) -> Identity | None:
        """What it last answered to `*IDN?`."""
        return self._conversation.identity

    def open(self) -> None:
        """Do what was done to open it. Raises Broken where that did not work then."""
        self._conversation.open()
        self._busy_until = self._course.at

    def submit(self, messages: Sequence[Message]) -> Pending[tuple[Reply, ...]]:
        """Exchange these. The Pending settles when the last answer came then."""
        batch, now = tuple(messages), self._clock.monotonic()
        if self._closed:
            closed: Pending[tuple[Reply, ...]] = Pending(now, self._clock.wake)
            closed.settle(tuple(unanswered(batch, LinkFault.LOST, "the link was closed")))
            return closed
        if self._is_another_look(batch):
            return self._as_at_the_last_look()
        sent_at = self._course.next_sent_at()
        if sent_at is not None and now >= self._busy_until:
            # What was done between the last answer and this message took its time.
            self._clock.spend(sent_at - self._gap)
        replies = tuple(self._as_then(reply) for reply in self._conversation.exchange(batch, self._gave_way))
        if (failed := self._course.take_if("failed")) is not None:
            replies = tuple(_with_fault(replies, failed))
        self._busy_until = max(self._clock.monotonic(), self._course.at)
        pending: Pending[tuple[Reply, ...]] = Pending(self._busy_until + 1.0, self._clock.wake)
        self._clock.at(self._busy_until, lambda: pending.settle(replies), wakes=False)
        self._remember(batch, replies)
        return pending

    def hurry(self) -> None:
        """What gave way then is what gives way now."""

    def _gave_way(self) -> bool:
        """Whether no more of a batch was sent then: it came to what is noted once it is over."""
        event = self._course.next
        return event is not None and event.what in {"took", "failed"} and self._course.gave_way()

    # Looks at a supply are made five times a second, whatever else is done. By a few milliseconds of work that no trace
    # tells of, one may come before what it came after, or not at all. One more or one less changes nothing.

    def _is_another_look(self, batch: tuple[Message, ...]) -> bool:
        """Whether this is a look that was not made then. Passes over one that was, and is not made now."""
        data = self._bytes(batch)
        last = self._last_look
        if not last.data or self._course.fits(data):
            return False
        if self._course.skip(last.data, data):
            self.other_looks += 1
            return False
        return data == last.data and last.is_latest and not last.repeated

    def _as_at_the_last_look(self) -> Pending[tuple[Reply, ...]]:
        self.other_looks += 1
        self._last_look = last = replace(self._last_look, repeated=True)
        now = self._clock.monotonic()
        done = max(now, self._busy_until) + last.lasts
        replies = tuple(replace(reply, sent=now, received=done) for reply in last.replies)
        pending: Pending[tuple[Reply, ...]] = Pending(done + 1.0, self._clock.wake)
        self._clock.at(done, lambda: pending.settle(replies), wakes=False)
        return pending

    def _remember(self, batch: tuple[Message, ...], replies: tuple[Reply, ...]) -> None:
        """Keep what was answered, if this was a look and all went well."""
        asks = [message.expects is not None for message in batch]
        changing = [message.text for message, is_asked in zip(batch, asks, strict=True) if not is_asked]
        if self._selecting is None or not any(asks) or any(reply.fault for reply in replies):
            self._last_look = replace(self._last_look, is_latest=False)
        elif all(text in self._selecting for text in changing):
            lasts = replies[-1].received - replies[0].sent
            self._last_look = _Look(self._bytes(batch), replies, lasts, is_latest=True)
        else:
            self._last_look = replace(self._last_look, is_latest=False)

    def _bytes(self, batch: tuple[Message, ...]) -> bytes:
        return b"".join(encoded(message) + self._end for message in batch)

    def close(self) -> None:
        """Take leave as was done then."""
        if not self._closed:
            self._closed = True
            self._conversation.leave()

    def _connect(self) -> ReplayedSession:
        if (failed := self._course.take_if("not_opened")) is not None:
            raise _broken(failed)
        opened = self._course.take_if("opened")
        if opened is None:
            raise self._course.differs(f"a connection to the {self._course.role} is opened")
        return ReplayedSession(self._course, joins_writes=opened.words == "joined" and self._gap == 0)

    def _as_then(self, reply: Reply) -> Reply:
        if reply.fault is None and reply.message.expects is not None and (took := self._course.take_if("took")):
            return replace(reply, sent=took.at - float(took.words), received=took.at)
        return replace(reply, sent=self._course.then(reply.sent), received=self._course.then(reply.received))


def _broken(event: Event) -> Broken:
    return Broken(LinkFault[event.words.upper()], event.text)


def _with_fault(replies: Sequence[Reply], failed: Event) -> Sequence[Reply]:
    """Return the replies, the first that is missing as it was missing then."""
    given = False
    made = []
    for reply in replies:
        if reply.fault is not None and not given:
            given = True
            made.append(replace(reply, fault=LinkFault[failed.words.upper()], why=failed.text))
        else:
            made.append(reply)
    return made
