"""A simulated instrument behind a serial port: a pseudo-terminal that pyvisa opens like any other (POSIX only).

Unlike a socket it ends with nobody: whoever opens it next speaks on the same wire, after whatever a dead program left
half said on it.
"""

from __future__ import annotations

import os
import pty
import select
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from bringup.simulation.server import InstrumentServer


@contextmanager
def serial_port(server: InstrumentServer, role: str) -> Iterator[str]:
    """Serve an instrument of a running server on a serial port, too; yield its resource string."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    wake_read, wake_write = os.pipe()
    thread = threading.Thread(target=_serve, args=(server, role, ours, wake_read), name="serial", daemon=True)
    thread.start()
    try:
        # `theirs` stays open here: the port is there whether or not anybody has it open.
        yield f"ASRL{os.ttyname(theirs)}::INSTR"
    finally:
        os.close(wake_write)
        thread.join(5.0)
        for each in (ours, theirs, wake_read):
            os.close(each)


def _serve(server: InstrumentServer, role: str, ours: int, wake: int) -> None:
    """Answer line by line until `wake` ends."""
    port, buffer = server._ports[role], b""
    while wake not in select.select([ours, wake], [], [])[0]:
        buffer += os.read(ours, 65536)
        *lines, buffer = buffer.split(b"\n")
        for line in lines:
            reply = port.carry_out(line, whole_turn=False) if line.strip() else None
            if reply is not None:
                with suppress(BlockingIOError):
                    os.write(ours, reply + b"\n")
