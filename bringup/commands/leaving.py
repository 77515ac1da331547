"""Leaving in order when told to end: what a command has made for itself, such as a copy in a folder, goes with it."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

KILLED = 128
"""What a shell adds to the number of the signal that ended a program: the exit code that it tells."""
TOLD_TO_END = ("SIGTERM", "SIGHUP")
"""A system that shuts down, and a terminal that was closed. Ctrl-C unwinds by itself."""


@contextmanager
def leaving_in_order() -> Iterator[None]:
    """Have a signal to end unwind what is within. One that is ignored (`nohup`) stays so.

    For commands with nothing powered; an attempt's signals are its clock's.
    """
    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in TOLD_TO_END:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is signal.SIG_DFL:
                before[number] = signal.signal(number, _leave)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _leave(number: int, _: object) -> NoReturn:
    raise SystemExit(KILLED + number)
