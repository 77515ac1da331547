"""What a reading was and what was wanted, as one sentence: how a result names its cause. Pure."""

from __future__ import annotations

from bringup.core.decision import SIMPLE
from bringup.core.limits import judge
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading
from bringup.core.statistics_of_log import MAXIMUM, MINIMUM, SLOPE
from bringup.core.wording import limits_text, uncertainty_text
from bringup.core.words import Kind, Result

MOMENTARY = (MINIMUM, MAXIMUM)
"""Statistics with a moment, which their note tells."""


def full_name(reading: Reading) -> str:
    """Return what was read: point, aspect and kind, without the kind where the aspect says it."""
    kind = "" if reading.kind is Kind.RATIO else reading.kind.value
    return " ".join(part for part in (reading.point, reading.aspect, kind) if part)


def rated(text: str, aspect: str) -> str:
    """Return a value of that aspect in its own unit: a slope is so many volts or amperes an hour."""
    return f"{text}/h" if aspect.startswith(SLOPE) else text


def sentence(reading: Reading) -> str:
    """Say what a reading was and what was wanted: '3V3 voltage 2.81 V, wanted 3.234 V .. 3.366 V'.

    What failed for another reason than its limits says that reason: '3V3 resistance 7 MΩ: about 850 Ω is expected'.
    """
    name = full_name(reading)
    if reading.value is None and reading.result is Result.FAIL:
        return f"{name}: {reading.note}"
    if reading.value is None:
        found = f"no value ({reading.note})" if reading.note else "no value"
    else:
        value = format_quantity(reading.value, reading.unit, resolution=reading.resolution)
        found = rated(value, reading.aspect)
    if reading.unsettled and reading.lowest is not None and reading.highest is not None:
        low, high = (format_quantity(end, reading.unit) for end in (reading.lowest, reading.highest))
        found += f" never settled ({low} .. {high})"
    elif _failed_otherwise(reading) and reading.note:
        return f"{name} {found}: {reading.note}"
    if reading.aspect.startswith(MOMENTARY) and reading.note:
        found += f" ({reading.note})"
    hourly = " an hour" if reading.aspect.startswith(SLOPE) else ""
    wanted = f", wanted {limits_text(reading.limits)}{hourly}" if reading.limits is not None else ""
    return f"{name} {found}{wanted}{_guarded(reading)}"


def _failed_otherwise(reading: Reading) -> bool:
    """Whether it failed for another reason than its limits, or a guard band at these."""
    within = reading.result is Result.FAIL and judge(reading.value, reading.limits) is not Result.FAIL
    return within and not _guarded(reading)


def _guarded(reading: Reading) -> str:
    """Say why a value that lies within its limits failed by them; '' where it is not so."""
    if reading.result is not Result.FAIL or reading.uncertainty is None or reading.decision_rule == str(SIMPLE):
        return ""
    if reading.value is None or reading.limits is None or judge(reading.value, reading.limits) is Result.FAIL:
        return ""
    return f" less the {reading.decision_rule}, U {uncertainty_text(reading.uncertainty, reading.unit)}"
