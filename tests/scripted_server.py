"""An instrument on loopback that does what a test scripts (answers, silence, garbage, hanging up).

The script is called for every line and returns the bytes to send (b"" for none), or HANG_UP.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import Self

HANG_UP = b"<hang up>"
IDENTITY = b"BRINGUP SIMULATED,TEST,1,0\n"

Script = Callable[[int, str], bytes]
"""(connection from 0, line) -> what to send."""


def answering(answers: dict[str, bytes], *, identity: bytes = IDENTITY) -> Script:
    """Return a script that answers by line; other lines are not answered."""
    table = {"*IDN?": identity, **answers}
    return lambda _connection, line: table.get(line, b"")


class ScriptedServer:
    """Use as a context manager. `lines` holds what came. `end` ends a message; b"": each piece is one."""

    def __init__(self, script: Script, *, end: bytes = b"\n") -> None:
        self._script = script
        self._end = end
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.resource = f"TCPIP0::127.0.0.1::{self.port}::SOCKET"
        self.lines: list[str] = []
        self._came = threading.Condition()
        self.connections = 0
        self.gone = threading.Event()
        """Set when a client has left or was hung up on."""
        self._threads: list[threading.Thread] = []
        self._clients: list[socket.socket] = []

    def __enter__(self) -> Self:
        self._start(self._accept)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.refuse()
        for client in self._clients:
            with suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(60.0)

    def refuse(self) -> None:
        """Listen no more: later connections are refused."""
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def wait_for(self, line: str, seconds: float = 2.0) -> bool:
        """Whether that line came, waiting so long at most."""
        with self._came:
            return self._came.wait_for(lambda: line in self.lines, seconds)

    def send(self, data: bytes) -> None:
        """Send without being asked, to the latest client."""
        self._clients[-1].sendall(data)

    def hang_up(self) -> None:
        """Close the latest connection."""
        with suppress(OSError):
            self._clients[-1].shutdown(socket.SHUT_RDWR)

    def _start(self, target: Callable[[], None]) -> None:
        thread = threading.Thread(target=target, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            number, self.connections = self.connections, self.connections + 1
            self._clients.append(client)
            self._start(lambda client=client, number=number: self._serve(client, number))  # type: ignore[misc]

    def _serve(self, client: socket.socket, number: int) -> None:
        buffer = b""
        with client, suppress(OSError):
            while data := client.recv(4096):
                buffer += data
                while self._end in buffer if self._end else buffer:
                    line, _, buffer = buffer.partition(self._end) if self._end else (buffer, b"", b"")
                    with self._came:
                        self.lines.append(line.decode("latin-1"))
                        self._came.notify_all()
                    answer = self._script(number, self.lines[-1])
                    if answer.endswith(HANG_UP):
                        client.sendall(answer.removesuffix(HANG_UP))
                        self.gone.set()
                        return
                    client.sendall(answer)
        self.gone.set()
