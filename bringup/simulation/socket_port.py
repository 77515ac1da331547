"""A simulated instrument on a raw socket."""

from __future__ import annotations

import socket
import threading

from bringup.simulation.instrument import MESSAGE_BYTES
from bringup.simulation.listener import LOOPBACK, Listener
from bringup.simulation.manners import Clients, Manners, Speech
from bringup.simulation.stream import StreamConversation
from bringup.simulation.wall_time import Desk


class SocketPort(Listener):
    """One instrument's port and its clients."""

    def __init__(self, desk: Desk, manners: Manners, speech: Speech) -> None:
        super().__init__(desk, manners)
        self._speech = speech
        self._dropped = threading.Event()
        self.resource = f"TCPIP0::{LOOPBACK}::{self.number}::SOCKET"

    def admits(self) -> bool:
        """Whether another client may come in; one who is just leaving is given a moment to be gone."""
        if self.manners.clients is not Clients.ONE_REFUSES:
            return True
        for _ in range(40):
            if not self.is_taken:
                return True
            if self.time.pause(0.005):
                return False
        return not self.is_taken

    def serve(self, client: socket.socket) -> None:
        """Speak with a client until it leaves, alone where only one is taken at a time."""
        holds = self.manners.clients is Clients.ONE_HOLDS
        while holds and not self.desk.turn.acquire(timeout=0.05):
            if self.time.pause(0):
                return
        try:
            StreamConversation(
                _SocketStream(client), self.desk, self.manners, self._speech, dropped=self._dropped, whole_turn=holds
            ).go_on()
        finally:
            if holds:
                self.desk.turn.release()


class _SocketStream:
    """A client's socket (stream.Stream)."""

    def __init__(self, client: socket.socket) -> None:
        self._client = client
        self.recv, self.sendall = client.recv, client.sendall

    def come(self) -> bytes:
        self._client.setblocking(False)
        try:
            return self._client.recv(MESSAGE_BYTES)
        except BlockingIOError:
            return b""
        finally:
            self._client.setblocking(True)
