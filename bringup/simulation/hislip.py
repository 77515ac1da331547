"""HiSLIP messages (IVI-6.1, from memory; the numbers agree with those of pyvisa-py's client, which a test compares).

Every message is a header of 16 bytes, in network order, and a payload: prologue "HS", message type, control code,
message parameter (4 bytes), length of the payload (8 bytes).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from enum import IntEnum

from bringup.core.frozen import frozen

HEADER = struct.Struct("!2sBBIQ")
PROLOGUE = b"HS"
VERSION = 0x0100
"""1.0, high byte major."""
VENDOR = int.from_bytes(b"BU", "big")
MOST_PAYLOAD = 1 << 20
"""The largest payload that our side takes, and says so."""
SIZE = struct.Struct("!Q")
RMT_DELIVERED = 1
"""Bit of the control code of what a client sends: it has the end of the last response."""


class Type(IntEnum):
    """Message types."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL_CONTROL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAXIMUM_MESSAGE_SIZE = 15
    ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_SERVICE_REQUEST = 20
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


class Fatal(IntEnum):
    """Control codes of FatalError: the connection is of no use any more."""

    UNIDENTIFIED = 0
    BAD_HEADER = 1
    ONE_CHANNEL_ONLY = 2
    BAD_INITIALIZATION = 3
    TOO_MANY_CLIENTS = 4


class Minor(IntEnum):
    """Control codes of Error: the message is discarded."""

    UNIDENTIFIED = 0
    UNKNOWN_TYPE = 1
    UNKNOWN_CONTROL_CODE = 2
    UNKNOWN_VENDOR_MESSAGE = 3
    TOO_LARGE = 4


class Lock(IntEnum):
    """Control codes of AsyncLockResponse."""

    FAILED = 0
    EXCLUSIVE = 1
    SHARED = 2
    WRONG = 3


class Malformed(Exception):  # noqa: N818 - what came is that
    """What came is no HiSLIP message: nobody knows where the next one begins."""


@frozen
class Packet:
    """One message. `type` is a plain number: it may be one that nobody knows."""

    type: int
    control: int = 0
    parameter: int = 0
    payload: bytes = b""
    oversize: bool = False
    """Whether the payload was too large, and was skipped."""

    def encode(self) -> bytes:
        """Return it as bytes."""
        return HEADER.pack(PROLOGUE, self.type, self.control, self.parameter, len(self.payload)) + self.payload


def receive(recv: Callable[[int], bytes]) -> Packet | None:
    """Read one message; None at the end of the stream. A payload that is too large is skipped and left out.

    Raises Malformed where there is no header, or the stream ends inside a message.
    """
    head = _exactly(recv, HEADER.size)
    if not head:
        return None
    prologue, kind, control, parameter, length = HEADER.unpack(head)
    if prologue != PROLOGUE:
        raise Malformed(f"{prologue!r} is no prologue")
    if length > MOST_PAYLOAD:
        while length:
            skipped = len(_exactly(recv, min(length, 65536)))
            if not skipped:
                raise Malformed("the stream ends inside a message")
            length -= skipped
        return Packet(kind, control, parameter, oversize=True)
    payload = _exactly(recv, length)
    if len(payload) < length:
        raise Malformed("the stream ends inside a message")
    return Packet(kind, control, parameter, payload)


def _exactly(recv: Callable[[int], bytes], count: int) -> bytes:
    """Read so many bytes; b"" where the stream ended before the first."""
    data = b""
    while len(data) < count:
        more = recv(count - len(data))
        if not more:
            if data:
                raise Malformed("the stream ends inside a message")
            break
        data += more
    return data
