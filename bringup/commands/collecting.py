"""How often Python looks through its objects for what nobody can reach any more.

A start makes objects by the ten thousand, nearly all of which stay to the end; looking through them every 700 of them,
as is usual, takes a tenth of it. So it is put off first thing, and an attempt, which may go on for hours, goes back to
what is usual once it is set up.
"""

from __future__ import annotations

import gc

USUAL = gc.get_threshold()
"""What Python itself takes for a good measure."""

AT_START = 150_000
"""New objects before the first look: `bringup run` makes some 52,000 before its first message. Tested."""


def put_off() -> None:
    """Begin a process. What was made by then is next to nothing."""
    gc.set_threshold(AT_START, *USUAL[1:])


def as_usual() -> None:
    """Look as often as is usual again, but never at what is there by now. Does nothing where nothing was put off."""
    if gc.get_threshold()[0] == AT_START:
        gc.freeze()
        gc.set_threshold(*USUAL)
