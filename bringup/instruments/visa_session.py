"""A session through pyvisa over a cable that marks the ends of messages by itself: HiSLIP, VXI-11, USBTMC, GPIB.

Serial lines and raw sockets are streams (visa_streams).
"""

from __future__ import annotations

import time
from contextlib import ExitStack
from typing import Any

from bringup.instruments.visa_library import explain, explain_status
from bringup.instruments.wire import WRITE_WITHIN, Broken
from bringup.runner.records import LinkFault

CHUNK = 4096
"""Bytes fetched in one go."""


class VisaSession:
    """One open session (wire.Session), used in one thread."""

    joins_writes = False
    marks_ends = True
    """Whether the cable says where a message ends; else the bytes do."""

    def __init__(self, resource: Any) -> None:
        """`resource`: what pyvisa opened."""
        from pyvisa.constants import StatusCode

        self.trouble_at_close = ""
        self._resource = resource
        self._visa = resource.visalib
        self._handle = resource.session
        self._leave = ExitStack()
        self._timeout_ms = -1
        self._ends = (StatusCode.success, StatusCode.success_termination_character_read)
        self._leave.enter_context(self._visa.ignore_warning(self._handle, StatusCode.success_max_count_read))

    def write(self, data: bytes) -> None:
        """Send."""
        try:
            self._within(WRITE_WITHIN)
            taken, status = self._visa.write(self._handle, data)
        except Exception as error:
            broken = explain(error)
            if broken.fault is LinkFault.TIMEOUT:
                raise Broken(LinkFault.TIMEOUT, "it takes no more messages") from error
            raise broken from error
        if status < 0:  # not every backend raises it
            raise Broken(*explain_status(status))
        if taken < len(data):
            raise Broken(LinkFault.TIMEOUT, f"it took {taken} of {len(data)} bytes")

    def receive(self, until: float) -> tuple[bytes, bool]:
        """Return bytes, and whether they end a message; (b"", False) if none came in time."""
        try:
            self._within(until - time.monotonic())
            data, status = self._visa.read(self._handle, self._most())
        except Exception as error:
            broken = explain(error)
            if broken.fault is LinkFault.TIMEOUT:
                return b"", False
            raise broken from error
        if status < 0:
            raise Broken(*explain_status(status))
        return bytes(data), self.marks_ends and status in self._ends

    def waiting(self) -> bool:
        """Whether bytes have come that nobody has fetched: not known here; the protocols tell answers apart."""
        return False

    def close(self) -> None:
        """Let go. What goes wrong here changes nothing: the session is gone either way."""
        try:
            self._leave.close()
            self._resource.close()
        except Exception as error:  # noqa: BLE001 - see above
            self.trouble_at_close = explain(error).why

    def _most(self) -> int:
        """How many bytes to fetch in one go."""
        return CHUNK

    def _within(self, seconds: float) -> None:
        """Bound the next call."""
        milliseconds = max(1, int(seconds * 1000))
        if milliseconds != self._timeout_ms:
            self._resource.timeout = self._timeout_ms = milliseconds
