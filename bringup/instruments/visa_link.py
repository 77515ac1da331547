"""The wire to one instrument through pyvisa: the only door to that library, and the one place where its errors end.

VisaLink is what the runner holds; its worker thread alone opens, uses and closes the VisaSession. pyvisa is imported
there, so that a command that opens nothing never pays for it.
"""

from __future__ import annotations

import atexit
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import Any

from bringup.core.bench import Identity
from bringup.core.dialect import Message
from bringup.errors import LinkError
from bringup.instruments.conversation import MARGIN, WRITE_WITHIN, Broken, Conversation, Session, Wire, unanswered
from bringup.instruments.worker import Worker
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault, Reply

CHUNK = 4096
"""Bytes fetched in one go."""

WORDS = {
    "error_resource_not_found": "there is no such instrument",
    "error_resource_busy": "another program holds it",
    "error_resource_locked": "another program has locked it",
    "error_connection_lost": "the connection is lost",
    "error_invalid_resource_name": "this is no resource string",
    "error_library_not_found": "a library for this kind of connection is missing",
    "error_interface_number_not_configured": "this interface is not set up on this computer",
    "error_session_not_locked": "another program has locked it",
    "error_no_permission": "this user may not open it",
}
"""pyvisa's status names -> what we say; of the others we say what pyvisa says."""


def explain_status(code: int) -> tuple[LinkFault, str]:
    """Translate a VISA status code into a fault and words."""
    import pyvisa

    try:
        name = pyvisa.constants.StatusCode(code).name
    except ValueError:
        return LinkFault.LOST, f"VISA reports {code}"
    if name == "error_timeout":
        return LinkFault.TIMEOUT, "no answer in time"
    words = WORDS.get(name) or pyvisa.errors.completion_and_error_messages.get(code, ("", name))[1]
    return LinkFault.LOST, f"{words} ({name})"


def explain(error: Exception) -> Broken:
    """Translate whatever pyvisa or a backend of it raised."""
    import pyvisa

    if isinstance(error, pyvisa.errors.VisaIOError):
        return Broken(*explain_status(error.error_code))
    if isinstance(error, ConnectionRefusedError):
        return Broken(LinkFault.LOST, "nothing listens there (connection refused)")
    if isinstance(error, ConnectionError):
        return Broken(LinkFault.LOST, "it closed the connection")
    if isinstance(error, OSError) and error.strerror:
        return Broken(LinkFault.LOST, f"it cannot be reached ({error.strerror})")
    # pyvisa-py words it as a bare Exception with the status code, by name or number as the Python version has it.
    timeout = pyvisa.constants.StatusCode.error_timeout
    if timeout.name in str(error) or str(int(timeout)) in str(error):
        return Broken(LinkFault.TIMEOUT, "it takes no connection")
    return Broken(LinkFault.LOST, str(error).strip() or type(error).__name__)


def load(backend: str) -> Any:
    """Import all that opening a session needs, and return the resource manager. Backends raise anything."""
    import pyvisa

    manager = pyvisa.ResourceManager(backend)
    # At exit it would close sessions from the main thread, and one that hangs would keep the process alive.
    if (handler := getattr(manager, "_atexit_handler", None)) is not None:
        atexit.unregister(handler)
    return manager


class VisaSession:
    """One open session (conversation.Session), used in one thread. A raw socket in reach is used directly."""

    def __init__(self, resource: str, backend: str, read_end: str, open_within: float) -> None:
        """Connect. Raises Broken."""
        self.joins_writes = False
        self._leave = ExitStack()
        self._timeout_ms = -1
        try:
            self._resource: Any = load(backend).open_resource(resource, open_timeout=int(open_within * 1000))
        except Exception as error:  # backends raise anything, bare Exception included
            raise explain(error) from error
        try:
            self._prepare(resource.upper(), read_end)
        except Exception as error:
            self.close()
            raise explain(error) from error

    def _prepare(self, name: str, read_end: str) -> None:
        """Set line ends, and for a raw socket reach the socket itself."""
        from pyvisa.constants import ResourceAttribute, StatusCode

        self._ends = (StatusCode.success, StatusCode.success_termination_character_read)
        self._visa = self._resource.visalib
        self._handle = self._resource.session
        quiet = self._visa.ignore_warning(self._handle, StatusCode.success_max_count_read)
        self._leave.enter_context(quiet)
        is_socket = name.endswith("::SOCKET")
        self._is_stream = is_socket or name.startswith("ASRL")
        self._socket = reachable_socket(self._resource) if is_socket else None
        self._takes = False
        if self._socket is not None:
            refused = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if refused:
                raise OSError(refused, os.strerror(refused))
            # Two writes and a query would wait some 40 ms for a delayed acknowledgement; pyvisa-py does not honour
            # the VISA attribute for it (0.8.1: 'Unknown attribute VI_ATTR_TCPIP_NODELAY').
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        elif self._is_stream:
            self._resource.read_termination = read_end[-1:] or "\n"
            if is_socket:
                try:
                    self._resource.set_visa_attribute(ResourceAttribute.tcpip_nodelay, True)
                except Exception:  # noqa: BLE001 - not every backend knows it: one write then does the same
                    self.joins_writes = True

    def write(self, data: bytes) -> None:
        """Send."""
        try:
            takes = self._takes or self._socket is None or writable(self._socket)
            if self._socket is None:
                self._visa.write(self._handle, data)
            elif takes:
                self._socket.sendall(data)
        except Exception as error:
            raise explain(error) from error
        if not takes:
            raise Broken(LinkFault.TIMEOUT, "it takes no more messages")

    def receive(self, until: float) -> tuple[bytes, bool]:
        """Return bytes, and whether they end a message; (b"", False) if none came in time."""
        try:
            if self._socket is not None:
                return self._receive_socket(self._socket, until)
            milliseconds = max(1, int((until - time.monotonic()) * 1000))
            if milliseconds != self._timeout_ms:
                self._resource.timeout = self._timeout_ms = milliseconds
            data, status = self._visa.read(self._handle, CHUNK)
        except Broken:
            raise
        except Exception as error:
            broken = explain(error)
            if broken.fault is LinkFault.TIMEOUT:
                return b"", False
            raise broken from error
        return bytes(data), status in self._ends

    def _receive_socket(self, wire: socket.socket, until: float) -> tuple[bytes, bool]:
        """Fetch what has come. pyvisa-py itself spins on a closed peer, and loses half a line at a time-out."""
        if not select.select([wire], [], [], max(0.0, until - time.monotonic()))[0]:
            return b"", False
        data = wire.recv(CHUNK)
        if not data:
            raise Broken(LinkFault.LOST, "it closed the connection")
        return data, False

    def waiting(self) -> bool:
        """Whether bytes have come that nobody has fetched (known for raw sockets only); an ended peer counts."""
        if self._socket is None:
            return False
        try:
            came, takes, _ = select.select([self._socket], [self._socket], [], 0.0)
        except (OSError, ValueError) as error:
            raise explain(error) from error
        self._takes = bool(takes)
        return bool(came)

    def close(self) -> None:
        """Let go. What goes wrong here changes nothing: the session is gone either way."""
        try:
            self._leave.close()
            self._resource.close()
        except Exception as error:  # noqa: BLE001 - see above
            self.trouble_at_close = explain(error).why


def writable(wire: socket.socket) -> bool:
    """Whether it takes what is written within WRITE_WITHIN; pyvisa-py would wait for ever."""
    return bool(select.select([], [wire], [], WRITE_WITHIN)[1])


def reachable_socket(resource: Any) -> socket.socket | None:
    """Return the socket behind a raw-socket resource where the backend lets us reach it (pyvisa-py does)."""
    session = getattr(resource.visalib, "sessions", {}).get(resource.session)
    found = getattr(session, "interface", None)
    return found if isinstance(found, socket.socket) else None


class VisaLink:
    """The wire to one instrument (runner.protocols.Link)."""

    def __init__(
        self,
        role: str,
        resource: str,
        wire: Wire,
        *,
        backend: str = "@py",
        wake: Callable[[], None] = lambda: None,
        connect: Callable[[], Session] | None = None,
    ) -> None:
        """`connect` makes another Session than one of pyvisa (for whoever carries messages differently)."""
        self.name = f"{role} at {resource}"
        self.resource = resource
        self._wire = wire
        self._wake = wake
        self._connect = connect or (
            lambda: VisaSession(resource, backend, wire.read_end, open_within=wire.identify.timeout)
        )
        self._lock = threading.Lock()
        self._closed = False
        self.left_behind = False
        """Whether a call never came back: it may still be carried out when its session is closed."""
        self._start(None)

    def _start(self, identity: Identity | None) -> None:
        """Put a worker to work on a session of its own."""
        conversation: Conversation | None = None

        def finish() -> None:
            if conversation is not None:
                conversation.close()

        self._worker = Worker(self.name, finish)
        self._conversation = conversation = Conversation(self._connect, self._wire, self._worker.cancelled, identity)

    @property
    def identity(self) -> Identity | None:
        """What it last answered to `*IDN?`; None before that."""
        return self._conversation.identity

    def open(self) -> Pending[Identity]:
        """Connect and ask who it is, sending nothing else. The Pending raises LinkError where nobody answers."""

        def job(conversation: Conversation, pending: Pending[Identity]) -> None:
            try:
                conversation.open()
            except Broken as broken:
                pending.fail(LinkError(f"{self.name}: {broken.why}", instrument=self.name, sent="*IDN?"))
                return
            assert conversation.identity is not None
            pending.settle(conversation.identity)

        return self._put(job, 0.0)

    def submit(self, messages: Sequence[Message]) -> Pending[tuple[Reply, ...]]:
        """Exchange these in order, with nothing in between. One Reply per message; after a fault, NOT_SENT."""
        batch = tuple(messages)

        def job(conversation: Conversation, pending: Pending[tuple[Reply, ...]]) -> None:
            pending.settle(conversation.exchange(batch))

        if self._closed:
            closed: Pending[tuple[Reply, ...]] = Pending(time.monotonic(), self._wake)
            closed.settle(tuple(unanswered(batch, LinkFault.LOST, "the link was closed")))
            return closed
        asked = sum(message.timeout for message in batch if message.expects is not None)
        return self._put(job, asked + len(batch) * (self._wire.gap + 0.01))

    def close(self, within: float = 1.0) -> None:
        """Close for good, waiting that many seconds at most: a worker that hangs is left behind."""
        self._closed = True
        self.left_behind = not self._worker.stop(within) or self.left_behind

    def _put(self, job: Callable[[Conversation, Pending[Any]], None], budget: float) -> Pending[Any]:
        """Queue a job; its Pending is due when all before it and the job itself should be done."""
        with self._lock:
            now = time.monotonic()
            if self._worker.overdue(now) or self._conversation.hangs(now):
                # A call that does not return: leave it behind and speak to the instrument anew.
                self.left_behind = True
                self._worker.stop(None)
                self._start(self._conversation.identity)
            busy_until = self._worker.busy_until(now)
            conversation = self._conversation
            if not conversation.is_open or busy_until > now:
                budget += self._wire.recovery + 2 * self._wire.identify.timeout
            pending: Pending[Any] = Pending(busy_until + budget + MARGIN, self._wake)

            def work() -> None:
                try:
                    job(conversation, pending)
                except BaseException as error:  # noqa: BLE001 - a bug of ours: whoever waits must hear of it
                    pending.fail(error)

            self._worker.put(work, pending.deadline)
            return pending
