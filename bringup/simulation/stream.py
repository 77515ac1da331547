"""A conversation over a stream of bytes, from the instrument's side: messages cut out of it, replies and all around."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator
from typing import Protocol

from bringup.simulation.instrument import MESSAGE_BYTES
from bringup.simulation.manners import GARBAGE, Manners, Speech
from bringup.simulation.wall_time import Desk


class Stream(Protocol):
    """The bytes of one client. Both directions raise OSError once it is gone."""

    def recv(self, most: int) -> bytes:
        """Wait for bytes; b"" at the end of the stream."""

    def sendall(self, data: bytes) -> None:
        """Send."""

    def come(self) -> bytes:
        """Return what has come already, b"" if nothing has."""


class StreamConversation:
    """One client's messages and what is answered to them."""

    def __init__(
        self,
        stream: Stream,
        desk: Desk,
        manners: Manners,
        speech: Speech,
        *,
        dropped: threading.Event,
        whole_turn: bool = False,
    ) -> None:
        """`dropped`: set once a connection was dropped for the sake of `drop_after`."""
        self._stream, self._desk, self._manners, self._speech = stream, desk, manners, speech
        self._dropped = dropped
        self._whole_turn = whole_turn
        self._buffer = b""
        self._lines: deque[bytes] = deque()
        """Lines that have come whole."""
        self._count = 0

    def go_on(self) -> None:
        """Answer until the client leaves."""
        for message in self._messages():
            count, self._count = self._count, self._count + 1
            if count == self._manners.drop_after and not self._dropped.is_set():
                self._dropped.set()
                return
            if not self._answer(message, count):
                return

    def _answer(self, message: bytes, count: int) -> bool:
        """Carry out one message and send its reply; False when the server stops."""
        manners, time = self._manners, self._desk.time
        if time.pause(manners.latency):
            return False
        if 0 <= manners.silent_after <= count:
            return True
        reply = self._desk.carry_out(message, whole_turn=self._whole_turn)
        if reply is not None:
            if manners.identity is not None and message.strip().upper() == b"*IDN?":
                reply = manners.identity
            if 0 <= manners.garbage_after <= count:
                reply = GARBAGE
            if count == manners.late_at and time.pause(manners.late_by):
                return False
            if manners.interrupts and self._more_has_come():
                self._desk.interrupted()
                return True
            if count == manners.stale_at:
                self._say(manners.stale)
        self._say_all(message, reply)
        return True

    def _say_all(self, message: bytes, reply: bytes | None) -> None:
        """Send all that belongs to the answer of a message, in order.

        An instrument that acknowledges may do so itself (a refusal takes that place); for one that does not, it is done
        here.
        """
        speech = self._speech
        asked = b"?" in message
        if speech.echo == "lines":
            self._say(message.strip())
        if reply is not None:
            self._say(reply)
        if speech.acknowledge and (reply is None) != asked and (speech.acknowledges_everything or not asked):
            self._say(speech.acknowledge)
        if speech.prompt:
            self._stream.sendall(speech.prompt)

    def _say(self, line: bytes) -> None:
        self._stream.sendall(line + self._speech.reply_end)

    def _more_has_come(self) -> bool:
        """Whether the next message is here already."""
        if not self._lines and not self._holds_message():
            self._buffer += self._stream.come()
        return bool(self._lines) or self._holds_message()

    def _holds_message(self) -> bool:
        end = self._speech.message_end
        return end in self._buffer if end else bool(self._buffer)

    def _messages(self) -> Iterator[bytes]:
        """Every message, until the end of the stream. One that is too long is thrown away and noted."""
        overrun, end = False, self._speech.message_end
        while True:
            if not end:
                self._lines.extend([self._buffer] if self._buffer else [])
                self._buffer = b""
            elif end in self._buffer:
                # All at once: line by line, a flood of empty ones would be copied over and over.
                *lines, self._buffer = self._buffer.split(end)
                self._lines.extend(lines)
            if self._lines:
                line = self._lines.popleft()
                if overrun or len(line) > MESSAGE_BYTES:
                    self._desk.overrun()
                elif line.strip():
                    yield line
                overrun = False
                continue
            if len(self._buffer) > MESSAGE_BYTES:
                overrun, self._buffer = True, b""
            received = self._stream.recv(65536)
            if not received:
                return
            if self._speech.echo == "characters":
                self._stream.sendall(received)
            self._buffer += received
