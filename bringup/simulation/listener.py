"""Listening on loopback for clients, each served in a thread of its own, until it is time to stop."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from contextlib import suppress

from bringup.simulation.manners import Manners
from bringup.simulation.wall_time import Desk

LOOPBACK = "127.0.0.1"


class Listener:
    """One instrument's TCP port. What a client says is for `serve`, which subclasses write."""

    def __init__(self, desk: Desk, manners: Manners) -> None:
        self.desk, self.manners, self.time = desk, manners, desk.time
        self._listener = socket.create_server((LOOPBACK, 0))
        self.number: int = self._listener.getsockname()[1]
        self._threads: list[threading.Thread] = []
        self._clients: set[socket.socket] = set()
        self._guard = threading.Lock()
        self._stopped = threading.Event()

    def serve(self, client: socket.socket) -> None:
        """Speak with a client until it leaves. OSError means that it did, or that the server is being stopped."""
        raise NotImplementedError

    def start(self) -> None:
        """Listen."""
        self._start(self._listen, f"listener {self.number}")

    def stop(self) -> None:
        """Hang up on everybody, listen no more, and wait for the threads; others of the same server may go on."""
        with self._guard:
            self._stopped.set()
        # On Linux a thread in accept() is woken by shutdown, elsewhere by close; a connection wakes it everywhere.
        # Where the listener was never started or is closed already, nothing sits in accept().
        with suppress(OSError):
            socket.create_connection((LOOPBACK, self.number), timeout=1).close()
        self._listener.close()
        with self._guard:
            for client in self._clients:
                hang_up(client)
        for thread in self._threads:
            thread.join(2.0)

    def _listen(self) -> None:
        while not self._stopped.is_set() and not self.time.pause(0):
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            if not self.admits():
                client.close()
                continue
            with self._guard:
                if self._stopped.is_set():
                    client.close()
                    return
                self._clients.add(client)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._threads = [thread for thread in self._threads if thread.is_alive()]
            self._start(lambda client=client: self._serve(client), f"client {self.number}")  # type: ignore[misc]

    def admits(self) -> bool:
        """Whether another client may come in; one that may not is closed."""
        return True

    @property
    def is_taken(self) -> bool:
        """Whether anybody is connected."""
        return bool(self._clients)

    def _serve(self, client: socket.socket) -> None:
        try:
            self.serve(client)
        except OSError:
            pass  # the client went away, or the server is being stopped: nobody is left to be told
        finally:
            with self._guard:
                self._clients.discard(client)
            client.close()

    def _start(self, target: Callable[[], None], name: str) -> None:
        thread = threading.Thread(target=target, name=name, daemon=True)
        self._threads.append(thread)
        thread.start()


def hang_up(client: socket.socket) -> None:
    """Wake whoever sits in recv on this socket; one that is closed already wakes by itself."""
    with suppress(OSError):
        client.shutdown(socket.SHUT_RDWR)
