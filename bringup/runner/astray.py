"""A logged quantity that stays outside its limits: after so many samples in a row the verdict of a `log` is certain.

Nothing is learnt by keeping a faulty board powered to the end of the log, and what draws twice its current below the
trip level heats all the while. Samples during start-up or in current limit, and such without a value, say nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from bringup.core.board import Board
from bringup.core.drawn import drawn
from bringup.core.limits import Limits
from bringup.core.procedure import Channel
from bringup.core.replies import Value
from bringup.core.wording import duration, limits_text, shown
from bringup.core.words import UNIT_OF, How, Kind
from bringup.runner.looks import Watched
from bringup.runner.work import Work

IN_A_ROW = 3
"""So many samples in a row outside the limits end the log: one may be a glitch, three are none (common practice, no
source)."""
DIGITS = {Kind.VOLTAGE: 4}
"""Volts are judged more finely than the rest, of which three digits are said."""
OTHER_DIGITS = 3


@dataclass(slots=True)
class Astray:
    """One channel of a log whose failure ends the attempt."""

    channel: Channel
    limits: Limits
    before: str
    """What it was before the log; '' if nobody read it."""
    begun: float
    """When the log began, in monotonic seconds."""
    outside: int = 0
    """So many samples in a row were outside."""
    since: float = 0.0
    found: float = 0.0
    board: Board | None = None
    """Whose inputs draw what is logged; None: it has no lower end but a stated one."""

    @property
    def certain(self) -> bool:
        """Whether it has stayed outside for so long that the log need not go on."""
        return self.outside >= IN_A_ROW

    def take(self, value: Value, moment: float, *, starting: bool) -> None:
        """Take one sample; `starting`: start-up or current limit, by which nothing is judged."""
        if self.certain or value.number is None:
            return
        limits = self._limits(value)
        if starting or limits.accepts(value.number):
            self.outside = 0
            return
        self.since = self.since if self.outside else moment
        self.outside, self.found = self.outside + 1, value.number

    def _limits(self, value: Value) -> Limits:
        return self.limits if self.board is None else drawn_by(self.board, self.channel, self.limits, value)

    def __str__(self) -> str:
        limits = self._limits(Value(self.found, ""))
        found = _shown(self.channel, self.found)
        after = duration(max(0.0, self.since - self.begun))
        was = f" ({self.before} before the log)" if self.before else ""
        name = f"{self.channel.point} {self.channel.kind}"
        return f"{name} {found}, expected {limits_text(limits)}, for {self.outside} samples from {after} on{was}"


def astray(work: Work, channel: Channel, limits: Limits | None, begun: float) -> Astray | None:
    """Return what looks for it; None where a log goes on whatever it reads: no limits, `go_on`, irreversible."""
    if limits is None or not work.this_step.end_on_fail or work.this_step.irreversible:
        return None
    same = (
        reading.value
        for reading in reversed(work.journal.readings)
        if (reading.point, reading.kind, reading.board_state) == (channel.point, channel.kind, work.state)
        and reading.value is not None
        and reading.how is not How.DERIVED
        and not reading.aspect.startswith("ripple")
    )
    last = next(same, None)
    before = "" if last is None else _shown(channel, last)
    return Astray(channel, limits, before, begun, board=work.board)


def drawn_by(board: Board, channel: Channel, limits: Limits, value: Value) -> Limits:
    """Return what a sample must lie within: what an input draws has a lower end, whether that is stated or not."""
    if channel.kind is Kind.VOLTAGE or channel.point not in board.inputs:
        return limits
    return drawn(limits, resolution=value.resolution, volts=board.inputs[channel.point].voltage.number)


def _shown(channel: Channel, value: float) -> str:
    return shown(value, UNIT_OF[channel.kind], DIGITS.get(channel.kind, OTHER_DIGITS))


def starting(watched: Watched | None, moment: float) -> bool:
    """Whether the input that feeds a point was still starting up at that moment."""
    return watched is not None and moment < watched.start_up_until
