"""What a failed attempt's readings most likely mean, at its end and in reports; `bringup diagnose` has more."""

from __future__ import annotations

from collections.abc import Sequence

from bringup.commands.diagnose import kept_board
from bringup.commands.saying import columns, say
from bringup.core.as_built import board_as_built
from bringup.core.diagnosis import diagnose
from bringup.core.diagnosis_text import headline, lines_of
from bringup.core.evidence import evidence_of
from bringup.core.procedure import Procedure
from bringup.core.wording import folded
from bringup.errors import CommandError, FileError
from bringup.logbook.rows import LoggedReading
from bringup.logbook.traces import Source
from bringup.runner.records import SourceText
from bringup.runner.setup import AttemptOutcome


def say_what_is_likely(serial: str, procedure: Procedure, outcome: AttemptOutcome) -> None:
    """Say the most likely single fault, if one explains every reading; nothing otherwise."""
    replaced = {reading.replaces for reading in outcome.readings}
    current = [reading for reading in outcome.readings if reading.id not in replaced]
    kinds = {step.index: step.kind for step in procedure.steps}
    seen = evidence_of(procedure.board, [(reading, kinds.get(reading.step, "")) for reading in current])
    if likely := headline(diagnose(procedure.board, seen)):
        say(folded(f"Likely: {likely}. More: bringup diagnose {serial}", columns(unknown=None)))


def likely_lines(readings: Sequence[LoggedReading], sources: Sequence[Source], variant: str = "") -> list[str]:
    """Return which causes explain the readings of an attempt, in lines; or why that cannot be told.

    `variant`: of the unit, whose rails there are then.
    """
    try:
        whole = kept_board([SourceText(each.kind, each.path, each.content) for each in sources])
        board = board_as_built(whole, variant)
    except (CommandError, FileError) as error:
        return [f"It cannot be told: {error.message}."]
    return list(
        lines_of(board, diagnose(board, evidence_of(board, [(each.reading, each.step_kind) for each in readings])))
    )
