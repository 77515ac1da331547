"""Makes the records of rows.py from rows of the tables: the one place where columns get their meaning back."""

from __future__ import annotations

import json
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from bringup.core.limits import Limits
from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, How, Kind, LimitsFrom, Result, StepOutcome
from bringup.logbook.database import Row
from bringup.logbook.rows import LoggedAttempt, LoggedEvent, LoggedNote, LoggedReading, LoggedStep
from bringup.logbook.values import time_from


def reading_of(row: Row) -> LoggedReading:
    """Make the record of a row of queries.READINGS."""
    due = row["calibration_due"]
    return LoggedReading(
        reading=_reading(row),
        attempt=row["attempt"],
        **_header(row),
        step_kind=row["step_kind"],
        step_title=row["step_title"],
        instrument_identity=row["identity"],
        calibration_due=date.fromisoformat(due) if due else None,
        replaced_by=row["replaced_by"],
    )


def _reading(row: Row) -> Reading:
    return Reading(
        step=row["step"] - 1,
        point=row["rail"],
        kind=Kind(row["quantity"]),
        value=row["value"],
        unit=row["unit"],
        limits=_limits(row),
        limits_from=LimitsFrom(row["limits_from"]),
        result=Result(row["result"]),
        at=time_from(row["at"]),
        monotonic=row["monotonic"],
        instrument=row["instrument"],
        raw=row["raw"],
        how=How(row["how"]),
        aspect=row["aspect"],
        resolution=row["resolution"],
        board_state=row["board_state"],
        input_volts=row["input_volts"],
        input_amps=row["input_amps"],
        unsettled=bool(row["unsettled"]),
        lowest=row["lowest"],
        highest=row["highest"],
        decision_rule=row["decision_rule"],
        uncertainty=row["uncertainty"],
        meter_range=row["meter_range"],
        limits_basis=row["limits_basis"] or "",
        coverage_factor=row["coverage_factor"],
        degrees_of_freedom=row["degrees_of_freedom"],
        uncertainty_from=row["uncertainty_from"] or "",
        conformance=row["conformance"],
        note=row["note"],
        replaces=row["replaces"],
        id=row["id"],
    )


def _limits(row: Row) -> Limits | None:
    if row["limits"] is None:
        return None
    low, high, nominal = (_decimal(row[name]) for name in ("low_text", "high_text", "nominal_text"))
    return Limits(row["unit"], low, high, nominal, row["limits"])


def attempt_of(row: Row, readings: tuple[LoggedReading, ...] = ()) -> LoggedAttempt:
    """Make the record of a row of queries.ATTEMPTS."""
    return LoggedAttempt(
        id=row["id"],
        **_header(row),
        attended=bool(row["attended"]),
        started=time_from(row["started"]),
        ended=_time(row["ended"]),
        result=AttemptResult(row["result"]) if row["result"] else None,
        cause=row["cause"],
        off_verified=None if row["off_verified"] is None else bool(row["off_verified"]),
        tool_version=row["tool_version"],
        ambient=row["ambient"],
        fixture=row["fixture"],
        continues=row["continues"],
        continued_by=row["continued_by"],
        anchor=bytes(row["anchor"]).hex() if row["anchor"] else "",
        readings=readings,
    )


def step_of(row: Row) -> LoggedStep:
    """Make the record of a row of `steps`."""
    return LoggedStep(
        row["step"],
        row["kind"],
        row["title"],
        StepOutcome(row["outcome"]) if row["outcome"] else None,
        row["result"],
        row["why"],
        row["who"],
        _time(row["started"]),
        _time(row["ended"]),
        row["carried_from"],
    )


def event_of(row: Row) -> LoggedEvent:
    """Make the record of a row of `events`."""
    data = json.loads(row["data"]) if row["data"] else {}
    return LoggedEvent(row["kind"], row["content"], time_from(row["at"]), row["step"], data)


def note_of(row: Row) -> LoggedNote:
    """Make the record of a row of `notes`."""
    return LoggedNote(row["content"], time_from(row["at"]), row["who"], row["attempt"], row["step"], row["id"])


def _decimal(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def _time(text: str | None) -> datetime | None:
    return None if text is None else time_from(text)


def _header(row: Row) -> dict[str, Any]:
    """What readings and attempts say alike of the unit and the attempt."""
    names = ("serial", "procedure", "board", "revision", "variant", "lot", "operator", "bench")
    return {name: row[name] for name in names} | {"simulated": bool(row["simulated"])}
