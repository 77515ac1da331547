"""A serial line of the board: one thread that alone opens, hears, writes and closes it (runner.protocols.Line).

It never holds up whoever watches the supply: what comes waits in a bounded queue, and a line that is gone is tried
again until it is back.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Callable

from bringup.errors import BenchError
from bringup.instruments.line_streams import Stream
from bringup.runner.pending import Pending
from bringup.runner.records import Heard

MOST_WAITING = 1 << 20
"""Bytes that wait to be taken; what comes beyond is left out, and counted."""
AT_ONCE = 8192
"""Bytes that one `take` returns, so that looking through them takes no longer than a look at the supply may."""
TOGETHER = 0.05
"""Seconds within which what comes is one piece, with the time of its first byte."""
WAKE_EVERY = 0.02
"""Seconds between two wakings of the runner while text comes."""
TRY_AGAIN = 0.5
"""Seconds until a line that is gone is tried again."""
FULL = 0.01
"""Seconds that are let pass where nothing more can be taken."""
GONE_WITHIN = 2.0


class LineReader:
    """One line, until `close`."""

    def __init__(
        self,
        open_it: Callable[[], tuple[Stream, str]],
        wake: Callable[[], None],
        monotonic: Callable[[], float],
        *,
        where: str,
        lent_to_programs: bool = False,
        may_come_later: bool = False,
    ) -> None:
        """Open it. Raises BenchError, with what to do, unless it `may_come_later`."""
        self._open_it, self._wake, self._monotonic = open_it, wake, monotonic
        self._lent_to_programs = lent_to_programs
        self.where = where
        self.gone = ""
        self._lock = threading.Lock()
        self._come: deque[Heard] = deque()
        self._size = self._lost = 0
        self._woken = -math.inf
        self._sending: deque[tuple[bytes, Pending[str]]] = deque()
        self._lend: Pending[str] | None = None
        self._stop = threading.Event()
        self._stream: Stream | None = None
        try:
            self._stream, self.where = open_it()
        except BenchError as error:
            if not may_come_later:
                raise
            self.gone = f"it is not there yet: {error.message}"
        self._thread = threading.Thread(target=self._serve, name=f"line at {self.where}", daemon=True)
        self._thread.start()

    @property
    def waiting(self) -> bool:
        """Whether anything waits to be taken."""
        return bool(self._come)

    def take(self) -> list[Heard]:
        """Return what has come, of very much only a part."""
        taken, size = list[Heard](), 0
        with self._lock:
            while self._come and size < AT_ONCE:
                taken.append(self._come.popleft())
                size += len(taken[-1].data)
            self._size -= size
        return taken

    def send(self, data: bytes) -> Pending[str]:
        """Send these bytes."""
        pending: Pending[str] = Pending(math.inf, self._wake)
        self._sending.append((data, pending))
        return pending

    def lend(self) -> Pending[str]:
        """Let go of the port, if programs need it."""
        pending: Pending[str] = Pending(math.inf, self._wake)
        if self._lent_to_programs:
            self._lend = pending
        else:
            pending.settle("")
        return pending

    def take_back(self) -> None:
        """Open it again if it was lent."""
        self._lend = None

    def close(self) -> None:
        """End, waiting a bounded time."""
        self._stop.set()
        self._thread.join(GONE_WITHIN)

    def _serve(self) -> None:
        while not self._stop.is_set():
            if (lent := self._lend) is not None:
                self._let_go()
                lent.settle("")
                self._stop.wait(TOGETHER)
            elif self._stream is None:
                self._try_again()
            else:
                self._exchange(self._stream)
            self._wake_if_due()
        self._let_go()

    def _exchange(self, stream: Stream) -> None:
        try:
            while self._sending:
                self._write(stream, *self._sending.popleft())
            data = stream.read()
        except OSError as error:
            self._let_go()
            self.gone = str(error)
            self._add(Heard(self._monotonic(), news=f"the line is gone: {error}"))
            self._stop.wait(TRY_AGAIN)
            return
        if data:
            self._hear(data)

    def _write(self, stream: Stream, data: bytes, pending: Pending[str]) -> None:
        try:
            stream.write(data)
        except TimeoutError as error:
            pending.settle(str(error))
        except OSError as error:
            pending.settle(str(error))
            raise
        else:
            pending.settle("")

    def _hear(self, data: bytes) -> None:
        now = self._monotonic()
        with self._lock:
            if self._size + len(data) > MOST_WAITING:
                self._lost += len(data)
            else:
                last = self._come[-1] if self._come else None
                self._size += len(data)
                if last is not None and not self._lost and _goes_with(last, data, now):
                    self._come[-1] = Heard(last.monotonic, last.data + data, last.lost)
                else:
                    self._come.append(Heard(now, data, self._lost))
                    self._lost = 0
                return
        self._stop.wait(FULL)

    def _add(self, heard: Heard) -> None:
        with self._lock:
            self._come.append(heard)

    def _let_go(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.close()

    def _try_again(self) -> None:
        while self._sending:
            self._sending.popleft()[1].settle(f"the line is gone: {self.gone}")
        try:
            self._stream, self.where = self._open_it()
        except BenchError:
            self._stop.wait(TRY_AGAIN)
            return
        if self.gone:
            self.gone = ""
            self._add(Heard(self._monotonic(), news=f"the line is there, at {self.where}"))

    def _wake_if_due(self) -> None:
        now = self._monotonic()
        if self._come and now - self._woken >= WAKE_EVERY:
            self._woken = now
            self._wake()


def _goes_with(last: Heard, data: bytes, now: float) -> bool:
    """Whether what comes now is one piece with what came last."""
    return bool(last.data) and now - last.monotonic < TOGETHER and len(last.data) + len(data) <= AT_ONCE
