"""Reworks, observations, photos and dispositions as they come out of the logbook, with a JSON shape."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from bringup.core.deviations import Decision, Observation, ReferenceMark, Rework, Severity, Target
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.reading import Reading
from bringup.core.words import Result
from bringup.logbook.filters import ID_SHOWN
from bringup.logbook.values import time_text

Json = dict[str, Any]


@frozen
class Origin:
    """Of which unit something is, and by whom, when and where it was entered."""

    id: str
    serial: str
    simulated: bool
    attempt: str | None
    """The attempt in which it was entered; None outside of any."""
    step: int | None
    """Counted from 1."""
    at: datetime
    who: str
    withdrawn: str = ""
    """By whom, when and why it was withdrawn; '' where it stands."""

    def as_json(self) -> Json:
        """Return every field; `withdrawn` only where it was."""
        return self._told() | ({"withdrawn": self.withdrawn} if self.withdrawn else {})

    def _told(self) -> Json:
        return {
            "id": self.id,
            "serial": self.serial,
            "simulated": self.simulated,
            "attempt": self.attempt,
            "step": self.step,
            "at": time_text(self.at),
            "who": self.who,
        }


@frozen
class LoggedRework:
    """A rework that was done."""

    origin: Origin
    rework: Rework
    follows: str | None
    """Id of the unit's last attempt by then; None: it was not run before."""
    monotonic: float | None
    """Of the attempt in which it was entered."""

    def as_json(self) -> Json:
        """Return every field; `rails` null: all of the board."""
        rework = self.rework
        return self.origin.as_json() | {
            "part": rework.part,
            "from": rework.was,
            "to": rework.became,
            "why": rework.why,
            "rails": None if rework.rails is None else list(rework.rails),
            "follows": self.follows,
        }


@frozen
class LoggedObservation:
    """An observation that was made."""

    origin: Origin
    observation: Observation
    board: str
    revision: str

    def as_json(self) -> Json:
        """Return every field; `readings`: ids of those behind it."""
        seen = self.observation
        return self.origin.as_json() | {
            "text": seen.text,
            "severity": seen.severity.value,
            "target": seen.target.value,
            "board": self.board,
            "revision": self.revision,
            "readings": list(seen.readings),
            "same_as": seen.same_as,
        }


@frozen
class LoggedPhoto:
    """A photo that was kept. `sha256` '' where it came in from a rescue file without its picture."""

    origin: Origin
    file: str
    caption: str
    sha256: str
    kind: str
    size: tuple[int, int]
    """Width and height in pixels."""
    count: int
    """Bytes."""

    def as_json(self) -> Json:
        """Return every field but the picture."""
        width, height = self.size
        return self.origin.as_json() | {
            "file": self.file,
            "caption": self.caption,
            "sha256": self.sha256 or None,
            "format": self.kind or None,
            "width": width or None,
            "height": height or None,
            "bytes": self.count or None,
        }


@frozen
class Waived:
    """What a waiver is about."""

    reading: str
    """Id of the failed reading."""
    rail: str | None
    quantity: str
    aspect: str
    limits: Limits | None
    """Within which later failures of the same are waived, too."""

    def covers(self, reading: Reading) -> bool:
        """Whether that failure is waived."""
        if reading.id == self.reading:
            return True
        same = (reading.point, reading.kind.value, reading.aspect) == (self.rail, self.quantity, self.aspect)
        if not same or self.limits is None or reading.value is None or reading.unsettled:
            return False
        return self.limits.unit == reading.unit and self.limits.accepts(reading.value)


@frozen
class LoggedDisposition:
    """A decision about a unit, or about one failed reading of it."""

    origin: Origin
    kind: Decision
    why: str
    waived: Waived | None

    @property
    def said(self) -> str:
        """What was decided, in words: 'quarantine', 'waiver of 3V3 voltage within 3.1 V .. 3.5 V'."""
        if self.waived is None:
            return self.kind.value
        name = " ".join(filter(None, (self.waived.rail, self.waived.quantity, self.waived.aspect)))
        within = f" within {self.waived.limits.text}" if self.waived.limits is not None else ""
        return f"{self.kind} of {name}{within}"

    def as_json(self) -> Json:
        """Return every field."""
        waived = self.waived
        return self.origin.as_json() | {
            "kind": self.kind.value,
            "why": self.why,
            "reading": None if waived is None else waived.reading,
            "rail": None if waived is None else waived.rail,
            "quantity": None if waived is None else waived.quantity,
            "limits": waived.limits.text if waived is not None and waived.limits is not None else None,
        }


def waiver_of(reading: Reading, dispositions: Iterable[LoggedDisposition]) -> LoggedDisposition | None:
    """Return the last waiver of that reading, None if it is not waived or needs none."""
    if reading.result not in (Result.FAIL, Result.CONDITIONAL_FAIL):
        return None
    found = [each for each in dispositions if each.waived is not None and each.waived.covers(reading)]
    return found[-1] if found else None


@frozen
class LoggedMark:
    """That a unit or an attempt is a reference, or is none any more."""

    origin: Origin
    about: str | None
    """Id of the attempt; None: what the unit last passed with."""
    kind: ReferenceMark
    why: str

    @property
    def said(self) -> str:
        """What was done, in words: 'marked as reference', 'attempt 3f2a91c0 no reference any more'."""
        what = "" if self.about is None else f"attempt {self.about[:ID_SHOWN]} "
        return f"{what}{'no reference any more' if self.kind is ReferenceMark.WITHDRAWN else 'marked as reference'}"

    def as_json(self) -> Json:
        """Return every field; `about` null: the unit itself."""
        return self.origin.as_json() | {"about": self.about, "kind": self.kind.value, "why": self.why}


@frozen
class Beside:
    """Everything of a unit beside its attempts and notes, each in the order in which it was entered."""

    reworks: tuple[LoggedRework, ...] = ()
    observations: tuple[LoggedObservation, ...] = ()
    photos: tuple[LoggedPhoto, ...] = ()
    dispositions: tuple[LoggedDisposition, ...] = ()
    references: tuple[LoggedMark, ...] = ()


def withdrawals(rows: Iterable[Any]) -> dict[tuple[str, str], str]:
    """Return who withdrew what when and why, by kind and id, from rows of `withdrawals`."""
    return {(row["kind"], row["about"]): f"{row['who']}, {row['at'][:10]}: {row['why']}" for row in rows}


def observation_from(row: Any, readings: tuple[str, ...]) -> LoggedObservation:
    """Make the record of a row of `observations`."""
    seen = Observation(row["content"], Severity(row["severity"]), Target(row["target"]), readings, row["same_as"])
    return LoggedObservation(origin_from(row), seen, row["board"], row["revision"])


def origin_from(row: Any) -> Origin:
    """Make the record of what all these tables begin with."""
    names = ("id", "serial", "attempt", "step", "who")
    told = {name: row[name] for name in names}
    return Origin(**told, simulated=bool(row["simulated"]), at=datetime.fromisoformat(row["at"]))
