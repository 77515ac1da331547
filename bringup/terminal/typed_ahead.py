"""Dropping what was typed before a question could be read: a yes that nobody gave to it must not count."""

from __future__ import annotations

import contextlib
import sys
from typing import TextIO

if sys.platform == "win32":
    import msvcrt
else:
    import termios


def forget_typed_ahead(stream: TextIO) -> None:
    """Drop it. Nothing happens where the stream is no terminal: nobody types there."""
    if sys.platform == "win32":
        while stream.isatty() and msvcrt.kbhit():
            msvcrt.getwch()
        return
    with contextlib.suppress(OSError, ValueError, termios.error):
        termios.tcflush(stream.fileno(), termios.TCIFLUSH)
