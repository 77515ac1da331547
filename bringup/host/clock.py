"""Wall time and the signals of the operating system, as the runner's Clock. One per process, in the main thread.

A signal handler here only notes what came and wakes the wait point; whoever waits there acts on it. So no signal
breaks into anything, however often it comes.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from types import FrameType
from typing import Any

from bringup.host.bell import LONGEST_WAIT, Bell
from bringup.runner.records import Interruption

_MEANING = {
    "SIGINT": Interruption.CTRL_C,
    "SIGQUIT": Interruption.CTRL_C,
    "SIGBREAK": Interruption.CTRL_C,
    "SIGTERM": Interruption.TERMINATE,
    "SIGHUP": Interruption.HANG_UP,
    "SIGTSTP": Interruption.SUSPEND,
}
"""Signal -> what it means; those that this system does not have are left out."""

_IGNORED = ("SIGTTIN", "SIGTTOU")
"""These would stop a process in the background, its outputs on, because it reads or sets the terminal."""

_HONOURED = ("SIGHUP", "SIGTSTP")
"""Left ignored where they were ignored before: under nohup, and where no shell could bring the process back."""

# A lock on Windows is not left when a signal comes, so waits are cut into pieces there.
_LONGEST_PIECE = 0.1 if os.name == "nt" else LONGEST_WAIT


def _missed() -> float:
    """Return by how much a clock that counts on during sleep is ahead of the monotonic one (which need not).

    Linux and macOS have both clocks. On Windows the monotonic clock itself counts on (from memory), so nothing is
    missed. Elsewhere only the wall clock is left, and setting it looks like sleep.
    """
    if sys.platform == "win32":
        return 0.0
    if sys.platform == "darwin":
        return time.clock_gettime(time.CLOCK_MONOTONIC_RAW) - time.clock_gettime(time.CLOCK_UPTIME_RAW)
    number = getattr(time, "CLOCK_BOOTTIME", None)
    ahead = time.time() if number is None else time.clock_gettime(number)
    return ahead - time.monotonic()


class HostClock:
    """Implements runner.protocols.Clock on the host's clock."""

    def __init__(
        self,
        heard: Callable[[Interruption], None] = lambda _interruption: None,
        woke: Callable[[], None] = lambda: None,
    ) -> None:
        """`heard` is told of each interruption, from a signal handler or any thread; `woke` when a wait has ended."""
        self._heard = heard
        self._woke = woke
        self._bell = Bell()
        self._interruptions: deque[Interruption] = deque()

    def monotonic(self) -> float:
        """Seconds since some fixed moment; never jumps."""
        return time.monotonic()

    def utc(self) -> datetime:
        """Wall time, aware."""
        return datetime.now(UTC)

    def asleep(self) -> float:
        """Seconds that the monotonic clock missed while the computer slept, up to a constant."""
        return _missed()

    def wait(self, until: float) -> None:
        """Return at monotonic time `until`, or earlier if `wake` was called, also before this wait began."""
        self._wait(until)
        self._woke()

    def _wait(self, until: float) -> None:
        while True:
            left = until - time.monotonic()
            if self._bell.wait(min(left, _LONGEST_PIECE)) or left <= 0:
                return

    def wake(self) -> None:
        """End the wait now, or the next one if nobody waits. Callable from any thread and from a signal handler."""
        self._bell.ring()

    def interruption(self) -> Interruption | None:
        """The interruption that came first and has not been acknowledged."""
        return self._interruptions[0] if self._interruptions else None

    def acknowledge(self) -> None:
        """Forget that interruption. One of another kind that came meanwhile is not lost: it is next."""
        if self._interruptions:
            self._interruptions.popleft()

    def ask_off(self) -> None:
        """Note that `bringup off` asks for the outputs to go off. Callable from any thread."""
        self._note(Interruption.OFF_ASKED)

    def hang_up(self) -> None:
        """Note that the terminal is lost. Callable from any thread."""
        self._note(Interruption.HANG_UP)

    @contextmanager
    def signals(self) -> Iterator[None]:
        """Take the signals that would end or stop the process, and give them back at the end. Main thread only.

        Raises RuntimeError in another thread: signals are handled in the main thread, whatever waits there.
        """
        if threading.current_thread() is not threading.main_thread():
            raise RuntimeError("signals can be taken in the main thread only")
        before: dict[int, Any] = {}
        try:
            for name in (*_MEANING, *_IGNORED):
                number = getattr(signal, name, None)
                if number is None or (name in _HONOURED and signal.getsignal(number) is signal.SIG_IGN):
                    continue
                handler = self._handle if name in _MEANING else signal.SIG_IGN
                before[number] = signal.signal(number, handler)
            yield
        finally:
            for number, handler in before.items():
                # None stands for a handler that was not set from Python and cannot be set again from here.
                signal.signal(number, signal.SIG_DFL if handler is None else handler)

    def suspend_now(self) -> None:
        """Stop the process until the shell continues it. On Windows, which has nothing like it, do nothing."""
        stop = getattr(signal, "SIGSTOP", None)
        if stop is not None:
            os.kill(os.getpid(), stop)

    def _handle(self, number: int, frame: FrameType | None) -> None:
        del frame
        self._note(_MEANING[signal.Signals(number).name])

    def _note(self, interruption: Interruption) -> None:
        if interruption not in self._interruptions:
            self._interruptions.append(interruption)
            self._heard(interruption)
        self.wake()
