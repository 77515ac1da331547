"""Sentences of the picture: what several told things come to in one line. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from bringup.core.frozen import frozen
from bringup.core.wording import listed
from bringup.core.words import StepOutcome
from bringup.runner.protocols import Told

MOST_TITLES = 5
"""Titles of steps that were not reached which are named one by one; the procedure has them all."""


@frozen
class Answered:
    """An answer that is held back: an event often says the same, once it has been kept."""

    asked: str
    answer: str

    def said_by(self, told: Told) -> bool:
        """Whether that event is this answer, kept."""
        said = told.text.strip()
        return said == f"{self.asked} {self.answer}" or (told.data.get("kind") == "note" and said == self.answer)


def outputs_at_end(off: object, *, by_hand: bool) -> str:
    """Say what is known of the outputs at the end. `off` None: nothing was ever switched on."""
    if off is None:
        return "nothing was switched on"
    if off is False:
        return "OUTPUT STATE UNKNOWN: use the switch"
    return "outputs OFF, by the person's word" if by_hand else "outputs OFF, verified"


def not_reached(steps: Sequence[tuple[int, str]]) -> str:
    """Say in one line which steps were not reached: number as people count, and title, of each."""
    numbers = [number for number, _ in steps]
    titles = [title for _, title in steps]
    if len(titles) > MOST_TITLES:
        titles = [*titles[:2], f"{len(titles) - 3} more", titles[-1]]
    if len(numbers) == 1:
        which = f"step {numbers[0]}"
    elif numbers[-1] - numbers[0] == len(numbers) - 1:
        which = f"steps {numbers[0]} to {numbers[-1]}"
    else:
        which = f"steps {listed(map(str, numbers))}"
    return f"{which} not reached: {'; '.join(titles)}"


def is_not_reached(told: Told) -> bool:
    """Whether it tells of a step that was not reached."""
    return told.kind == "step-ended" and told.data.get("outcome") == StepOutcome.NOT_REACHED


def power_words(power: bool | None, *, by_hand: bool) -> str:
    """Return whether the input is on. `by_hand`: as the person says, who sets the supply."""
    if power is None:
        return "INPUT ?? (nobody has said)" if by_hand else "INPUT ??"
    return f"INPUT {'ON' if power else 'OFF'}{' (as said)' if by_hand else ''}"
