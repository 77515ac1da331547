"""The door to pyserial: the ports of this computer as the system lists them, and one of them opened.

Listing opens nothing. Opening a port moves its DTR and RTS lines, which resets some boards.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from bringup.core.serial_port import PortSettings


class Port(Protocol):
    """What is used of pyserial's ListPortInfo."""

    device: str
    description: str | None
    vid: int | None
    pid: int | None
    serial_number: str | None
    manufacturer: str | None
    product: str | None


class Opened(Protocol):
    """What is used of pyserial's port."""

    @property
    def in_waiting(self) -> int:
        """Bytes that have come."""

    def read(self, size: int) -> bytes:
        """Return so many bytes, or fewer once the time-out is over."""

    def write(self, data: bytes) -> int | None:
        """Send; raises where the time-out is over before all is out."""

    def close(self) -> None:
        """Let go."""


def system_ports() -> Iterable[Port]:
    """Return the ports of this computer. Raises whatever the system does."""
    from serial.tools.list_ports import comports

    ports: Iterable[Port] = comports()
    return ports


def open_port(device: str, port: PortSettings, *, read_within: float, write_within: float) -> Opened:
    """Open a port for us alone, its DTR and RTS lines held as stated. Raises whatever pyserial does.

    The lines are stated before it is opened: pyserial then sets them right after opening, for the system itself
    raises both for a moment (Linux; from memory).
    """
    import serial

    made = serial.Serial(
        baudrate=port.baud or 9600,
        bytesize=port.bits or 8,
        parity=(port.parity or "none")[0].upper(),
        stopbits={"1": 1, "1.5": 1.5, "2": 2}[port.stop or "1"],
        xonxoff=port.flow == "xon/xoff",
        rtscts=port.flow == "rts/cts",
        dsrdtr=port.flow == "dtr/dsr",
        timeout=read_within,
        write_timeout=write_within,
        exclusive=True,
    )
    made.port = device
    if port.dtr is not None:
        made.dtr = port.dtr == "on"
    if port.rts is not None:
        made.rts = port.rts == "on"
    made.open()
    opened: Opened = made
    return opened
