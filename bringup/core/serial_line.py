"""A serial line of the board, as a bench file names it: a port, a USB adapter, or a socket. Pure."""

from __future__ import annotations

from bringup.core.frozen import frozen
from bringup.core.late import late
from bringup.core.serial_port import PortSettings

SOCKET = late(r"(?P<host>\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+):(?P<port>[0-9]{1,5})")
"""How a socket is written."""

_LOOPBACK = late(r"127(\.[0-9]{1,3}){3}|localhost|\[::1\]", 2)


@frozen
class Adapter:
    """A USB serial adapter by what it says of itself; an empty field is not compared."""

    vendor: int
    product: int
    serial: str = ""

    def __str__(self) -> str:
        number = f", serial number {self.serial}" if self.serial else ""
        return f"USB adapter {self.vendor:04x}:{self.product:04x}{number}"


@frozen
class SerialLine:
    """One line. None of port, adapter and socket: the simulated board talks there."""

    name: str
    port: str = ""
    """Device, such as /dev/ttyUSB0 or COM3."""
    adapter: Adapter | None = None
    socket: str = ""
    """HOST:PORT."""
    settings: PortSettings = PortSettings()
    comes_with_power: bool = False
    """The board's own port: it need not be there before power."""
    lent_to_programs: bool = False
    """The port is let go of while a program of this computer runs."""
    line: int = 0
    column: int = 0

    @property
    def simulated(self) -> bool:
        """Whether the simulated board talks there."""
        return not (self.port or self.adapter or self.socket)

    @property
    def on_loopback(self) -> bool:
        """Whether it is a socket of this computer, behind which a simulation may be."""
        return bool(self.socket) and _LOOPBACK.fullmatch(self.socket.rpartition(":")[0]) is not None

    @property
    def where(self) -> str:
        """Where it is, for people."""
        return self.port or self.socket or ("simulated" if self.adapter is None else str(self.adapter))
