"""The local control socket of an attempt: how `bringup off` reaches whoever holds the bench.

One line in ('off' with the token from the lock file), two lines out: that it was heard, and later what became of the
outputs. Loopback only, everything bounded; whatever else is said to it is ignored.
"""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from enum import StrEnum
from types import TracebackType
from typing import Self

from bringup.host.lock import ControlAddress, holder_of

LOOPBACK = "127.0.0.1"
_GREETING = "bringup-control-1"
_HEARD = "heard"
_LONGEST_LINE = 200
_MOST_CALLERS = 8
_BACKLOG = 64
"""Callers that may wait to be sent away."""
_TIME_TO_ASK = 2.0
"""Seconds a caller has to say what it wants."""
_TIME_TO_HEAR = 2.0
"""Seconds in which a holder that is well says that it has heard: its own thread does, whatever the attempt is at."""
_TIME_TO_ANSWER = 120.0
"""Seconds a caller is kept waiting for the outcome at most."""
_TIME_TO_LEAVE = 1.0
"""Seconds that closing waits for callers to be told."""


class Outcome(StrEnum):
    """What became of the outputs."""

    OFF = "verified off"
    UNKNOWN = "UNKNOWN"
    NONE = "none left"
    """They were simulated, and have ended with the program that held them."""


class ControlServer:
    """Listens while an attempt runs: `with ControlServer(clock.ask_off) as control: ...`.

    `ask_off` is called from another thread and must return at once. `report` tells what became of the outputs to who
    asked before it; nobody is ever answered from memory, for a hand may have been at the panel since. Closing tells
    those who wait that it is UNKNOWN.
    """

    def __init__(self, ask_off: Callable[[], None]) -> None:
        self._ask_off = ask_off
        self._token = os.urandom(16).hex()
        self._listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self._listener.bind((LOOPBACK, 0))
        self._listener.listen(_BACKLOG)
        self._port: int = self._listener.getsockname()[1]
        self._turn = threading.Condition()
        self._closing = False
        self._asks = self._answered = 0
        """How many have asked so far, and how many of them were answered by a report."""
        self._outcome = Outcome.UNKNOWN
        self._free = threading.Semaphore(_MOST_CALLERS)
        self._callers: set[threading.Thread] = set()
        self._thread = threading.Thread(target=self._listen, name="control", daemon=True)

    @property
    def address(self) -> ControlAddress:
        """Where it listens; goes into the lock files."""
        return ControlAddress(self._port, self._token)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        del kind, error, trace
        with self._turn:
            self._closing = True
            self._turn.notify_all()
        with suppress(OSError):
            # The listener sits in accept(); a caller of our own is what ends that on every system.
            socket.create_connection((LOOPBACK, self._port), timeout=_TIME_TO_LEAVE).close()
        self._thread.join(_TIME_TO_LEAVE)
        self._listener.close()
        until = time.monotonic() + _TIME_TO_LEAVE
        for caller in tuple(self._callers):
            caller.join(max(0.0, until - time.monotonic()))

    @property
    def asks(self) -> int:
        """How many have asked so far; for each of them `ask_off` was called before it counts."""
        with self._turn:
            return self._asks

    @property
    def waiting(self) -> bool:
        """Whether somebody asked whom no report has answered."""
        with self._turn:
            return self._asks > self._answered

    def report(self, outcome: Outcome, asks: int | None = None) -> None:
        """Say what became of the outputs to the first `asks` who asked: those before the outputs were asked."""
        with self._turn:
            self._outcome = outcome
            self._answered = max(self._answered, self._asks if asks is None else asks)
            self._turn.notify_all()

    def _listen(self) -> None:
        while not self._closing:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            if self._closing or not self._free.acquire(blocking=False):
                connection.close()
                continue
            caller = threading.Thread(target=self._serve, args=(connection,), name="control caller", daemon=True)
            self._callers.add(caller)
            caller.start()

    def _serve(self, connection: socket.socket) -> None:
        try:
            with connection:
                self._talk(connection)
        except OSError:
            # The caller left. What it asked for has been passed on if it was asked properly.
            return
        finally:
            self._callers.discard(threading.current_thread())
            self._free.release()

    def _talk(self, connection: socket.socket) -> None:
        import hmac  # it brings OpenSSL with it, and few attempts are spoken to

        line = _read_line(connection, time.monotonic() + _TIME_TO_ASK)
        if not hmac.compare_digest(line.encode(), f"{_GREETING} {self._token} off".encode()):
            return
        with self._turn:
            self._asks += 1
            mine = self._asks
            self._ask_off()
        connection.settimeout(_TIME_TO_ASK)
        connection.sendall(f"{_HEARD}\n".encode())
        with self._turn:
            if not self._turn.wait_for(lambda: self._closing or self._answered >= mine, _TIME_TO_ANSWER):
                return
            outcome = self._outcome if self._answered >= mine else Outcome.UNKNOWN
        connection.sendall(f"{outcome}\n".encode())


def ask_holder_off(resource: str, within: float) -> Outcome | None:
    """Have the holder of a resource switch its outputs off; returns what it says, None if nobody took the request.

    One that is stopped, or hangs as a whole, counts as nobody after two seconds. UNKNOWN also when the holder took it
    and said nothing more within so many seconds: then nobody knows. Raises BenchError only where the state folder
    cannot be had.
    """
    until = time.monotonic() + within
    to_hear = min(within, _TIME_TO_HEAR)
    holder = holder_of(resource)
    if holder is None or holder.control is None:
        return None
    try:
        with socket.create_connection((LOOPBACK, holder.control.port), timeout=max(0.001, to_hear)) as connection:
            connection.sendall(f"{_GREETING} {holder.control.token} off\n".encode())
            if _read_line(connection, time.monotonic() + to_hear) != _HEARD:
                return None
            return _outcome(connection, until)
    except OSError:
        return None


def _outcome(connection: socket.socket, until: float) -> Outcome:
    try:
        return Outcome(_read_line(connection, until))
    except (OSError, ValueError):
        return Outcome.UNKNOWN


def _read_line(connection: socket.socket, until: float) -> str:
    """Read up to a line's end; '' where none came in time, or too much did."""
    data = b""
    while not data.endswith(b"\n") and len(data) <= _LONGEST_LINE:
        left = until - time.monotonic()
        if left <= 0:
            return ""
        connection.settimeout(left)
        try:
            # One byte at a time: what follows the line belongs to whoever reads next.
            byte = connection.recv(1)
        except TimeoutError:
            return ""
        if not byte:
            return ""
        data += byte
    return data[:-1].decode("latin-1") if data.endswith(b"\n") else ""
