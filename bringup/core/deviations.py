"""What a unit has beside its readings: reworks, observations, photos, dispositions. Plain records and their words."""

from __future__ import annotations

from enum import StrEnum

from bringup.core.frozen import frozen


class Severity(StrEnum):
    """How much an observation weighs."""

    MUST = "must"
    SHOULD = "should"
    NICE = "nice"


class Target(StrEnum):
    """What an observation asks to be changed: this unit alone, or the design in its next revision."""

    UNIT = "unit"
    DESIGN = "design"


class Decision(StrEnum):
    """What a person decides about a unit, or about one failed reading of it."""

    WAIVER = "waiver"
    """A failed reading is lived with: it stays a failure of its attempt."""
    QUARANTINE = "quarantine"
    SCRAP = "scrap"
    RELEASED = "released"


class ReferenceMark(StrEnum):
    """What is said of a unit or an attempt with which others are compared."""

    MARKED = "marked"
    WITHDRAWN = "withdrawn"


@frozen
class Rework:
    """Something that was changed on a unit. `was` or `became` '' where a part was added or taken off."""

    part: str
    was: str
    became: str
    why: str
    rails: tuple[str, ...] | None
    """Rails whose resistance must be read again; None: every rail of the board."""

    @property
    def change(self) -> str:
        """The change in one line: 'R12: 10 kΩ -> 12 kΩ'."""
        return f"{self.part}: {self.was or 'nothing'} -> {self.became or 'nothing'}"

    @property
    def again(self) -> str:
        """Which checks are to be taken again, in words."""
        if self.rails is None:
            return "resistance of every rail to be read again"
        return (
            f"resistance of {', '.join(self.rails)} to be read again" if self.rails else "no rail's resistance is due"
        )

    def touches(self, rail: str) -> bool:
        """Whether what was known of that rail does not hold any more."""
        return self.rails is None or rail in self.rails


@frozen
class Observation:
    """Something that was noticed on a unit. `readings`: ids of those behind it."""

    text: str
    severity: Severity
    target: Target
    readings: tuple[str, ...] = ()
    same_as: str | None = None
    """Id of the observation that was made of the same thing before."""


@frozen
class Photo:
    """A photo as it was handed over; what the picture itself is stands in core.photo."""

    file: str
    caption: str = ""
