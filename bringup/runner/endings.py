"""Why an attempt ends before its last step, as exceptions. Each carries the attempt's result and one sentence.

They pass through every action up to the attempt, which switches off first and then records the cause.

    Ending                      .result, .cause
      * Trip                    the unit did something it must not (failed)
      * UnitFailed              a limit was missed in a step that ends the attempt (failed)
      * MissingEvidence         something required was left out or has no value (incomplete)
      * BrokenOff               an instrument, the host or a setting cannot be relied upon (broken off)
          - SupplyLost          the supply stopped answering
          - FoundOff            an output went off by itself: a silent trip, perhaps
          - Slept               nobody looked for a while: the computer slept, or the tool hung
      * CalledOff               a person ended it (called off)
          - Interrupted         by a signal
          - NobodyAnswered      or nobody was there any more, and the procedure says how long that may last
    LeaveOut                    the person leaves out the step under way; the attempt goes on
"""

from __future__ import annotations

from bringup.core.wording import duration
from bringup.core.words import AttemptResult
from bringup.runner.records import Interruption, PollSample


class Ending(Exception):  # noqa: N818 - an ending need not be an error
    """The attempt ends here."""

    result = AttemptResult.BROKEN_OFF

    def __init__(self, cause: str) -> None:
        super().__init__(cause)
        self.cause = cause


class Trip(Ending):
    """The unit, watched by the supply's polls, did what it must not do.

    `seen`: the input and the look at the supply that showed it, to be kept once the outputs are off.
    """

    result = AttemptResult.FAILED

    def __init__(self, cause: str, seen: tuple[str, PollSample] | None = None) -> None:
        super().__init__(cause)
        self.seen = seen


class UnitFailed(Ending):
    """A limit was missed and the step says that this ends the attempt."""

    result = AttemptResult.FAILED


class MissingEvidence(Ending):
    """Something the procedure requires was not found out."""

    result = AttemptResult.INCOMPLETE


class BrokenOff(Ending):
    """The bench or the host cannot be relied upon any more; nothing is said about the unit."""


class SupplyLost(BrokenOff):
    """The supply does not answer any more while an output may be on."""


class FoundOff(BrokenOff):
    """An output that should be on is off, and the supply does not say why. It may have been a trip."""


class Slept(BrokenOff):
    """Nobody looked at an output that was on, for longer than it may be left alone. It may have tripped meanwhile."""


class CalledOff(Ending):
    """A person ended it."""

    result = AttemptResult.CALLED_OFF

    def __init__(self, cause: str = "called off by the person") -> None:
        super().__init__(cause)


class Interrupted(CalledOff):
    """A signal, a lost terminal or `bringup off` ended it."""

    def __init__(self, interruption: Interruption) -> None:
        super().__init__(f"called off by {interruption.value}")
        self.interruption = interruption
        if interruption is Interruption.HANG_UP:
            self.result = AttemptResult.BROKEN_OFF
            self.cause = "broken off: the terminal was lost"


class NobodyAnswered(CalledOff):
    """A question was open for longer than the procedure lets an output stay on for it."""

    def __init__(self, seconds: float, text: str) -> None:
        super().__init__(f"nobody answered within {duration(seconds)}: {text}")


class LeaveOut(Exception):  # noqa: N818 - a person's choice, not an error
    """The person leaves out the step under way."""

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why
