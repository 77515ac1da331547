"""Serial lines of a simulated board in wall time: on a loopback socket, or on a pseudo-terminal.

What is said while nobody is connected is lost, as on a real line.
"""

from __future__ import annotations

import os
import select
import shutil
import socket
import sys
import tempfile
import threading
from contextlib import suppress
from pathlib import Path

from bringup.errors import BenchError
from bringup.simulation.listener import LOOPBACK
from bringup.simulation.talking import Talking
from bringup.simulation.wall_time import WallTime

EVERY = 0.05
"""Seconds between two looks at what the board says."""
CHUNK = 4096


class LineSocket:
    """One line on a socket; everybody who connects hears it."""

    def __init__(self, talking: Talking, time: WallTime) -> None:
        self._talking, self._time = talking, time
        self._listener = socket.create_server((LOOPBACK, 0))
        self.number: int = self._listener.getsockname()[1]
        self.resource = f"{LOOPBACK}:{self.number}"
        self._clients: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve, name=f"line {self.number}", daemon=True)

    def start(self) -> None:
        """Listen."""
        self._thread.start()

    def stop(self) -> None:
        """Let everybody go. The time has been told to stop before."""
        if self._thread.ident is not None:
            self._thread.join(2.0)
        for each in (self._listener, *self._clients):
            each.close()

    def _serve(self) -> None:
        while not self._time.pause(0):
            for ready in select.select([self._listener, *self._clients], [], [], EVERY)[0]:
                if ready is self._listener:
                    client, _ = self._listener.accept()
                    client.setblocking(False)
                    self._clients.append(client)
                else:
                    self._hear(ready)
            with self._time.world:
                said = self._talking.due(self._time.now())
            for client in list(self._clients) if said else ():
                try:
                    client.send(said)
                except BlockingIOError:
                    pass  # it reads nothing: what is said is lost to it
                except OSError:
                    self._drop(client)

    def _hear(self, client: socket.socket) -> None:
        try:
            data = client.recv(CHUNK)
        except OSError:
            data = b""
        if not data:
            self._drop(client)
            return
        with self._time.world:
            self._talking.hear(data)

    def _drop(self, client: socket.socket) -> None:
        self._clients.remove(client)
        client.close()


class LineTerminal:
    """One line on a pseudo-terminal, by a name of its own that goes with it (see terminal_port)."""

    number = 0

    def __init__(self, talking: Talking, time: WallTime) -> None:
        """Raises BenchError where there are no pseudo-terminals."""
        if sys.platform == "win32":
            raise BenchError("this system has no pseudo-terminals", "Serve the line on a socket.")
        import tty

        self._talking, self._time = talking, time
        self._far, self._near = os.openpty()
        tty.setraw(self._near)
        os.set_blocking(self._far, False)
        self._folder = Path(tempfile.mkdtemp(prefix="bringup-line-"))
        path = self._folder / Path(os.ttyname(self._near)).name
        path.symlink_to(os.ttyname(self._near))
        self.resource = str(path)
        self._thread = threading.Thread(target=self._serve, name=self.resource, daemon=True)

    def start(self) -> None:
        """Talk."""
        self._thread.start()

    def stop(self) -> None:
        """Pull the plug. The time has been told to stop before."""
        if self._thread.ident is not None:
            self._thread.join(2.0)
        shutil.rmtree(self._folder, ignore_errors=True)  # before the number is free
        os.close(self._far)
        os.close(self._near)

    def _serve(self) -> None:
        while not self._time.pause(0):
            come = b""
            if select.select([self._far], [], [], EVERY)[0]:
                with suppress(OSError):
                    come = os.read(self._far, CHUNK)
            with self._time.world:
                self._talking.hear(come)
                said = self._talking.due(self._time.now())
            with suppress(BlockingIOError):  # nobody reads: what is said is lost
                os.write(self._far, said)
