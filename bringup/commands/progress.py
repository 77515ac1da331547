"""How far something that takes its time has come: one line on a terminal's standard error, written anew each time.

Where standard error is no terminal, nothing is shown.
"""

from __future__ import annotations

import os
import sys
import time
from typing import Self

from bringup.core.harmless import harmless_lines
from bringup.core.wording import duration

BACK, WIPED = "\r", "\x1b[K"
OFTEN = 0.1
"""Seconds between two pictures of the line at least."""
KNOWN_AFTER = 3.0
"""Seconds after which what has been done so far says how long the rest takes."""


class Progress:
    """So many of so many are done. A context: on leaving it the line is gone."""

    def __init__(self, total: int, what: str) -> None:
        """`what`: what is counted, in the plural."""
        self._total, self._what = total, what
        self._done = 0
        self._begun = self._shown = time.monotonic()
        self._on = sys.stderr.isatty() and os.environ.get("TERM") != "dumb"

    def __enter__(self) -> Self:
        """Show that nothing is done yet."""
        self._show("")
        return self

    def __exit__(self, *_: object) -> None:
        """Take the line off."""
        self._write("")

    def one_more(self, remark: str = "") -> None:
        """One more is done. `remark`: what else is to be said, shown while there is room."""
        self._done += 1
        now = time.monotonic()
        if now - self._shown >= OFTEN:
            self._shown = now
            self._show(remark)

    def _show(self, remark: str) -> None:
        said = f"{self._done} of {self._total} {self._what}"
        gone = time.monotonic() - self._begun
        if self._done and gone >= KNOWN_AFTER:
            said += f", {duration(round(gone / self._done * (self._total - self._done)))} left"
        self._write(f"{said}; {remark}" if remark else said)

    def _write(self, text: str) -> None:
        if not self._on:
            return
        width = os.get_terminal_size(sys.stderr.fileno()).columns or len(text) + 1
        sys.stderr.write(f"{BACK}{harmless_lines(text)[: width - 1]}{WIPED}")
        sys.stderr.flush()
