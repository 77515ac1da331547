"""What an attempt's readings say of the board, each with the conditions it was taken under. Pure.

Only readings that a static board explains: settled values of powered points, input currents of a stage, resistances,
the volts before them and those at free leads; and ripple that was judged. Statistics of a `log` but its means are left
out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum

from bringup.core.board import Board
from bringup.core.frozen import frozen
from bringup.core.reading import AT_LEADS, BEFORE_OHMS, RIPPLE_PEAKS, RIPPLE_RMS, Reading
from bringup.core.words import Kind, Result

MEAN = "mean"
JUDGED = (Result.PASS, Result.CONDITIONAL_PASS, Result.CONDITIONAL_FAIL, Result.FAIL)
"""How much ripple is too much, only limits say."""


class Seen(StrEnum):
    """What was looked at."""

    VOLTS = "volts"
    AMPS = "amps"
    OHMS = "ohms"
    RIPPLE = "ripple"
    LEADS = "volts at the free leads"
    DEAD = "volts with everything off"


@frozen
class Evidence:
    """One reading: what of which point, in V, A or ohm, with these volts at the inputs and in this board state."""

    seen: Seen
    point: str
    value: float
    inputs: Mapping[str, float]
    state: str | None = None
    resolution: float = 0.0
    failed: bool = False
    unsettled: bool = False


def evidence_of(board: Board, readings: Iterable[tuple[Reading, str]]) -> tuple[Evidence, ...]:
    """Return what the readings (each with the kind of its step) say, the latest of several alike, in their order."""
    found: dict[tuple[Seen, str, tuple[tuple[str, float], ...], str | None], Evidence] = {}
    powered: dict[str, float] = {}
    for reading, kind_of_step in readings:
        name = reading.point
        if kind_of_step == "power_off":
            powered = {}
        if name is None or reading.value is None or (name not in board.inputs and name not in board.rails):
            continue
        seen = _seen(reading, kind_of_step, name in board.inputs)
        if seen is None or reading.result is Result.NOT_JUDGED:
            continue
        feeding = name if name in board.inputs else board.input_of(name)
        if seen in (Seen.VOLTS, Seen.AMPS) and feeding is not None and reading.input_volts is not None:
            # The supply shows magnitudes; the board file says which way round they go in.
            sign = -1.0 if board.inputs[feeding].voltage.number < 0 else 1.0
            powered = {**powered, feeding: sign * abs(reading.input_volts)}
        inputs = powered if seen in (Seen.VOLTS, Seen.AMPS) else {}
        one = Evidence(
            seen,
            name,
            reading.value,
            dict(inputs),
            reading.board_state,
            reading.resolution or 0.0,
            reading.result in (Result.FAIL, Result.CONDITIONAL_FAIL),
            reading.unsettled,
        )
        found[seen, name, tuple(sorted(inputs.items())), reading.board_state] = one
    return tuple(found.values())


def _seen(reading: Reading, step: str, at_input: bool) -> Seen | None:
    """Return what a reading is of; None where a static board says nothing of it."""
    match reading.kind:
        case Kind.RESISTANCE:
            return Seen.OHMS if not reading.aspect else None
        case Kind.CURRENT if at_input:
            return Seen.AMPS if (reading.input_volts and reading.aspect in ("", MEAN)) or step == "apply" else None
        case Kind.VOLTAGE if reading.aspect in (RIPPLE_RMS, RIPPLE_PEAKS):
            return Seen.RIPPLE if reading.result in JUDGED else None
        case Kind.VOLTAGE if reading.aspect == AT_LEADS:
            return Seen.LEADS
        case Kind.VOLTAGE if reading.aspect == BEFORE_OHMS:
            return Seen.DEAD
        case Kind.VOLTAGE if reading.input_volts is not None and not reading.by_supply:
            return Seen.VOLTS if step in ("measure", "apply") or reading.aspect == MEAN else None
    return None
