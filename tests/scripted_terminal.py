"""An instrument on a pseudo-terminal that does what a test scripts: the other end of a serial cable.

A serial line knows no connections: the script is told of connection 0 always. The port has a name that goes with it, so
that nobody who still tries to reach it finds the pseudo-terminal that gets its number next.
"""

from __future__ import annotations

import os
import select
import shutil
import termios
import threading
import time
import tty
from types import TracebackType
from typing import Self

from bringup.simulation.terminal_port import named_of_its_own
from tests.scripted_server import Script


class ScriptedTerminal:
    """Use as a context manager. `lines` holds what came."""

    def __init__(self, script: Script, *, end: bytes = b"\n") -> None:
        self._script = script
        self._end = end
        self._far, self._near = os.openpty()
        tty.setraw(self._near)
        name = named_of_its_own(self._near)
        self._folder, self.path = name.parent, str(name)
        self.resource = f"ASRL{self.path}::INSTR"
        self.lines: list[str] = []
        self.asked = threading.Condition()
        self._stop, self._stopper = os.pipe()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.vanish()
        os.close(self._stop)
        os.close(self._stopper)

    def vanish(self) -> None:
        """Pull the plug: the port is gone for whoever has it open."""
        if self._thread.is_alive():
            os.write(self._stopper, b"!")
            self._thread.join(2.0)
            shutil.rmtree(self._folder)
            os.close(self._near)
            os.close(self._far)

    def send(self, data: bytes) -> None:
        """Send without being asked."""
        os.write(self._far, data)

    def hold_up(self, seconds: float = 2.0) -> None:
        """Send XOFF, and wait until the port sends no more."""
        self.send(b"\x13")
        limit = time.monotonic() + seconds
        while select.select([], [self._near], [], 0.0)[1]:
            assert time.monotonic() < limit, "the port takes no notice of XOFF"

    def let_go(self) -> None:
        """Send XON."""
        self.send(b"\x11")

    def settings(self) -> tuple[int, int]:
        """How the port is set: control modes and speed (termios)."""
        found = termios.tcgetattr(self._near)
        return found[2], found[5]

    def _serve(self) -> None:
        buffer = b""
        while self._stop not in (ready := select.select([self._far, self._stop], [], [])[0]):
            if self._far not in ready:
                continue
            buffer += os.read(self._far, 4096)
            while self._end in buffer if self._end else buffer:
                line, _, buffer = buffer.partition(self._end) if self._end else (buffer, b"", b"")
                with self.asked:
                    self.lines.append(line.decode("latin-1"))
                    self.asked.notify_all()
                answer = self._script(0, self.lines[-1])
                if answer:
                    os.write(self._far, answer)

    def wait_for(self, line: str, seconds: float = 2.0) -> bool:
        """Whether that line came, waiting so long at most."""
        with self.asked:
            return self.asked.wait_for(lambda: line in self.lines, seconds)
