"""Sessions that are streams of bytes, whose ends of messages are in the bytes: serial ports and raw sockets."""

from __future__ import annotations

import os
import select
import socket
import time
from typing import Any

from bringup.core.serial_port import PortSettings
from bringup.instruments.visa_library import CLOSED, explain
from bringup.instruments.visa_session import CHUNK, VisaSession
from bringup.instruments.wire import WRITE_WITHIN, Broken
from bringup.runner.records import LinkFault

USUAL = PortSettings(9600, 8, "none", "1", "none")
"""What a serial port is set to where neither the dialect nor the bench file says otherwise."""


class StreamSession(VisaSession):
    """A raw socket of a backend that keeps it to itself.

    Read byte by byte: a read of more ends at a line feed or a time-out only, and loses what it had at the latter.
    """

    marks_ends = False

    def __init__(self, resource: Any) -> None:
        from pyvisa.constants import ResourceAttribute

        super().__init__(resource)
        resource.read_termination = None
        try:
            resource.set_visa_attribute(ResourceAttribute.tcpip_nodelay, True)
        except Exception:  # noqa: BLE001 - not every backend knows it: one write then does the same
            self.joins_writes = True

    def _most(self) -> int:
        return 1


class SocketSession(VisaSession):
    """A raw socket that is used directly: pyvisa-py spins on a closed peer, and loses half a line at a time-out."""

    def __init__(self, resource: Any, direct: socket.socket) -> None:
        super().__init__(resource)
        self._socket = direct
        self._takes = False
        refused = direct.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if refused:
            raise OSError(refused, os.strerror(refused))
        # Two writes and a query would wait some 40 ms for a delayed acknowledgement; pyvisa-py does not honour
        # the VISA attribute for it (0.8.1: 'Unknown attribute VI_ATTR_TCPIP_NODELAY').
        direct.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def write(self, data: bytes) -> None:
        """Send."""
        try:
            takes = self._takes or writable(self._socket)
            if takes:
                self._socket.sendall(data)
        except Exception as error:
            raise explain(error) from error
        if not takes:
            raise Broken(LinkFault.TIMEOUT, "it takes no more messages")

    def receive(self, until: float) -> tuple[bytes, bool]:
        """Return what has come, never as the end of a message; (b"", False) if nothing came in time."""
        try:
            if not select.select([self._socket], [], [], max(0.0, until - time.monotonic()))[0]:
                return b"", False
            data = self._socket.recv(CHUNK)
        except Exception as error:
            raise explain(error) from error
        if not data:
            raise Broken(LinkFault.LOST, CLOSED)
        return data, False

    def waiting(self) -> bool:
        """Whether bytes have come that nobody has fetched; an ended peer counts."""
        try:
            came, takes, _ = select.select([self._socket], [self._socket], [], 0.0)
        except (OSError, ValueError) as error:
            raise explain(error) from error
        self._takes = bool(takes)
        return bool(came)


class SerialSession(VisaSession):
    """A serial port. No more is ever read than has come: a read that ends in a time-out loses what it had."""

    marks_ends = False

    def __init__(self, resource: Any, port: PortSettings) -> None:
        super().__init__(resource)
        self._stuck = False
        wanted = port.over(USUAL)
        try:
            set_port(resource, wanted)
        except Exception as error:
            why = f"the port cannot be set to {words_of(wanted)} ({explain(error).why})"
            raise Broken(LinkFault.LOST, why) from error

    def write(self, data: bytes) -> None:
        """Send. One that holds us up (flow control) for long gets nothing more."""
        try:
            super().write(data)
        except Broken as broken:
            self._stuck = True
            if broken.fault is LinkFault.TIMEOUT:
                why = "it takes no more bytes: it may hold us up by flow control, or the cable lacks those lines"
                raise Broken(LinkFault.TIMEOUT, why) from broken
            raise

    def waiting(self) -> bool:
        """Whether bytes have come that nobody has fetched."""
        try:
            return self._come() > 0
        except Exception as error:
            raise explain(error) from error

    def close(self) -> None:
        """Let go; what could not be sent is not to be carried out later, and would hold up closing."""
        from pyvisa.constants import BufferOperation

        if self._stuck:
            try:
                self._visa.flush(self._handle, BufferOperation.discard_transmit_buffer)
            except Exception as error:  # noqa: BLE001 - the port may be gone
                self.trouble_at_close = explain(error).why
        super().close()

    def _most(self) -> int:
        return min(CHUNK, max(1, self._come()))

    def _come(self) -> int:
        """How many bytes wait to be fetched."""
        return int(self._resource.bytes_in_buffer)


def set_port(resource: Any, port: PortSettings) -> None:
    """Set the port before anything goes out, and take its bytes as they come."""
    from pyvisa.constants import ControlFlow, Parity, SerialTermination, StopBits

    resource.baud_rate = port.baud
    resource.data_bits = port.bits
    resource.parity = Parity[port.parity or "none"]
    resource.stop_bits = {"1": StopBits.one, "1.5": StopBits.one_and_a_half, "2": StopBits.two}[port.stop or "1"]
    flows = {"xon/xoff": ControlFlow.xon_xoff, "rts/cts": ControlFlow.rts_cts, "dtr/dsr": ControlFlow.dtr_dsr}
    resource.flow_control = flows.get(port.flow or "none", ControlFlow.none)
    resource.end_input = SerialTermination.none
    _hold_lines(resource, port)


def _hold_lines(resource: Any, port: PortSettings) -> None:
    """Set DTR and RTS where they are stated. pyvisa-py 0.8.1 does not know the attributes: its port itself is told."""
    from pyvisa.constants import LineState, ResourceAttribute

    for name, wanted in (("dtr", port.dtr), ("rts", port.rts)):
        if wanted is None:
            continue
        direct = _reachable_port(resource)
        if direct is not None:
            setattr(direct, name, wanted == "on")
        else:
            state = LineState.asserted if wanted == "on" else LineState.unasserted
            resource.set_visa_attribute(getattr(ResourceAttribute, f"asrl_{name}_state"), state)


def _reachable_port(resource: Any) -> Any:
    """Return pyserial's port behind a serial resource where the backend lets us reach it (pyvisa-py does), or None."""
    session = getattr(resource.visalib, "sessions", {}).get(resource.session)
    found = getattr(session, "interface", None)
    return found if hasattr(found, "dtr") and hasattr(found, "rts") else None


def words_of(port: PortSettings) -> str:
    """Return port settings in words, as the bench file spells them."""
    flow = "no" if port.flow == "none" else port.flow
    lines = "".join(f", {name} {state}" for name, state in (("DTR", port.dtr), ("RTS", port.rts)) if state is not None)
    frame = f"{port.baud} baud, {port.bits} bits, parity {port.parity}, {port.stop} stop bits"
    return f"{frame}, {flow} flow control{lines}"


def writable(wire: socket.socket) -> bool:
    """Whether it takes what is written within WRITE_WITHIN; pyvisa-py would wait for ever."""
    return bool(select.select([], [wire], [], WRITE_WITHIN)[1])


def reachable_socket(resource: Any) -> socket.socket | None:
    """Return the socket behind a raw-socket resource where the backend lets us reach it (pyvisa-py does)."""
    session = getattr(resource.visalib, "sessions", {}).get(resource.session)
    found = getattr(session, "interface", None)
    return found if isinstance(found, socket.socket) else None
