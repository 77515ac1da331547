"""What an attempt has found out that power depends on, and the answers of a person that it rests on."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from bringup.core.frozen import frozen
from bringup.core.regulation import Rise
from bringup.core.spots import Spot
from bringup.runner.feed import Feed
from bringup.runner.prompts import Prompt
from bringup.runner.records import PollSample


@frozen
class Claim:
    """What a person chose to say of the supply last: it can be taken back."""

    prompt: Prompt
    answer: str
    monotonic: float
    outputs: tuple[int, ...] = ()
    """Outputs that it was about, where it said whether they are on."""
    lamp: tuple[Feed, PollSample] | None = None
    """The input and the rest of what was shown, where it said what the supply's lamp says."""
    readings: int = 0
    """How many readings were kept before it: of a lamp, those of the same look are kept after it."""


class TypedBeside(Protocol):
    """What a person types beside the samples of a log, which is kept as samples itself."""

    def typed_last(self) -> float:
        """When something was typed last, in monotonic seconds; minus infinity: nothing was."""

    def correct(self) -> None:
        """Have what was typed last typed again."""


@dataclass(slots=True)
class Evidence:
    """What this attempt has found out that power depends on."""

    leads: set[str] = field(default_factory=set)
    """Inputs whose free leads were good."""
    resistance: set[str] = field(default_factory=set)
    """Points whose resistance was good."""
    leads_doubted: set[str] = field(default_factory=set)
    """Inputs that were looked at in this attempt and not found good: no earlier attempt vouches for them any more."""
    resistance_doubted: set[str] = field(default_factory=set)
    dead: dict[Spot, bool] = field(default_factory=dict)
    """Places of the meter's leads whose volts were looked at in this step -> whether ohms may be read there."""
    apart: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Input -> volts at its free leads, and by how much supply and meter differed there with nothing drawn."""
    rises: dict[str, Rise] = field(default_factory=dict)
    """Rails that were timed into regulation."""
    lamp: Claim | None = None
    """What was said of the supply's lamp last."""
    beside: list[TypedBeside] = field(default_factory=list)
    """What was typed in the last log: its samples, and temperatures beside them."""
    overridden: set[str] = field(default_factory=set)
    """Inputs for which the person gave a reason for going on without all of it."""

    def look_again(self, *points: str) -> None:
        """Have the volts of points, and across pairs that they are of, looked at again before ohms."""
        for place in [each for each in self.dead if set(points) & set(each.points)]:
            del self.dead[place]

    def doubt_leads(self, name: str) -> None:
        """Rely on nothing that was known of an input's leads."""
        self.leads.discard(name)
        self.leads_doubted.add(name)

    def trust_leads(self, name: str) -> None:
        """Note that they were found good."""
        self.leads.add(name)

    def doubt_resistance(self, point: str) -> None:
        """Rely on nothing that was known of a point's resistance."""
        self.resistance.discard(point)
        self.resistance_doubted.add(point)

    def trust_resistance(self, point: str) -> None:
        """Note that it was found good."""
        self.resistance.add(point)
