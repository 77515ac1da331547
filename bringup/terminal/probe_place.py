"""Where a probe held by hand is to go, in letters that can be read across a bench, and what it is on now. Pure."""

from __future__ import annotations

from bringup.core.limits import Limits
from bringup.core.wording import limits_text, shown
from bringup.runner.key_words import AT_A_POINT, foot
from bringup.runner.protocols import Told
from bringup.terminal.letters import drawable, large

PROBE_KEYS = foot(AT_A_POINT)
"""What single keys do while a point is waited for."""


def place_in_words(told: Told) -> str:
    """Say where the probe goes and what is expected there: 'Probe on TP4 (3V3), black on ground: 3.2 V .. 3.4 V'."""
    limits = told.data.get("limits")
    wanted = limits_text(limits) if isinstance(limits, Limits) else "no limits"
    return f"Probe on {told.text}, black on ground: {wanted}"


def state_in_words(told: Told) -> str:
    """Say what the probe is on now; empty before the first reading."""
    return " ".join(filter(None, (str(told.data.get("now", "")), str(told.data.get("standing", "")))))


def place_in_large(told: Told, width: int | None, block: str) -> list[str]:
    """Return probe point, rail and expected value as rows of large letters, as much of it as fits; [] if nothing."""
    limits, point, probe = told.data.get("limits"), str(told.data.get("point", "")), str(told.data.get("probe", ""))
    nominal = limits.nominal if isinstance(limits, Limits) else None
    expected = "" if nominal is None else shown(float(nominal), "V", 3)
    place = [part for part in (probe, point) if part]
    for parts in ([*place, expected], [*place[:1], expected], place, place[:1]):
        text = " ".join(filter(None, parts)).upper()
        rows = large(text, block) if text and drawable(text) else []
        if rows and (width is None or max(map(len, rows)) < width):
            return rows
    return []
