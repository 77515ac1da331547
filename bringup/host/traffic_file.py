"""The file of `--trace`: takes lines from any thread without keeping it waiting, and writes them in one of its own.

A disk that hangs or is full holds up nobody: the trace ends there, somebody is told, and the attempt goes on.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TextIO

from bringup.core.traffic import EXPLAINED, FIRST_LINE, Event, written
from bringup.errors import CommandError

MOST_WAITING = 200_000
"""Lines kept for a disk that hangs; of more only the number is kept."""
LAST_WITHIN = 2.0
"""Seconds for writing what is left at the end."""


class TrafficFile:
    """A trace under way. `note` may be called from any thread and from signal handlers, and never raises."""

    def __init__(self, stream: TextIO, name: str, command: str) -> None:
        """Take a stream over. `command`: what the person typed, for the head of the file."""
        self.name = name
        self.trouble = ""
        """Why the file is not whole; '' while it is."""
        self._began = time.monotonic()
        self._stream = stream
        self._waiting: SimpleQueue[Event | None] = SimpleQueue()
        self._lost = 0
        self._tell: Callable[[str], None] | None = None
        self._head = (
            FIRST_LINE,
            f"# began {datetime.now(UTC).isoformat(timespec='microseconds')}",
            f"# {command.encode('ascii', 'backslashreplace').decode('ascii')}",
            *EXPLAINED,
        )
        self._thread = threading.Thread(target=self._write, name="trace", daemon=True)
        self._thread.start()

    def note(self, who: str, what: str, words: str = "", data: bytes = b"", at: float | None = None) -> None:
        """Keep that this happened now, or at monotonic time `at`. Returns at once."""
        if self.trouble:
            return
        if self._waiting.qsize() > MOST_WAITING:
            self._lost += 1
            return
        at = time.monotonic() if at is None else at
        self._waiting.put(Event(max(0.0, at - self._began), who, what, words, data))

    def tell_trouble(self, tell: Callable[[str], None]) -> None:
        """Have `tell` called, from some thread, when the file cannot be written on; at once if that was before."""
        self._tell = tell
        if self.trouble:
            tell(self.trouble)

    def close(self) -> None:
        """Write the rest, waiting a bounded time."""
        self._waiting.put(None)
        self._thread.join(LAST_WITHIN)
        if self._thread.is_alive() and not self.trouble:
            self._give_up("the disk does not take its last lines")

    def _write(self) -> None:
        try:
            with self._stream as stream:
                stream.write("\n".join(self._head) + "\n")
                stream.flush()
                while (batch := self._batch()) is not None:
                    stream.write(batch)
                    stream.flush()  # With the system now: it outlives this process, however that ends.
        except (OSError, ValueError) as error:  # ValueError: a stream that somebody closed
            self._give_up(str(error))

    def _batch(self) -> str | None:
        """Wait for lines and return all that are there; None after the last."""
        event = self._waiting.get()
        lines: list[str] = []
        try:
            while event is not None:
                lines.append(written(event))
                event = self._waiting.get_nowait()
            self._waiting.put(None)  # Met behind other lines: it ends the next turn.
        except Empty:
            pass
        if self._lost:
            lost, self._lost = self._lost, 0
            lines.append(written(Event(time.monotonic() - self._began, "trace", "lost", str(lost))))
        return "\n".join((*lines, "")) if lines else None

    def _give_up(self, why: str) -> None:
        if self.trouble:
            return
        self.trouble = f"the trace ends early, {self.name} cannot be written: {why}. The attempt goes on."
        if self._tell is not None:
            self._tell(self.trouble)


def begin(path: Path, command: str) -> TrafficFile:
    """Begin a new trace. Raises CommandError where the file cannot be made, or is there already."""
    try:
        stream = path.open("x", encoding="ascii", newline="\n")
    except FileExistsError as error:
        raise CommandError(
            f"{path} is there already, and a trace cannot be taken again",
            "Name another file for --trace, or delete that one. Nothing was opened.",
        ) from error
    except OSError as error:
        raise CommandError(
            f"{path} cannot be written: {error.strerror or error}", "Name another file for --trace. Nothing was opened."
        ) from error
    return TrafficFile(stream, str(path), command)
