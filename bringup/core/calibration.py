"""Whether an instrument's calibration still holds, and what a bench wants done when it does not. Pure."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from bringup.core.frozen import frozen

WARN_DAYS = 30
"""Days before a calibration is due from which it is pointed out, where the bench file says nothing."""


@frozen
class CalibrationRule:
    """What a bench wants: how early to warn, and whether an overdue instrument may be used."""

    warn_days: int = WARN_DAYS
    refuse: bool = False
    """Whether nothing is powered with an instrument whose calibration is overdue; else it is a warning."""


def calibration(due: date | None, today: date, warn_days: int = WARN_DAYS) -> str:
    """Return 'not stated', 'valid', 'due soon' or 'overdue'. The due day itself is still valid."""
    if due is None:
        return "not stated"
    if due < today:
        return "overdue"
    return "due soon" if due <= today + timedelta(days=warn_days) else "valid"


def day_at(moment: datetime) -> date:
    """Return the date where the person is, which is the day that a certificate means. `moment`: aware."""
    return moment.astimezone().date()


def days(count: int) -> str:
    """Return a number of days in words."""
    return f"{count} day" if count == 1 else f"{count} days"
