"""A simulated board that talks: what it says on a serial line once its rail stands, and what it answers.

The text depends on the board state and begins anew whenever the rail comes up or the state changes. Not thread-safe:
whoever carries the text asks with the world's lock held.
"""

from __future__ import annotations

import re

from bringup.core.design_values import nominal_volts
from bringup.core.talk import Saying, Talk
from bringup.simulation.world import BoardWorld

STANDS = 0.9
"""Part of its nominal volts from which on a rail stands (common practice, no source)."""
LINE_END = b"\r\n"
_HOLE = re.compile(r"\{([^{}]*)\}")
_ENDS = re.compile(rb"[\r\n]+")


class Talking:
    """One serial line of a simulated board."""

    def __init__(self, world: BoardWorld, talk: Talk) -> None:
        self._world, self._talk = world, talk
        self._stands_at = STANDS * abs(nominal_volts(world.specimen.board, talk.powered_by) or 0.0)
        self._since: float | None = None
        self._until = 0.0
        self._state: str | None = None
        self._heard = b""
        self._answers: list[str] = []

    def due(self, now: float) -> bytes:
        """Return what has been said since the last call."""
        if abs(self._world.point_volts(self._talk.powered_by, now)) < max(self._stands_at, 0.1):
            self._since, self._heard, self._answers = None, b"", []
            return b""
        if self._since is None or self._state != self._world.specimen.state:
            self._since, self._until, self._state = now, -1.0, self._world.specimen.state
        passed, before, self._until = now - self._since, self._until, now - self._since
        said = [
            (at, saying.text) for saying in self._talk.sayings(self._state) for at in _times(saying, before, passed)
        ]
        texts = [text for _, text in sorted(said, key=lambda each: each[0])] + self._answers
        self._answers = []
        return b"".join(self._filled(text, now).encode() + LINE_END for text in texts)

    def hear(self, data: bytes) -> None:
        """Take what was sent to the board; it answers the lines that it knows."""
        *lines, self._heard = _ENDS.split(self._heard + data)
        known = self._talk.answers
        self._answers += [known[text] for line in lines if (text := line.decode("utf-8", "replace").strip()) in known]

    def _filled(self, text: str, now: float) -> str:
        return _HOLE.sub(lambda hole: f"{self._world.point_volts(hole[1], now):.3f}", text)


def _times(saying: Saying, before: float, passed: float) -> list[float]:
    """Return when, after `before` and up to `passed`, a text is said."""
    at, found = saying.after, list[float]()
    while at <= passed:
        if at > before:
            found.append(at)
        if saying.every is None:
            break
        at += saying.every
    return found
