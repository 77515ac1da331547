"""What is known of the outputs that feed the board: if any is on, for which inputs, and the latest look at each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from bringup.runner.protocols import Told
from bringup.runner.records import PollSample

_STATE: Mapping[str, bool | None] = MappingProxyType({"yes": True, "no": False, "unknown": None})


@dataclass(slots=True)
class PowerSeen:
    """Of all outputs together: with one of two inputs off, power is on."""

    on: bool | None = None
    """Whether an output is on; None: unknown."""
    looks: Mapping[int, PollSample] = field(default_factory=dict)
    """Output -> the latest look at it, of those that are on, in the order they were switched on."""
    inputs: Mapping[int, str] = field(default_factory=dict)
    """Output -> the input that it was switched on for."""

    def begun(self, told: Told, *, by_hand: bool) -> None:
        """Take what an attempt begins with. What a person sets is unknown until that person has said what it is."""
        self.on = None if by_hand else _STATE.get(str(told.data.get("on", "no")))

    def switched(self, told: Told) -> None:
        """Take news of power: of an output that is switched on for an input, or is gone off; else of all."""
        self.on = _STATE.get(str(told.data.get("on", "")), self.on)
        output, gone = told.data.get("output"), told.data.get("gone")
        if isinstance(output, int):
            self.inputs = {**self.inputs, output: str(told.data.get("input"))}
        self.looks = {number: look for number, look in self.looks.items() if self.on and number != gone}

    def looked(self, look: PollSample, *, believed: bool) -> None:
        """Take a look at an output; `believed`: whether it says what is on."""
        self.looks = {**self.looks, look.output: look}
        if believed and look.on is not None:
            self.on = any(each.on for each in self.looks.values())

    def lost(self) -> None:
        """Nobody knows any more."""
        self.on, self.looks = None, {}

    def whose(self, output: int) -> str:
        """Return the input of an output where several have to be told apart, else nothing."""
        return self.inputs.get(output, "") if len(self.looks) > 1 else ""
