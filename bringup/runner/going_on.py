"""Going on with an attempt that was called off or broken off: whether that may be, and what of it still holds.

Inspections stay. Readings of the unpowered board stay unless something came between that may have changed it.
Whatever needs power, and whatever the procedure does after power is on the board, is done again from off; so is
`leads`: it needs power, and between two attempts people plug leads elsewhere. Only what passed is carried over: a step
that failed there is done again. Reading the earlier attempt from the logbook is not done here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from bringup.core.procedure import Dwell, Inspect, Leads, Note, PowerOff, Procedure, Question, Step, TakePhoto
from bringup.core.unpowered import Resistance
from bringup.runner.earlier import ID_SHOWN, Earlier, GoingOn
from bringup.runner.headings import heading
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.work import Work

LEADS_AGAIN = "it needs power, and leads may have been plugged elsewhere meanwhile"
UNCHANGED, CHANGED = "nothing was changed", "something was changed"

Inspection = Inspect | Question | Note | TakePhoto
Harmless = Inspection | Resistance | Leads | Dwell | PowerOff
"""Actions that put no power on the board: what stands behind any other one is done again."""


def decide(work: Work, earlier: Earlier, *, found_on: bool) -> GoingOn:
    """Say what is carried over. Where readings of the unpowered board could be, a person is asked about rework.

    `found_on`: an output was found on, so that nobody knows what the board went through meanwhile.
    """
    procedure = work.setup.procedure
    candidates = dict(_candidates(procedure, earlier))
    leads = [step for step in candidates.values() if isinstance(step.action, Leads)]
    unpowered = [step for step in candidates.values() if isinstance(step.action, Resistance)]
    disturbed, reasons = earlier.disturbed, dict[int, str]()
    if found_on and not disturbed:
        disturbed = "an output was found on"
    if unpowered and not disturbed:
        disturbed = _rework(work, earlier)
    for step in unpowered:
        if disturbed:
            reasons[step.index] = disturbed
    reasons |= {step.index: LEADS_AGAIN for step in leads}
    reasons = dict(sorted(reasons.items()))
    kept = {index: earlier.steps[index].origin for index in candidates if index not in reasons}
    return GoingOn(earlier, kept, _in_words(procedure, earlier, kept, reasons))


def _candidates(procedure: Procedure, earlier: Earlier) -> Iterator[tuple[int, Step]]:
    """Yield the steps that may stay: those that passed, before anything puts power on the board."""
    for step, before in zip(procedure.steps, earlier.steps, strict=False):
        if not isinstance(step.action, Harmless):
            return
        if isinstance(step.action, Inspection | Resistance | Leads) and before.passed and before.kind == step.kind:
            yield step.index, step


def _rework(work: Work, earlier: Earlier) -> str:
    """Return why no unpowered reading holds, from the only one who can know; '' if the board is as it was."""
    if not work.can_answer:
        return "nobody is here to say whether the board was changed meanwhile"
    text = f"Since {earlier.named}: was anything on {work.setup.serial} soldered, fitted, removed or shorted?"
    prompt = Prompt(PromptKind.CHOICE, text, choices=(UNCHANGED, CHANGED), suggestion=UNCHANGED)
    return "" if work.waits.answer(prompt).text == UNCHANGED else "the board was changed meanwhile"


def _in_words(procedure: Procedure, earlier: Earlier, kept: Mapping[int, str], reasons: Mapping[int, str]) -> str:
    parts = [f"goes on from {earlier.named}: {earlier.cause}".rstrip(": ")]
    if kept:
        parts.append("carried over: " + ", ".join(_step(procedure, index) for index in kept))
    else:
        parts.append("nothing is carried over")
    parts += [f"{_step(procedure, index)} is done again: {why}" for index, why in reasons.items()]
    return "; ".join(parts)


def _step(procedure: Procedure, index: int) -> str:
    return f"step {index + 1} ({heading(procedure.steps[index])})"


def carry(work: Work, step: Step) -> str:
    """Take over a step that is not done again, with what it found out. Returns from where, in words."""
    assert work.going_on is not None, "nothing to carry over"
    if isinstance(step.action, Resistance):
        for point in step.action.points:
            if point not in work.evidence.resistance_doubted:
                work.evidence.trust_resistance(point)
    return f"carried over from attempt {work.going_on.steps[step.index][:ID_SHOWN]}: {heading(step)}"
