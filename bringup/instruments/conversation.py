"""The conversation with one instrument over one session: opening, identifying, asking, hearing, and starting anew.

Runs in the instrument's worker thread only and blocks there. It knows lines and messages, not pyvisa; whatever a
session throws reaches it as a Broken.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Sequence
from typing import Protocol

from bringup.core.bench import Identity
from bringup.core.dialect import Message
from bringup.core.frozen import frozen
from bringup.core.replies import ReplyKind, can_answer, read_identity
from bringup.runner.records import LinkFault, Reply

MOST_BYTES = 1 << 20
"""A line longer than this is no answer to anything we ask."""
MOST_STRAYS = 20
"""Stray lines kept of one reply: an instrument gone mad must not fill the memory."""
IDENTIFY = Message("*IDN?", ReplyKind.IDENTITY, 3.0)
BLANK = "\0 \t\r\n"
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
    """How messages travel: their ends, the gap between them, and how long opening may take. Seconds."""

    write_end: str = "\n"
    read_end: str = "\n"
    gap: float = 0.0
    identify: Message = IDENTIFY
    recovery: float = 3.0
    """How long reopening may be tried before a batch is given up."""


class Conversation:
    """What is said to one instrument and what it says. `identity` is what it last answered to `*IDN?`."""

    def __init__(
        self, connect: Callable[[], Session], wire: Wire, cancelled: threading.Event, identity: Identity | None = None
    ) -> None:
        self.identity = identity
        self._connect = connect
        self._wire = wire
        self._cancelled = cancelled
        self._session: Session | None = None
        self._buffer = bytearray()
        self._stale_head = False
        self._last = 0.0
        self._back_by = math.inf
        self._write_end = wire.write_end.encode("latin-1")
        self._read_end = wire.read_end.encode("latin-1")[-1:] or b"\n"

    @property
    def is_open(self) -> bool:
        """Whether there is a session that has answered to everything so far."""
        return self._session is not None

    def hangs(self, now: float) -> bool:
        """Whether a call that should have returned by now has not: for any thread to ask."""
        return now > self._back_by

    def open(self) -> None:
        """Connect and identify, unless that was done. Raises Broken."""
        give_up = time.monotonic() + self._wire.recovery
        pause = 0.05
        while self._session is None:
            self._back_by = time.monotonic() + self._wire.identify.timeout + WRITE_WITHIN + MARGIN
            try:
                self._open_once()
            except Broken as broken:
                self.close()
                self._back_by = math.inf
                returns = self.identity is not None and broken.fault is not LinkFault.OTHER_INSTRUMENT
                if not returns or time.monotonic() + pause > give_up or self._cancelled.wait(pause):
                    raise
                pause *= 2
        self._back_by = math.inf

    def close(self) -> None:
        """Close the session; the next exchange opens another one."""
        session, self._session = self._session, None
        self._buffer.clear()
        self._stale_head = False
        if session is not None:
            session.close()

    def exchange(self, messages: Sequence[Message]) -> tuple[Reply, ...]:
        """Send the messages and hear their answers, one Reply each. Never raises."""
        replies: list[Reply] = []
        try:
            self.open()
            assert self._session is not None
            for group in grouped(messages, joined=self._session.joins_writes and self._wire.gap == 0):
                self._exchange_group(self._session, group, replies)
        except Broken as broken:
            self.close()
            replies += unanswered(messages[len(replies) :], broken.fault, broken.why)
        finally:
            self._back_by = math.inf
        return tuple(replies)

    def _exchange_group(self, session: Session, group: Sequence[Message], replies: list[Reply]) -> None:
        """Send messages of which only the last may be a query. Appends their replies; raises Broken after a fault."""
        last = group[-1]
        strays = self._stale_lines(session) if last.expects is not None else []
        sent = self._send(session, group)
        replies += [Reply(message, None, sent, sent) for message in group if message.expects is None]
        if last.expects is None:
            return
        try:
            line = self._answer(session, last.expects, sent + last.timeout, strays)
        except Broken as broken:
            replies.append(Reply(last, None, sent, time.monotonic(), broken.fault, kept(strays), broken.why))
            raise Broken(LinkFault.NOT_SENT, "an earlier message was not answered") from broken
        self._last = time.monotonic()
        replies.append(Reply(last, line, sent, self._last, None, kept(strays)))

    def _send(self, session: Session, group: Sequence[Message]) -> float:
        """Keep the gap, write, and return when."""
        rest = self._last + self._wire.gap - time.monotonic()
        if rest > 0:
            time.sleep(rest)
        if self._cancelled.is_set():
            raise Broken(LinkFault.LOST, "the link was given up")
        # Each message has its own time-out, so a call that never returns shows long before the batch's deadline.
        self._back_by = time.monotonic() + WRITE_WITHIN + MARGIN
        session.write(b"".join(message.text.encode("latin-1", "replace") + self._write_end for message in group))
        self._last = time.monotonic()
        self._back_by = self._last + group[-1].timeout + MARGIN
        return self._last

    def _answer(self, session: Session, kind: ReplyKind, until: float, strays: list[str]) -> str:
        """Return the first line that can be the answer; others become strays. Raises Broken after `until`."""
        while True:
            line = self._next_line(session, until)
            if line is None:
                raise Broken(LinkFault.TIMEOUT, "no answer in time")
            if can_answer(kind, line):
                return line
            if line:
                strays.append(line)
            if time.monotonic() > until:
                raise Broken(LinkFault.TIMEOUT, "no answer in time, only lines that answer something else")

    def _stale_lines(self, session: Session) -> list[str]:
        """Fetch what came before we asked: it answers nothing. A half line marks the line it will become."""
        stale: list[str] = []
        if not self._buffer and not session.waiting():
            return stale
        now = time.monotonic()
        while True:
            line = self._next_line(session, now)
            if line is None:
                break
            if line:
                stale.append(line)
            if len(stale) > MOST_STRAYS * 50:
                raise Broken(LinkFault.LOST, "it sends line after line without being asked")
        if self._buffer:
            stale.append(self._buffer.decode("latin-1").strip(BLANK))
            self._stale_head = True
        return stale

    def _next_line(self, session: Session, until: float) -> str | None:
        """Return the next line without its end and blanks, None if none is complete by `until`."""
        while True:
            end = self._buffer.find(self._read_end)
            if end >= 0:
                line = bytes(self._buffer[:end])
                del self._buffer[: end + 1]
                text = line.decode("latin-1").strip(BLANK)
                if not self._stale_head:
                    return text
                self._stale_head = False
                continue
            if len(self._buffer) > MOST_BYTES:
                raise Broken(LinkFault.LOST, f"it sent {MOST_BYTES} bytes without the end of a line")
            data, ended = session.receive(until)
            if not data:
                return None
            self._buffer += data
            if ended and not self._buffer.endswith(self._read_end):
                self._buffer += self._read_end

    def _open_once(self) -> None:
        """Connect and ask who it is. Nothing else goes out before it has answered."""
        self._session = session = self._connect()
        sent = self._send(session, (self._wire.identify,))
        until = sent + self._wire.identify.timeout
        other: Identity | None = None
        while (line := self._next_line(self._session, until)) is not None and time.monotonic() < until:
            if not can_answer(ReplyKind.IDENTITY, line):
                continue
            identity = read_identity(line)
            if self.identity is None or same_instrument(identity, self.identity):
                self.identity = identity
                return
            other = identity
        if other is not None and self.identity is not None:
            raise Broken(LinkFault.OTHER_INSTRUMENT, f"{other.text!r} answers where {self.identity.text!r} did before")
        raise Broken(
            LinkFault.TIMEOUT,
            f"it takes the connection but does not answer {self._wire.identify.text}: "
            "another program may hold it, or it is not a SCPI instrument",
        )


def grouped(messages: Sequence[Message], *, joined: bool) -> list[Sequence[Message]]:
    """Split into what goes out in one write: each message alone, or, `joined`, up to and with the next query."""
    if not joined:
        return [(message,) for message in messages]
    groups: list[Sequence[Message]] = []
    start = 0
    for index, message in enumerate(messages, 1):
        if message.expects is not None or index == len(messages):
            groups.append(messages[start:index])
            start = index
    return groups


def unanswered(messages: Sequence[Message], fault: LinkFault, why: str) -> list[Reply]:
    """Return a Reply for each: the first with `fault`, the others not sent."""
    now = time.monotonic()
    replies = []
    for message in messages:
        replies.append(Reply(message, None, now, now, fault, why=why))
        fault = LinkFault.NOT_SENT
    return replies


def kept(strays: list[str]) -> tuple[str, ...]:
    """Return the strays, of very many only the first."""
    if len(strays) <= MOST_STRAYS:
        return tuple(strays)
    return (*strays[:MOST_STRAYS], f"... and {len(strays) - MOST_STRAYS} more lines")


def same_instrument(one: Identity, other: Identity) -> bool:
    """Whether maker, model and serial number agree (firmware may be worded anew after a restart)."""
    return (one.maker, one.model, one.serial) == (other.maker, other.model, other.serial)
