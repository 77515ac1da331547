"""Single keys from the terminal, read by a thread so that nobody waits for a person. No view, no meaning here.

POSIX uses cbreak mode (signals keep working: Ctrl-C and Ctrl-Z stay what they are), Windows its console calls.
The terminal is put back as it was on leaving, and while the process is stopped.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Callable, Iterator

from bringup.terminal.keystrokes import BACKSPACE, ENTER, Keystrokes

_LOOK_EVERY = 0.2
"""Seconds after which the reading thread looks whether it should end."""
_REST_WITHIN = 0.05
"""Seconds within which the rest of an escape sequence comes, if it is one and not the Esc key."""


class Keys:
    """Calls `on_key` with each character, from a thread of its own, between `start` and `stop`."""

    def __init__(self, on_key: Callable[[str], None], on_lost: Callable[[], None] = lambda: None) -> None:
        """`on_lost` is called once when the terminal goes away."""
        self._on_key = on_key
        self._on_lost = on_lost
        self._leave = threading.Event()
        self._thread: threading.Thread | None = None
        self._before: list[object] | None = None

    def start(self) -> None:
        """Take the terminal and begin to read."""
        self._leave.clear()
        self._take()
        self._thread = threading.Thread(target=self._read, name="keys", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Give the terminal back. Safe to call twice."""
        self._leave.set()
        if self._thread is not None:
            self._thread.join(timeout=5 * _LOOK_EVERY)
            self._thread = None
        self._give_back()

    @contextlib.contextmanager
    def taken(self) -> Iterator[None]:
        """Read keys within; the terminal is given back whatever happens."""
        self.start()
        try:
            yield
        finally:
            self.stop()

    @contextlib.contextmanager
    def given_back(self) -> Iterator[None]:
        """Hand the terminal to the shell while the process is stopped."""
        self.stop()
        try:
            yield
        finally:
            self.start()

    if sys.platform == "win32":

        def _take(self) -> None:
            pass

        def _give_back(self) -> None:
            pass

        def _read(self) -> None:
            import msvcrt

            while not self._leave.wait(0.02):
                while msvcrt.kbhit():
                    character = msvcrt.getwch()
                    if character in "\x00\xe0" and msvcrt.kbhit():
                        msvcrt.getwch()  # an arrow or function key comes as two
                        continue
                    self._on_key({"\r": ENTER, "\x08": BACKSPACE}.get(character, character))

    else:

        def _take(self) -> None:
            import termios
            import tty

            descriptor = sys.stdin.fileno()
            self._before = termios.tcgetattr(descriptor)
            tty.setcbreak(descriptor, termios.TCSANOW)

        def _give_back(self) -> None:
            import termios

            if self._before is None:
                return
            # A terminal that has gone cannot be put back: there is nobody to tell either.
            with contextlib.suppress(termios.error, OSError, ValueError):
                termios.tcsetattr(sys.stdin.fileno(), termios.TCSANOW, self._before)  # type: ignore[arg-type]
            self._before = None

        def _read(self) -> None:
            import select

            descriptor, strokes = sys.stdin.fileno(), Keystrokes()
            while not self._leave.is_set():
                try:
                    within = _REST_WITHIN if strokes.waiting else _LOOK_EVERY
                    ready, _, _ = select.select([descriptor], [], [], within)
                    if not ready:
                        self._press(strokes.nothing_follows())
                        continue
                    chunk = os.read(descriptor, 256)
                except (OSError, ValueError):
                    chunk = b""
                if not chunk:
                    self._on_lost()
                    return
                self._press(strokes.take(chunk))

    def _press(self, keys: list[str]) -> None:
        for key in keys:
            self._on_key(key)
