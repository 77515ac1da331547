"""What a failed attempt's readings most likely mean, in a line at its end; `bringup diagnose` says more."""

from __future__ import annotations

from bringup.commands.saying import columns, say
from bringup.core.diagnosis import diagnose
from bringup.core.diagnosis_text import headline
from bringup.core.evidence import evidence_of
from bringup.core.procedure import Procedure
from bringup.core.wording import folded
from bringup.runner.setup import AttemptOutcome


def say_what_is_likely(serial: str, procedure: Procedure, outcome: AttemptOutcome) -> None:
    """Say the most likely single fault, if one explains every reading; nothing otherwise."""
    replaced = {reading.replaces for reading in outcome.readings}
    current = [reading for reading in outcome.readings if reading.id not in replaced]
    kinds = {step.index: step.kind for step in procedure.steps}
    seen = evidence_of(procedure.board, [(reading, kinds.get(reading.step, "")) for reading in current])
    if likely := headline(diagnose(procedure.board, seen)):
        say(folded(f"Likely: {likely}. More: bringup diagnose {serial}", columns(unknown=None)))
