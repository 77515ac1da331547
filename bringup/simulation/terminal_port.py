"""A simulated instrument on a serial line: a pseudo-terminal, whose near end any program opens as a serial port.

POSIX only. A serial line knows no connections: one client or several, they are one to the instrument. The system gives
the number of a pseudo-terminal that is gone to the next one, which may be somebody's screen; a client that keeps trying
to reach a plugged-out instrument must not find that. So the port has a name of its own, which goes with it.
"""

from __future__ import annotations

import os
import select
import shutil
import sys
import tempfile
import threading
from contextlib import suppress
from pathlib import Path

from bringup.errors import BenchError
from bringup.simulation.instrument import MESSAGE_BYTES
from bringup.simulation.manners import Manners, Speech
from bringup.simulation.stream import StreamConversation
from bringup.simulation.wall_time import Desk


def named_of_its_own(descriptor: int) -> Path:
    """Return a name for that terminal, in a folder of its own: whoever ends the port removes the folder."""
    terminal = Path(os.ttyname(descriptor))
    name = Path(tempfile.mkdtemp(prefix="bringup-port-")) / terminal.name
    name.symlink_to(terminal)
    return name


class TerminalPort:
    """One instrument's pseudo-terminal."""

    number = 0

    def __init__(self, desk: Desk, manners: Manners, speech: Speech) -> None:
        """Raises BenchError where there are no pseudo-terminals."""
        if sys.platform == "win32":
            raise BenchError("this system has no pseudo-terminals", "Serve the instrument on a socket.")
        import tty

        self.manners = manners
        self._far, self._near = os.openpty()
        tty.setraw(self._near)
        self._stop, self._stopper = os.pipe()
        path = named_of_its_own(self._near)
        self._folder = path.parent
        self.resource = f"ASRL{path}::INSTR"
        self._conversation = StreamConversation(self, desk, manners, speech, dropped=threading.Event())
        self._thread = threading.Thread(target=self._serve, name=self.resource, daemon=True)

    def start(self) -> None:
        """Listen."""
        self._thread.start()

    def stop(self) -> None:
        """Pull the plug, and wait for the thread."""
        os.write(self._stopper, b"!")
        if self._thread.ident is not None:
            self._thread.join(2.0)
        shutil.rmtree(self._folder, ignore_errors=True)  # before the number is free
        for end in (self._far, self._near, self._stop, self._stopper):
            os.close(end)

    def recv(self, most: int) -> bytes:
        """Wait for bytes (stream.Stream); b"" when it is time to stop."""
        ready = select.select([self._far, self._stop], [], [])[0]
        return b"" if self._stop in ready else os.read(self._far, most)

    def sendall(self, data: bytes) -> None:
        """Send (stream.Stream)."""
        while data:
            data = data[os.write(self._far, data) :]

    def come(self) -> bytes:
        """Return what has come already (stream.Stream)."""
        return os.read(self._far, MESSAGE_BYTES) if select.select([self._far], [], [], 0.0)[0] else b""

    def _serve(self) -> None:
        with suppress(OSError):  # the plug was pulled
            self._conversation.go_on()
