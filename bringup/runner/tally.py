"""What a step under way has found: what its result is made of."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Tally:
    """What a step found: sentences for what failed and for what is missing."""

    failed: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    chosen: list[str] = field(default_factory=list)
    """Those of what is missing that the person left out: the attempt stays incomplete, but goes on."""
    _said: set[str] = field(default_factory=set)

    def once(self, note: str) -> str:
        """Return a note that was not asked for yet in this step; '' for one that was: it stands beside the first."""
        if note in self._said:
            return ""
        self._said.add(note)
        return note

    @property
    def result(self) -> str:
        """The step's result: 'fail', '' if something is missing, else 'pass'."""
        if self.failed:
            return "fail"
        return "" if self.missing else "pass"
