"""The loopback carriers: simulated instruments behind sockets, HiSLIP or serial lines, for any SCPI client.

Wall time since the start is the simulated time. How an instrument speaks, and the bad manners of real instruments on
real networks, can be chosen per instrument.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Protocol, Self

from bringup.simulation.hislip_port import HislipPort
from bringup.simulation.instrument import Instrument
from bringup.simulation.line_port import LineSocket, LineTerminal
from bringup.simulation.manners import PLAIN, POLITE, Manners, Speech
from bringup.simulation.socket_port import SocketPort
from bringup.simulation.talking import Talking
from bringup.simulation.terminal_port import TerminalPort
from bringup.simulation.wall_time import Desk, WallTime


class Port(Protocol):
    """Where one instrument is reached."""

    resource: str
    """Its VISA resource string."""
    number: int
    """Its TCP port; 0 if it has none."""
    manners: Manners
    """How whoever connects from now on is treated."""

    def start(self) -> None:
        """Listen. Raises OSError if that cannot be had."""

    def stop(self) -> None:
        """Let every client go, and end."""


CARRIERS: dict[str, Callable[[Desk, Manners, Speech], Port]] = {
    "socket": SocketPort,
    "hislip": HislipPort,
    "serial": TerminalPort,
}
"""What an instrument may be served over."""


class InstrumentServer:
    """Serves instruments on loopback from `start` until `stop`. Usable as a context manager."""

    def __init__(
        self,
        instruments: Mapping[str, Instrument],
        manners: Mapping[str, Manners] | None = None,
        *,
        over: Mapping[str, str] | None = None,
        speech: Mapping[str, Speech] | None = None,
        lines: Mapping[str, Talking] | None = None,
    ) -> None:
        """All by role. `over`: one of CARRIERS, else a socket. Raises BenchError for one that this system has not.

        `lines`: serial lines of the board by name, on a pseudo-terminal where `over` says serial, else on a socket.
        """
        self._time = WallTime()
        chosen, carriers, spoken = manners or {}, over or {}, speech or {}
        self._ports = {
            role: CARRIERS[carriers.get(role, "socket")](
                Desk(instrument, self._time), chosen.get(role, POLITE), spoken.get(role, PLAIN)
            )
            for role, instrument in instruments.items()
        }
        self._lines = {
            name: (LineTerminal if carriers.get(name) == "serial" else LineSocket)(talking, self._time)
            for name, talking in (lines or {}).items()
        }

    def start(self) -> Self:
        """Listen. Raises OSError if loopback cannot be had."""
        for port in (*self._ports.values(), *self._lines.values()):
            port.start()
        return self

    def stop(self) -> None:
        """Close every port and wait for the threads."""
        self._time.stop()
        for port in (*self._ports.values(), *self._lines.values()):
            port.stop()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def port(self, role: str) -> int:
        """The TCP port of that instrument."""
        return self._ports[role].number

    def resource(self, role: str) -> str:
        """The VISA resource string of that instrument."""
        return self._ports[role].resource

    def resources(self) -> dict[str, str]:
        """Every role with its resource string."""
        return {role: self.resource(role) for role in self._ports} | {
            name: line.resource for name, line in self._lines.items()
        }

    @property
    def world(self) -> threading.Lock:
        """Hold this while looking at the world or at an instrument from outside."""
        return self._time.world

    def now(self) -> float:
        """Simulated seconds since the start. Call it with the world's lock held: then it never runs backwards."""
        return self._time.now()
