"""The gate before power: what must have been found out about this unit, or a typed reason for doing without."""

from __future__ import annotations

from bringup.runner.endings import MissingEvidence
from bringup.runner.work import Work


def require_gate(work: Work, name: str) -> None:
    """Let an input be powered only if its leads and the resistance of every probed rail were found good.

    Leads in this attempt: they belong to the bench, and are plugged anew for every unit. Where nobody is there to plug
    them, those count that this unit passed with on this bench. Resistance also in an earlier attempt since the last
    trip and the last rework that touched the rail, if this one has not found otherwise. Else a person gives a reason,
    which is kept as an event `override`; where nobody can, the attempt ends here.
    """
    missing = missing_evidence(work, name)
    if not missing or name in work.evidence.overridden:
        return
    text = f"{name} is to be powered without: {'; '.join(missing)}"
    if not work.can_answer:
        raise MissingEvidence(f"{text}. Nobody is here to give a reason")
    answer = work.waits.reason(f"{text}. Why go on?", suggestion="simulated bench: nothing can be destroyed")
    work.evidence.overridden.add(name)
    work.journal.event(
        "override",
        f"{text}. Reason: {answer.text}",
        {"reason": answer.text, "given by": "the simulated bench" if answer.by_itself else "a person"},
        show="",
    )


def changed(work: Work, name: str) -> bool:
    """Whether something came to be missing since the gate was passed: then the reason was asked for."""
    if not missing_evidence(work, name) or name in work.evidence.overridden:
        return False
    require_gate(work, name)
    return True


def missing_evidence(work: Work, name: str) -> list[str]:
    """Return in words what is missing; empty if the gate is open."""
    missing = []
    left_plugged = not work.can_answer and (work.setup.bench.name, name) in work.history.leads_seen
    if name not in work.evidence.leads and not (left_plugged and name not in work.evidence.leads_doubted):
        missing.append(f"a good reading of its free leads (`leads: {name}`)")
    seen = work.evidence.resistance | (work.history.resistance_seen - work.evidence.resistance_doubted)
    rails = [rail.name for rail in work.board.rails.values() if rail.probe and rail.name not in seen]
    if rails:
        since = f" since the rework of {work.history.reworked}" if work.history.reworked else ""
        missing.append(f"a good resistance of {', '.join(rails)}{since} (`resistance`)")
    return missing
