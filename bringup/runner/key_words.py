"""The single keys of an attempt: each means the same at every prompt. keys.py acts on them, the views show them.

Pure: letters and words only.
"""

from __future__ import annotations

CALL_OFF, NOTE, MARK, TEMPERATURE = "q", "n", "m", "t"
AGAIN, EXTRA, LEAVE_OUT, LEAVE_STEP_OUT, CORRECT = "r", "x", "l", "L", "c"
REWORK, OBSERVE, PHOTO = "w", "o", "p"

ALL = (
    CALL_OFF
    + NOTE
    + MARK
    + TEMPERATURE
    + AGAIN
    + EXTRA
    + LEAVE_OUT
    + LEAVE_STEP_OUT
    + CORRECT
    + REWORK
    + OBSERVE
    + PHOTO
)
LETTERS = frozenset(ALL)
"""Typed alone instead of a value these are what they are as keys: no reading is one letter."""

WORDS = {
    CALL_OFF: "call off",
    NOTE: "note",
    MARK: "mark",
    AGAIN: "again",
    EXTRA: "extra",
    LEAVE_OUT: "leave out",
    LEAVE_STEP_OUT: "step",
    CORRECT: "correct",
    REWORK: "rework",
    OBSERVE: "seen",
    PHOTO: "photo",
}
"""What a key does, in a word. `l` leaves out the point that is being read, else the step; `L` the step in any case."""

USUAL = CALL_OFF + NOTE + MARK + REWORK + OBSERVE + PHOTO + LEAVE_OUT + CORRECT
AT_A_POINT = AGAIN + EXTRA + LEAVE_OUT + LEAVE_STEP_OUT + NOTE + REWORK + OBSERVE + PHOTO + CALL_OFF
"""While a probe in somebody's hand is waited for."""
TYPED_AT_A_POINT = AT_A_POINT + CORRECT
"""While a meter is read by hand, point by point."""
TYPED_ELSEWHERE = LEAVE_OUT + NOTE + REWORK + OBSERVE + PHOTO + CALL_OFF + CORRECT
"""While something else is typed that an instrument shows."""


def foot(keys: str, *, enter: str = "") -> str:
    """Return what these keys do as one line. `enter`: those that take Enter, being letters of a value as well."""
    return "  ".join(f"{key}{' Enter' if key in enter else ''} {WORDS[key]}" for key in keys)
