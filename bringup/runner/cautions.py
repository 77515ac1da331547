"""Cautions before a step: what can hurt, shown once per sitting; 60 V DC and more is shown every time."""

from __future__ import annotations

from bringup.core.dangers import FIRST, dangers_before
from bringup.core.hazard import SHOCK, shock_points
from bringup.core.procedure import Apply, Leads, Log, Measure, Sink, Step
from bringup.core.quantity import format_quantity
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.runner.endings import MissingEvidence
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.work import Work

LIVE = Apply | Leads | Measure | Log | Sink | Sweep | Ripple | PowerCycle
"""Steps in which somebody may come near a board under power."""


def show_cautions(work: Work, step: Step) -> None:
    """Have every caution of the board (before the first step that touches it) and of the step acknowledged."""
    texts = list(step.cautions)
    if isinstance(step.action, LIVE | Resistance):
        texts = [*work.board.cautions, *texts]
    if work.can_answer:  # nobody is here to be hurt: what the files state is refused then, what follows is not
        texts += dangers_before(step, work.setup.procedure, work.setup.bench)
    for text in texts:
        if text not in work.setup.acknowledged:
            _acknowledge(work, text, danger=False)
            work.setup.acknowledged.add(text)
    high = _high(work, step)
    if high:
        _acknowledge(work, high, danger=True)


def _high(work: Work, step: Step) -> str:
    """Return the warning of dangerous voltage for this step; '' if there is none."""
    if not isinstance(step.action, LIVE):
        return ""
    points = shock_points(work.setup.procedure)
    if isinstance(step.action, Leads):
        points = {name: volts for name, volts in points.items() if name == step.action.input}
    if not points:
        return ""
    named = ", ".join(f"{name} {format_quantity(volts, 'V')}" for name, volts in points.items())
    over = f"{SHOCK} or more, ES1 of IEC 62368-1"
    return f"DANGEROUS VOLTAGE ({over}): {named}. One hand only, nothing conductive on you"


def _acknowledge(work: Work, text: str, *, danger: bool) -> None:
    if not work.can_answer:
        raise MissingEvidence(f"nobody is here to acknowledge the caution: {text}")
    prompt = Prompt(PromptKind.CAUTION, text, lines=(FIRST,), suggestion="understood", danger=danger)
    answer = work.waits.answer(prompt)
    by = "the simulated bench" if answer.by_itself else "a person"
    work.journal.event("caution", text, {"acknowledged by": by})
