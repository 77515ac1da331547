"""The loopback carrier: simulated instruments behind TCP sockets, for any SCPI client that can open one.

One port per instrument, messages end with a line feed, wall time since the start is the simulated time. Bad manners
of real instruments on real networks can be switched on per instrument.
"""

from __future__ import annotations

import socket
import threading
import time
from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import suppress
from types import TracebackType
from typing import Self

from bringup.simulation.instrument import MESSAGE_BYTES, Instrument
from bringup.simulation.manners import GARBAGE, POLITE, Clients, Manners

LOOPBACK = "127.0.0.1"


class InstrumentServer:
    """Serves instruments on loopback from `start` until `stop`. Usable as a context manager."""

    def __init__(self, instruments: Mapping[str, Instrument], manners: Mapping[str, Manners] | None = None) -> None:
        self._stopping = threading.Event()
        self._world = threading.Lock()
        self._started = time.monotonic()
        chosen = manners or {}
        self._ports = {
            role: _Port(instrument, chosen.get(role, POLITE), self) for role, instrument in instruments.items()
        }

    def start(self) -> Self:
        """Listen. Raises OSError if loopback cannot be had."""
        for port in self._ports.values():
            port.start()
        return self

    def stop(self) -> None:
        """Close every socket and wait for the threads."""
        self._stopping.set()
        for port in self._ports.values():
            port.stop()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def port(self, role: str) -> int:
        """The TCP port of that instrument."""
        return self._ports[role].number

    def resource(self, role: str) -> str:
        """The VISA resource string of that instrument."""
        return f"TCPIP0::{LOOPBACK}::{self.port(role)}::SOCKET"

    def resources(self) -> dict[str, str]:
        """Every role with its resource string."""
        return {role: self.resource(role) for role in self._ports}

    @property
    def world(self) -> threading.Lock:
        """Hold this while looking at the world or at an instrument from outside."""
        return self._world

    def now(self) -> float:
        """Simulated seconds since the start. Call it with the world's lock held: then it never runs backwards."""
        return time.monotonic() - self._started

    def pause(self, seconds: float) -> bool:
        """Sleep; True when the server is to stop."""
        return self._stopping.wait(seconds) if seconds > 0 else self._stopping.is_set()


class _Port:
    """One instrument's listener and its clients."""

    def __init__(self, instrument: Instrument, manners: Manners, server: InstrumentServer) -> None:
        self.instrument, self.manners, self.server = instrument, manners, server
        self.dropped = False
        self._turn = threading.Lock()
        self._listener = socket.create_server((LOOPBACK, 0))
        self.number: int = self._listener.getsockname()[1]
        self._threads: list[threading.Thread] = []
        self._clients: set[socket.socket] = set()
        self._guard = threading.Lock()

    def start(self) -> None:
        thread = threading.Thread(target=self._listen, name=f"listener {self.number}", daemon=True)
        self._threads.append(thread)
        thread.start()

    def stop(self) -> None:
        # On Linux a thread in accept() is woken by shutdown, elsewhere by close; a connection wakes it everywhere.
        # Where the listener was never started or is closed already, nothing sits in accept().
        with suppress(OSError):
            socket.create_connection((LOOPBACK, self.number), timeout=1).close()
        self._listener.close()
        with self._guard:
            for client in self._clients:
                _hang_up(client)
        for thread in self._threads:
            thread.join(2.0)

    def _listen(self) -> None:
        while not self.server.pause(0):
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            if self.server.pause(0):
                client.close()
                return
            if self.manners.clients is Clients.ONE_REFUSES and self._stays_taken():
                client.close()
                continue
            with self._guard:
                self._clients.add(client)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._threads = [thread for thread in self._threads if thread.is_alive()]
            thread = threading.Thread(target=self._serve, args=(client,), name=f"client {self.number}", daemon=True)
            self._threads.append(thread)
            thread.start()

    def _stays_taken(self) -> bool:
        """Whether somebody holds the instrument; one who is just leaving is given a moment to be gone."""
        patience = time.monotonic() + 0.2
        while self._clients:
            if time.monotonic() > patience or self.server.pause(0.005):
                return True
        return False

    def _serve(self, client: socket.socket) -> None:
        holds = self.manners.clients is Clients.ONE_HOLDS
        while holds and not self._turn.acquire(timeout=0.05):
            if self.server.pause(0):
                client.close()
                return
        try:
            _Conversation(client, self, whole_turn=holds).go_on()
        except OSError:
            pass  # the client went away, or the server is being stopped: nobody is left to be told
        finally:
            if holds:
                self._turn.release()
            with self._guard:
                self._clients.discard(client)
            client.close()

    def carry_out(self, message: bytes, *, whole_turn: bool) -> bytes | None:
        """Let the instrument work on one message in wall time; one message at a time."""
        if whole_turn:
            return self._exchange(message)
        with self._turn:
            return self._exchange(message)

    def _exchange(self, message: bytes) -> bytes | None:
        server = self.server
        try:
            with server.world:
                now = server.now()
                exchange = self.instrument.exchange(message, now)
                wanted = next(exchange)
            while True:
                if server.pause(wanted - now):
                    exchange.close()
                    return None
                with server.world:
                    now = server.now()
                    if now >= wanted:
                        wanted = exchange.send(now)
        except StopIteration as end:
            reply: bytes | None = end.value
            return reply


class _Conversation:
    """One client's connection."""

    def __init__(self, client: socket.socket, port: _Port, *, whole_turn: bool) -> None:
        self._client, self._port, self._manners = client, port, port.manners
        self._whole_turn = whole_turn
        self._buffer = b""
        self._lines: deque[bytes] = deque()
        """Lines that have come whole."""
        self._count = 0

    def go_on(self) -> None:
        """Answer until the client leaves."""
        for message in self._messages():
            count, self._count = self._count, self._count + 1
            if count == self._manners.drop_after and not self._port.dropped:
                self._port.dropped = True
                return
            if not self._answer(message, count):
                return

    def _answer(self, message: bytes, count: int) -> bool:
        """Carry out one message and send its reply; False when the server stops."""
        manners, server = self._manners, self._port.server
        if server.pause(manners.latency):
            return False
        if 0 <= manners.silent_after <= count:
            return True
        reply = self._port.carry_out(message, whole_turn=self._whole_turn)
        if reply is None:
            return True
        if manners.identity is not None and message.strip().upper() == b"*IDN?":
            reply = manners.identity
        if 0 <= manners.garbage_after <= count:
            reply = GARBAGE
        if count == manners.late_at and server.pause(manners.late_by):
            return False
        if manners.interrupts and self._more_has_come():
            with server.world:
                self._port.instrument.interrupted()
            return True
        if count == manners.stale_at:
            reply = manners.stale + b"\n" + reply
        self._client.sendall(reply + b"\n")
        return True

    def _more_has_come(self) -> bool:
        """Whether the next message is here already."""
        if self._lines or b"\n" in self._buffer:
            return True
        self._client.setblocking(False)
        try:
            self._buffer += self._client.recv(MESSAGE_BYTES)
        except BlockingIOError:
            return False
        finally:
            self._client.setblocking(True)
        return b"\n" in self._buffer

    def _messages(self) -> Iterator[bytes]:
        """Every message, until the end of the stream. One that is too long is thrown away and noted."""
        overrun = False
        while True:
            if b"\n" in self._buffer:
                # All at once: line by line, a flood of empty ones would be copied over and over.
                *lines, self._buffer = self._buffer.split(b"\n")
                self._lines.extend(lines)
            if self._lines:
                line = self._lines.popleft()
                if overrun or len(line) > MESSAGE_BYTES:
                    with self._port.server.world:
                        self._port.instrument.overrun()
                elif line.strip():
                    yield line
                overrun = False
                continue
            if len(self._buffer) > MESSAGE_BYTES:
                overrun, self._buffer = True, b""
            received = self._client.recv(65536)
            if not received:
                return
            self._buffer += received


def _hang_up(client: socket.socket) -> None:
    """Wake whoever sits in recv on this socket; one that is closed already wakes by itself."""
    with suppress(OSError):
        client.shutdown(socket.SHUT_RDWR)
