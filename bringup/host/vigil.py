"""What the guardian knows of the tool it watches over, from the lines it was told; and when silence means a hang.

Pure: lines and moments go in. Lines: `attempt ID`, `on`, `beat`, `ending SECONDS`, `off`, `load left`, `closed`,
and as the last word one of `stand down`, `stand down and look` or `take over`.
"""

from __future__ import annotations

import math
from enum import StrEnum

HANG_BOUND = 5.0
"""Seconds without a sign of life while an output is on that count as a hang. A supply that falls silent is noticed by
the tool itself after two; whatever blocks the tool for longer than this, a person would have switched off by hand."""
FINISHING = 2.0
"""Seconds that the tool is given to end by itself, or to say that it is at it, when `bringup off` found it silent."""
LONGEST_ENDING = 20.0
"""Seconds after that for switching off, at most, whatever it announces: longer than its emergency way may take."""
RECORDING = 15.0
"""Seconds after off for recording it, in a logbook that somebody else may hold for a while."""


class LastWord(StrEnum):
    """How the tool ends its relation with the guardian."""

    STAND_DOWN = "stand down"
    """All is done."""
    STAND_DOWN_AND_LOOK = "stand down and look"
    """Off was verified, but a call to the supply never came back: look once more when the process is gone."""
    TAKE_OVER = "take over"
    """Off could not be verified, and the links are closed: go on trying."""


class Vigil:
    """The state of the outputs as the tool told it, and until when it may be silent. Monotonic seconds."""

    def __init__(self, hang_bound: float = HANG_BOUND) -> None:
        self._hang_bound = hang_bound
        self.attempt = ""
        """Its id in the logbook; empty before it began."""
        self.closed = False
        """Whether the tool has closed the attempt in the logbook."""
        self.on = False
        """Whether an output may be on."""
        self.was_on = False
        self._seen = math.inf
        """When an output showed itself last, or was switched on."""
        self.load_left = False
        """Whether the load beside the supply could not be verified off."""
        self.silent_until: float | None = None
        """When silence becomes a hang; None while nothing is on."""
        self.last_word: LastWord | None = None
        self.program: tuple[int, str] | None = None
        """Process of the host program under way, and when it started as the system counts it ('': unknown)."""
        self._beaten = self._ending_until = self._off_since = -math.inf

    def heard(self, line: str, now: float) -> None:
        """Take in one line. What cannot be understood is no sign of life."""
        word, _, rest = line.partition(" ")
        if line in tuple(LastWord):
            self.last_word = LastWord(line)
        elif word == "attempt":
            self.attempt, self.closed = rest, False
        elif line == "load left":
            self.load_left = True
        elif word == "closed":
            self.closed = True
        elif word == "program":
            # No sign of life: it is said by whoever starts programs, not by who decides.
            pid, _, started = rest.partition(" ")
            self.program = (int(pid), started) if pid.isdecimal() and int(pid) else None
        elif word == "on":
            self._seen = self._seen if self.on else now
            self.on = self.was_on = True
            self._bear(now, 0.0)
        elif word == "beat":
            self._beaten = self._seen = now
            self._bear(now, 0.0)
        elif word == "ending":
            self._ending_until = max(self._ending_until, now + _seconds(rest))
            self._bear(now, _seconds(rest))
        elif word == "off":
            self.on, self.silent_until, self._ending_until, self._off_since = False, None, -math.inf, now

    def hangs(self, now: float) -> bool:
        """Whether the tool has been silent for too long."""
        return self.silent_until is not None and now >= self.silent_until

    def unseen(self, now: float) -> bool:
        """Whether an output has not shown itself for so long that nobody knows what the board went through."""
        return self.on and now - self._seen > self._hang_bound

    def finishing_until(self, asked: float) -> float:
        """Until when a tool that did not answer `bringup off` is left to obey it: it may have heard late.

        One that says that it is switching off has the time it announced, one that has switched off has time to record
        it. One that looks at its supply all the same will obey at its next look, or never.
        """
        until = asked + FINISHING
        if self._beaten >= asked:
            until = max(until, min(self._beaten + FINISHING, asked + self._hang_bound))
        if not self.on and not self.closed:
            until = max(until, self._off_since + RECORDING)
        return max(until, min(self._ending_until, asked + LONGEST_ENDING))

    def overslept(self, now: float) -> None:
        """This process itself was not running for a while, so the silence proves nothing: allow the bound once more."""
        self._bear(now, 0.0)

    def _bear(self, now: float, seconds: float) -> None:
        if self.on:
            self.silent_until = max(now + max(seconds, self._hang_bound), self.silent_until or 0.0)


def _seconds(text: str) -> float:
    try:
        return min(float(text), 600.0)
    except ValueError:
        return 0.0
