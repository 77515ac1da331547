"""A serial line of the board (runner.protocols.Line), with what is said on it told to somebody who keeps it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from bringup.runner.pending import Pending
from bringup.runner.protocols import Line
from bringup.runner.records import Heard


class Note(Protocol):
    """Somebody who keeps what happens. Never raises, never blocks."""

    def __call__(self, who: str, what: str, words: str = "", data: bytes = b"", at: float | None = None) -> None:
        """Keep it, with the time of the call or `at`. Words and what is quoted: core.traffic.EVENTS."""


def names_in_traces(lines: Mapping[str, object]) -> dict[str, str]:
    """Return what lines are called in a trace: a name in a bench file may be any text."""
    return {name: f"line{number}" for number, name in enumerate(sorted(lines), 1)}


class TracedLine:
    """Passes everything on to another Line."""

    def __init__(self, line: Line, who: str, note: Note) -> None:
        """`who`: what it is called in the trace."""
        self._line, self._who, self._note = line, who, note
        self._gone = ""

    @property
    def where(self) -> str:
        """Where it is, for people."""
        return self._line.where

    @property
    def gone(self) -> str:
        """Why nothing can be heard at the moment."""
        gone = self._line.gone
        if gone != self._gone:
            self._gone = gone
            self._note(self._who, "gone", data=gone.encode("utf-8", "replace"))
        return gone

    @property
    def waiting(self) -> bool:
        """Whether `take` would return anything."""
        return self._line.waiting

    def take(self) -> Sequence[Heard]:
        """Return what has come."""
        come = self._line.take()
        for heard in come:
            self._note(self._who, "heard", str(heard.lost), heard.data, at=heard.monotonic)
            if heard.news:
                self._note(self._who, "news", data=heard.news.encode("utf-8", "replace"), at=heard.monotonic)
        return come

    def send(self, data: bytes) -> Pending[str]:
        """Send these bytes."""
        self._note(self._who, "told", data=data)
        sent = self._line.send(data)
        sent.then(lambda why: self._note(self._who, "sent", data=why.encode("utf-8", "replace")))
        return sent

    def lend(self) -> Pending[str]:
        """Let go of the port."""
        return self._line.lend()

    def take_back(self) -> None:
        """Open again what was lent."""
        self._line.take_back()
