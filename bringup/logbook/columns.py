"""The columns of rows for other programs, where there is no row to take them from: those of one that holds nothing."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from bringup.core.reading import Reading
from bringup.core.words import Kind, LimitsFrom, Result
from bringup.logbook.rows import LoggedAttempt, LoggedReading
from bringup.logbook.standings import Standing

_NEVER = datetime.fromtimestamp(0, UTC)
_WHERE: dict[str, Any] = dict.fromkeys(
    ("serial", "procedure", "board", "revision", "variant", "lot", "operator", "bench"), ""
)
_READING = LoggedReading(
    Reading(0, None, Kind.VOLTAGE, None, "V", None, LimitsFrom.NONE, Result.NO_VALUE, _NEVER, 0.0, "", ""),
    attempt="",
    simulated=False,
    step_kind="",
    step_title="",
    instrument_identity=None,
    calibration_due=None,
    replaced_by=None,
    **_WHERE,
)
_ATTEMPT = LoggedAttempt(
    id="",
    simulated=False,
    attended=False,
    started=_NEVER,
    ended=None,
    result=None,
    cause="",
    off_verified=None,
    tool_version="",
    ambient=None,
    fixture="",
    **_WHERE,
)

OF_READINGS = tuple(_READING.as_json())
OF_ATTEMPTS = tuple(_ATTEMPT.as_json())
OF_STANDING = tuple(Standing(0, _ATTEMPT, _ATTEMPT, ()).as_json())
