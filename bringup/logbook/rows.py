"""What comes out of the logbook, as frozen records with a JSON shape: made by unpacking.py.

In JSON, values are in base units, times are UTC text as stored, and steps count from 1.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from bringup.core.frozen import frozen
from bringup.core.reading import Reading
from bringup.core.wording import limits_text
from bringup.core.words import AttemptResult, StepOutcome
from bringup.logbook.values import time_text

Json = dict[str, Any]


@frozen
class LoggedReading:
    """A reading with the attempt and unit that it belongs to."""

    reading: Reading
    attempt: str
    serial: str
    simulated: bool
    procedure: str
    board: str
    revision: str
    variant: str
    lot: str
    operator: str
    bench: str
    step_kind: str
    step_title: str
    instrument_identity: str | None
    calibration_due: date | None
    replaced_by: str | None

    def as_json(self) -> Json:
        """Return every field that a program may ask for."""
        reading = self.reading
        return {
            "id": reading.id,
            "serial": self.serial,
            "attempt": self.attempt,
            "procedure": self.procedure,
            "step": reading.step + 1,
            "step_kind": self.step_kind,
            "step_title": self.step_title,
            "rail": reading.point,
            "quantity": reading.kind.value,
            "aspect": reading.aspect,
            **_judged(reading),
            "at": time_text(reading.at),
            "monotonic": reading.monotonic,
            "instrument": reading.instrument,
            "instrument_identity": self.instrument_identity,
            "calibration_due": self.calibration_due.isoformat() if self.calibration_due else None,
            "meter_range": reading.meter_range,
            "raw": reading.raw,
            "how": reading.how.value,
            **_beside(reading),
            "replaced_by": self.replaced_by,
            "simulated": self.simulated,
            "board": self.board,
            "revision": self.revision,
            "variant": self.variant,
            "lot": self.lot,
            "operator": self.operator,
            "bench": self.bench,
        }


@frozen
class LoggedStep:
    """A step as it went. `outcome` None: begun and never ended."""

    step: int
    """Counted from 1."""
    kind: str
    title: str
    outcome: StepOutcome | None
    result: str
    why: str
    who: str
    started: datetime | None
    ended: datetime | None
    carried_from: str | None = None
    """Id of the attempt in which it was really done, where that is an earlier one; its readings are there."""

    def as_json(self) -> Json:
        """Return every field."""
        return {
            "step": self.step,
            "kind": self.kind,
            "title": self.title,
            "outcome": self.outcome.value if self.outcome else None,
            "result": self.result,
            "why": self.why,
            "who": self.who,
            "started": time_text(self.started) if self.started else None,
            "ended": time_text(self.ended) if self.ended else None,
            "carried_from": self.carried_from,
        }


@frozen
class LoggedEvent:
    """Something that happened in an attempt."""

    kind: str
    text: str
    at: datetime
    step: int | None
    """Counted from 1."""
    data: Mapping[str, str]

    def as_json(self) -> Json:
        """Return every field."""
        return {
            "kind": self.kind,
            "text": self.text,
            "at": time_text(self.at),
            "step": self.step,
            "data": dict(self.data),
        }


@frozen
class LoggedNote:
    """A note on a unit."""

    text: str
    at: datetime
    who: str
    attempt: str | None
    step: int | None
    """Counted from 1."""
    id: str = ""
    withdrawn: str = ""
    """By whom, when and why it was withdrawn; '' where it stands."""

    def as_json(self) -> Json:
        """Return every field but the id; `withdrawn` only where it was."""
        told: Json = {
            "text": self.text,
            "at": time_text(self.at),
            "who": self.who,
            "attempt": self.attempt,
            "step": self.step,
        }
        return told | ({"withdrawn": self.withdrawn} if self.withdrawn else {})


@frozen
class LoggedAttempt:
    """An attempt, with its readings; steps and events where they were asked for."""

    id: str
    serial: str
    simulated: bool
    procedure: str
    board: str
    revision: str
    variant: str
    lot: str
    bench: str
    operator: str
    attended: bool
    started: datetime
    ended: datetime | None
    result: AttemptResult | None
    """None while it is going."""
    cause: str
    off_verified: bool | None
    tool_version: str
    ambient: float | None
    fixture: str
    continues: str | None = None
    """Id of the attempt that this one goes on from."""
    continued_by: str | None = None
    anchor: str = ""
    """The hash that stands for all its rows up to its end and for everything written before: see audit.py."""
    warnings: tuple[str, ...] = ()
    """What does not fail the unit but is told beside the result, such as what the supply leads lose."""
    readings: tuple[LoggedReading, ...] = ()
    reading_count: int = 0
    """How many readings it has, also where those themselves were not asked for."""
    steps: tuple[LoggedStep, ...] = ()
    events: tuple[LoggedEvent, ...] = ()

    def as_json(self) -> Json:
        """Return what every list of attempts gives."""
        return {
            "id": self.id,
            "serial": self.serial,
            "procedure": self.procedure,
            "board": self.board,
            "revision": self.revision,
            "variant": self.variant,
            "lot": self.lot,
            "bench": self.bench,
            "operator": self.operator,
            "attended": self.attended,
            "started": time_text(self.started),
            "ended": time_text(self.ended) if self.ended else None,
            "result": self.result.value if self.result else None,
            "cause": self.cause,
            "off_verified": self.off_verified,
            "tool_version": self.tool_version,
            "ambient": self.ambient,
            "fixture": self.fixture,
            "continues": self.continues,
            "continued_by": self.continued_by,
            "anchor": self.anchor,
            "simulated": self.simulated,
            "warnings": list(self.warnings),
            "readings": [reading.as_json() for reading in self.readings],
        }

    def as_brief(self) -> Json:
        """Return the same with the number of its readings in their place."""
        return self.as_json() | {"readings": self.reading_count}

    def as_story(self) -> Json:
        """Return the same with steps and events."""
        return self.as_json() | {
            "steps": [step.as_json() for step in self.steps],
            "events": [event.as_json() for event in self.events],
        }


def _judged(reading: Reading) -> Json:
    """Return the value, by what it is judged, and what came of that."""
    limits = reading.limits
    return {
        "value": reading.value,
        "unit": reading.unit,
        "nominal": _plain(limits.nominal if limits else None),
        "low": _plain(limits.low if limits else None),
        "high": _plain(limits.high if limits else None),
        "limits": limits_text(limits) if limits else None,
        "limits_from": reading.limits_from.value,
        "limits_basis": reading.limits_basis or None,
        "result": reading.result.value,
        "decision_rule": reading.decision_rule,
        "uncertainty": reading.uncertainty,
        "coverage_factor": reading.coverage_factor,
        "degrees_of_freedom": reading.degrees_of_freedom,
        "uncertainty_from": reading.uncertainty_from or None,
        "conformance": reading.conformance,
    }


def _beside(reading: Reading) -> Json:
    """Return what held while it was taken, and what there is to say of it."""
    return {
        "resolution": reading.resolution,
        "board_state": reading.board_state,
        "input_volts": reading.input_volts,
        "input_amps": reading.input_amps,
        "unsettled": reading.unsettled,
        "lowest": reading.lowest,
        "highest": reading.highest,
        "note": reading.note,
        "replaces": reading.replaces,
    }


def _plain(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
