"""What one session has brought, cut into lines: ends of lines, silence as an end, prompts, halves that went stale."""

from __future__ import annotations

import time

from bringup.instruments.wire import BLANK, MOST_BYTES, WRITE_WITHIN, Broken, Session, Wire
from bringup.runner.records import LinkFault

MOST_STALE = 1000
"""Lines that nobody asked for, one after the other: more of them never end."""

MOST_IN_BLOCK = 16 << 20
"""Bytes of a block that is still waited for: a screen of 1920 by 1080 points as BMP has 6.2 million."""
_BLANKS = tuple(bytes((code,)) for code in BLANK.encode("latin-1"))
_DIGITS = tuple(b"%d" % digit for digit in range(1, 10))


class Hearing:
    """The bytes of one session. Every method may raise Broken."""

    def __init__(self, session: Session, wire: Wire) -> None:
        self._session = session
        self._end = wire.read_end.encode("latin-1")[-1:] or b"\n"
        self._quiet = None if wire.read_end else wire.quiet
        self._prompt = wire.prompt.strip(BLANK)
        self._buffer = bytearray()
        self._stale_head = False

    def line(self, until: float) -> str | None:
        """Return the next line without its end, blanks and prompt; None if none is complete by `until`."""
        while True:
            end = self._buffer.find(self._end)
            if end >= 0:
                text = self._cut(end, 1)
            elif self._quiet is not None and self._buffer:
                if self._fetch(time.monotonic() + self._quiet):
                    if time.monotonic() > until + WRITE_WITHIN:
                        raise Broken(LinkFault.LOST, "it sends without end")
                    continue
                text = self._cut(len(self._buffer), 0)
            elif self._fetch(until):
                continue
            else:
                return None
            if not self._stale_head:
                return text
            self._stale_head = False

    def block(self, count: int, until: float) -> str | None:
        """Return so many bytes as they are, one character each; None if they have not all come by `until`."""
        if self._stale_head:
            return None  # Where the rest of that half line ends and the answer begins, nobody knows.
        while len(self._buffer) < count:
            if not self._fetch(until):
                return None
        data = bytes(self._buffer[:count])
        del self._buffer[:count]
        return data.decode("latin-1")

    def definite_block(self, until: float) -> str | None:
        """Return a definite block (`#`, digit, count, data) with its head, or a line that is none.

        Line ends within the data end nothing. None if it has not all come by `until`; Broken where its message ends
        before its data do.
        """
        if self._stale_head:
            return None
        wanted, ended = 1, False
        while True:
            while self._buffer[:1] in _BLANKS:
                del self._buffer[:1]
            digits = bytes(self._buffer[1:2])
            head = 2 + (int(digits) if digits in _DIGITS else 0)
            count = bytes(self._buffer[2:head])
            whole = bool(digits) and len(count) == head - 2
            none = bytes(self._buffer[:1]) not in (b"", b"#") or (whole and not count.isdigit())
            if none or (whole and int(count) > MOST_IN_BLOCK):
                if ended and not self._buffer.endswith(self._end):
                    self._buffer += self._end
                return self.line(until)
            if whole and len(self._buffer) >= (wanted := head + int(count)):
                return self.block(wanted, until)
            if ended:
                why = f"the block is cut short: {len(self._buffer)} of {wanted} bytes came"
                raise Broken(LinkFault.LOST, why)
            data, ended = self._session.receive(until)
            if not data:
                return None
            self._buffer += data

    def stale(self) -> list[str]:
        """Return what came before we asked: it answers nothing. A half line marks the line it will become."""
        lines: list[str] = []
        if not self._buffer and not self._session.waiting():
            return lines
        now = time.monotonic()
        while (line := self.line(now)) is not None:
            if line:
                lines.append(line)
            if len(lines) > MOST_STALE:
                raise Broken(LinkFault.LOST, "it sends line after line without being asked")
        rest = self._cleaned(self._buffer)
        if not rest:
            self._buffer.clear()
        elif not self._prompt.startswith(rest):
            lines.append(rest)
            self._stale_head = True
        return lines

    def echoed(self, character: bytes, until: float) -> bool:
        """Whether this character comes back by `until`. Blanks before it are the end of what went before."""
        while True:
            while self._buffer:
                came = bytes(self._buffer[:1])
                del self._buffer[:1]
                if came == character:
                    return True
                if came.decode("latin-1") not in BLANK:
                    why = f"it repeats {came!r} where {character!r} was sent: the rest of that message was not sent"
                    raise Broken(LinkFault.LOST, why)
            if not self._fetch(until):
                return False

    def _fetch(self, until: float) -> bool:
        """Wait for more. Returns whether any came by `until`."""
        if len(self._buffer) > MOST_BYTES:
            raise Broken(LinkFault.LOST, f"it sent {MOST_BYTES} bytes without the end of a line")
        data, ended = self._session.receive(until)
        if not data:
            return False
        self._buffer += data
        if ended and not self._buffer.endswith(self._end):
            self._buffer += self._end
        return True

    def _cut(self, length: int, end: int) -> str:
        """Take a line of that length and its end off the buffer."""
        line = bytes(self._buffer[:length])
        del self._buffer[: length + end]
        return self._cleaned(line)

    def _cleaned(self, line: bytes | bytearray) -> str:
        text = line.decode("latin-1").strip(BLANK)
        at = text.rfind(self._prompt) if self._prompt else -1
        # Before it may stand other prompts, and pieces of one whose beginning was taken for stale.
        if at >= 0 and not text[:at].strip(self._prompt + BLANK):
            text = text[at + len(self._prompt) :].strip(BLANK)
        return text
