"""How the bytes of a serial line of the board travel: over a serial port (named, or by its adapter), or a socket."""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import Protocol

from bringup.core.serial_line import SOCKET, Adapter, SerialLine
from bringup.core.serial_port import PortSettings
from bringup.errors import BenchError
from bringup.instruments.finding.access import denied
from bringup.instruments.serial_library import Opened, Port, open_port, system_ports

CHUNK = 4096
LOOK = 0.05
"""Seconds that a read waits for the first byte."""
CONNECT_WITHIN = 5.0
WRITE_WITHIN = 2.0
"""Seconds in which what is sent has to be out; more means that flow control or the other side holds it up."""
HELD_UP = "it takes no more bytes: something holds it up (flow control, or the other side)"


class Stream(Protocol):
    """An open line. Both directions raise OSError, with words, once it is gone."""

    def read(self) -> bytes:
        """Return what has come, b"" if nothing has within LOOK."""

    def write(self, data: bytes) -> None:
        """Send. Raises TimeoutError where it is held up."""

    def close(self) -> None:
        """Let go."""


class PortStream:
    """A serial port."""

    def __init__(self, port: Opened) -> None:
        self._port = port

    def read(self) -> bytes:
        """Return what has come."""
        try:
            first = self._port.read(1)
            return first + self._port.read(min(CHUNK, self._port.in_waiting)) if first else b""
        except Exception as error:  # pyserial raises more than its own: termios.error, TypeError of a closed port
            raise OSError(gone_words(error)) from error

    def write(self, data: bytes) -> None:
        """Send."""
        try:
            self._port.write(data)
        except Exception as error:
            if type(error).__name__ == "SerialTimeoutException":
                raise TimeoutError(HELD_UP) from error
            raise OSError(gone_words(error)) from error

    def close(self) -> None:
        """Let go."""
        with suppress(Exception):  # a port that is gone cannot be closed properly
            self._port.close()


class SocketStream:
    """A TCP socket, such as a serial device server's."""

    def __init__(self, wire: socket.socket) -> None:
        self._wire = wire
        wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        wire.setblocking(False)

    def read(self) -> bytes:
        """Return what has come."""
        if not select.select([self._wire], [], [], LOOK)[0]:
            return b""
        try:
            data = self._wire.recv(CHUNK)
        except BlockingIOError:
            return b""
        if not data:
            raise OSError("the other side has closed the connection")
        return data

    def write(self, data: bytes) -> None:
        """Send."""
        until = time.monotonic() + WRITE_WITHIN
        while data:
            if not select.select([], [self._wire], [], max(0.0, until - time.monotonic()))[1]:
                raise TimeoutError(HELD_UP)
            data = data[self._wire.send(data) :]

    def close(self) -> None:
        """Let go."""
        self._wire.close()


def opener_of(
    line: SerialLine, served: str = "", ports: Callable[[], Iterable[Port]] = system_ports
) -> Callable[[], tuple[Stream, str]]:
    """Return what opens a line, and says where it is. `served`: where a simulated board talks (HOST:PORT or a device).

    What it returns raises BenchError with what to do where it is not there.
    """

    def open_it() -> tuple[Stream, str]:
        at = line.socket or (served if SOCKET.fullmatch(served) else "")
        if at:
            return SocketStream(_connected(line.name, at)), at
        device = line.port or served or found_port(line, ports())
        # A simulated board's pseudo-terminal has no lines to hold and no speed to keep.
        return PortStream(_opened(line.name, device, PortSettings() if served else line.settings)), device

    return open_it


def _connected(name: str, at: str) -> socket.socket:
    found = SOCKET.fullmatch(at)
    assert found is not None, "the bench file was checked"
    try:
        return socket.create_connection((found["host"].strip("[]"), int(found["port"])), CONNECT_WITHIN)
    except OSError as error:
        why = error.strerror or "nothing answers in time"
        raise BenchError(
            f"the serial line {name} cannot be reached at {at}: {why}",
            "Check the address in the bench file, and that the device server is switched on.",
        ) from error


def _opened(name: str, device: str, settings: PortSettings) -> Opened:
    try:
        return open_port(device, settings, read_within=LOOK, write_within=WRITE_WITHIN)
    except Exception as error:  # see PortStream.read
        may_not = denied(f"ASRL{device.removeprefix('COM')}::INSTR")
        if may_not is not None:
            raise BenchError(
                f"the serial line {name} cannot be opened: you may not open {device}", "\n  ".join(may_not.lines())
            ) from error
        raise BenchError(
            f"the serial line {name} cannot be opened: {why_of(error)}",
            "Check that it is plugged in and that no other program (a terminal, a modem service) has it. "
            "A port that is the board's own and comes with its power: `comes_with_power: yes`.",
        ) from error


def gone_words(error: BaseException) -> str:
    """Return why a port that was open is no longer heard."""
    text = why_of(error)
    # pyserial's words for an end of file, of which it cannot tell the cause.
    return "it was unplugged, or another program took it" if "readiness to read" in text else text


def why_of(error: BaseException) -> str:
    """Return what pyserial says, without what it wraps it in."""
    text = str(error)
    return text.partition("[Errno")[2].partition("] ")[2] or text or type(error).__name__


def found_port(line: SerialLine, ports: Iterable[Port]) -> str:
    """Return the device of a USB adapter. Raises BenchError unless exactly one is that adapter."""
    adapter = line.adapter
    assert adapter is not None, "a line without port and socket has an adapter"
    known = list(ports)
    fitting = [port for port in known if _is(adapter, port)]
    if len(fitting) == 1:
        return fitting[0].device
    if fitting:
        at = ", ".join(f"{port.device} (serial number {port.serial_number or 'none'})" for port in fitting)
        what_to_do = "State its `serial` in the bench file; where they have none or the same, name the `port`."
        raise BenchError(f"the serial line {line.name}: several are {adapter}: {at}", what_to_do)
    there = [f"{port.vid:04x}:{port.pid:04x} at {port.device}" for port in known if port.vid and port.pid]
    raise BenchError(
        f"the serial line {line.name}: no {adapter} is plugged in",
        f"There are: {', '.join(there)}." if there else "No USB serial adapter is plugged in at all.",
    )


def _is(adapter: Adapter, port: Port) -> bool:
    same = (port.vid, port.pid) == (adapter.vendor, adapter.product)
    return same and (not adapter.serial or port.serial_number == adapter.serial)
