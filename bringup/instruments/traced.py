"""A session that tells what goes over it, and a link that tells what came of it: what `--trace` keeps."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Protocol

from bringup.core.dialect import Message
from bringup.instruments.visa_link import VisaLink
from bringup.instruments.visa_open import open_session
from bringup.instruments.wire import Broken, Session, Wire
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault, Reply


class Note(Protocol):
    """Somebody who keeps what happens (host.traffic_file). Never raises, never blocks."""

    def __call__(self, who: str, what: str, words: str = "", data: bytes = b"", at: float | None = None) -> None:
        """Keep it, with the time of the call or monotonic time `at`. Words and what is quoted: core.traffic.EVENTS."""


class TracedSession:
    """Another session (wire.Session), and what goes over it told to `note`."""

    def __init__(self, session: Session, who: str, note: Note) -> None:
        self.joins_writes = session.joins_writes
        self._session = session
        self._who = who
        self._note = note

    def write(self, data: bytes) -> None:
        """Send. Told first: what was to be sent when the session broke is worth knowing."""
        self._note(self._who, "out", data=data)
        try:
            self._session.write(data)
        except Broken as broken:
            self._broke(broken, "unsent")
            raise

    def receive(self, until: float) -> tuple[bytes, bool]:
        """Return bytes, and whether they end a message; (b"", False) if none came by monotonic time `until`."""
        begun = time.monotonic()
        try:
            data, ended = self._session.receive(until)
        except Broken as broken:
            self._broke(broken)
            raise
        if data:
            self._note(self._who, "in", "end" if ended else "part", data)
        elif until > begun:
            self._note(self._who, "silent", f"{time.monotonic() - begun:.3f}")
        return data, ended

    def waiting(self) -> bool:
        """Whether bytes have come that nobody has fetched yet."""
        try:
            return self._session.waiting()
        except Broken as broken:
            self._broke(broken)
            raise

    def close(self) -> None:
        """Let go."""
        self._note(self._who, "closed")
        self._session.close()

    def _broke(self, broken: Broken, what: str = "broken") -> None:
        self._note(self._who, what, broken.fault.name.lower(), broken.why.encode())


def traced(connect: Callable[[], Session], who: str, resource: str, note: Note) -> Callable[[], Session]:
    """Return a `connect` whose sessions tell `note` what goes over them."""

    def connect_and_tell() -> Session:
        try:
            session = connect()
        except Broken as broken:
            note(who, "not_opened", broken.fault.name.lower(), broken.why.encode())
            raise
        note(who, "opened", "joined" if session.joins_writes else "single", resource.encode())
        return TracedSession(session, who, note)

    return connect_and_tell


class TracedLink(VisaLink):
    """A link whose sessions are traced, and that tells besides which lines answered nothing, and what was given up."""

    def __init__(
        self,
        role: str,
        resource: str,
        wire: Wire,
        *,
        backend: str = "@py",
        wake: Callable[[], None] = lambda: None,
        note: Note,
        who: str = "",
    ) -> None:
        """`who`: what it is called in the trace; '' by its role."""
        self._role = who or role
        self._note = note
        connect = traced(lambda: open_session(resource, backend, wire), self._role, resource, note)
        super().__init__(role, resource, wire, backend=backend, wake=wake, connect=connect)

    def submit(self, messages: Sequence[Message]) -> Pending[tuple[Reply, ...]]:
        """Exchange these, as any link does."""
        pending = super().submit(messages)
        pending.then(self._tell)
        return pending

    def _tell(self, replies: tuple[Reply, ...]) -> None:
        for reply in replies:
            for line in reply.strays:
                self._note(self._role, "stray", data=line.encode("latin-1", "replace"))
            if reply.fault is None and reply.message.expects is not None:
                self._note(self._role, "took", f"{reply.received - reply.sent:.6f}", at=reply.received)
            if reply.fault not in {None, LinkFault.NOT_SENT, LinkFault.REFUSED}:
                assert reply.fault is not None
                self._note(self._role, "failed", reply.fault.name.lower(), reply.why.encode())
