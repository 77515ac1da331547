"""How long a person may leave something undone while an output is on. The wait point holds it to that."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bringup.core.wording import duration
from bringup.runner.endings import NobodyAnswered

if TYPE_CHECKING:
    from bringup.runner.wait import WaitPoint

WARNED_AT = 0.8
"""Part of the time after which it is said that it is nearly over, with the bell."""


def nothing_at_stake() -> bool:
    """No output is on."""
    return False


@dataclass(slots=True)
class Patience:
    """What the procedure says of it."""

    seconds: float = math.inf
    """That a question may stay open while an output is on."""
    at_stake: Callable[[], bool] = nothing_at_stake
    """Whether an output is on that may go off where nobody answers: not while an irreversible step spares power."""

    def left(self, within: float = math.inf) -> float:
        """Return how long what is asked now may stay open. `within`: seconds that it may in any case."""
        return min(within, self.seconds if self.at_stake() else math.inf)

    def warning(self, within: float) -> str:
        """Say that a person has not answered for most of the time that there is."""
        off = ", then every output goes off" if self.at_stake() else ""
        passed, left = duration(WARNED_AT * within), duration((1 - WARNED_AT) * within)
        return f"nobody has answered for {passed}: {left} more{off}"


class Undone:
    """Something that is looked for again and again until a person has done it: a probe put down, a picture taken."""

    def __init__(self, waits: WaitPoint, text: str, within: float = math.inf) -> None:
        """Begins now. `within`: seconds that it may take in any case."""
        self._waits, self._text = waits, text
        self._left = waits.patience.left(within)
        self._begun, self._warned = waits.clock.monotonic(), False

    def look(self) -> None:
        """Say when the time is nearly over. Raises NobodyAnswered once it is."""
        passed = self._waits.clock.monotonic() - self._begun
        if passed >= self._left:
            raise NobodyAnswered(self._left, self._text)
        if passed >= WARNED_AT * self._left and not self._warned:
            self._warned = True
            self._waits.warn(self._left)
