"""What decision rules ask of a bench: accuracies that are stated, limits that leave room, ratios of 4:1. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.bench import Bench
from bringup.core.decision import RuleKind, room
from bringup.core.finding import Finding
from bringup.core.foreseen import WANTED_RATIO, Foreseen, foreseen, supply_name
from bringup.core.procedure import Measure, Procedure
from bringup.core.uncertainty import NotKnown, Uncertainty
from bringup.core.wording import limits_text, listed, shown, uncertainty_text


def examine_decisions(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """Find readings that the decision rule could not judge, ranges that are none, and, once, ratios under 4:1."""
    yield from _ranges(procedure, bench)
    low: dict[str, str] = {}
    for one in foreseen(procedure, bench):
        known = one.uncertainty
        named = f"{one.point} {one.kind}"
        if not one.rule.simple and not isinstance(known, Uncertainty):
            yield _unknown(one, known, bench)
        elif isinstance(known, Uncertainty) and not room(one.limits, known.expanded, one.rule):
            wide = uncertainty_text(known.expanded, one.limits.unit)
            nothing = one.rule.kind is RuleKind.GUARD_BAND
            could = "nothing could pass" if nothing else "nothing could pass but conditionally"
            message = f"{could}: {named} has limits of {limits_text(one.limits)}, and U is {wide}"
            way_out = "Take a more exact meter or range, or another decision rule."
            yield Finding(one.step, message, way_out, refused=nothing)
        if one.ratio is not None and one.ratio < WANTED_RATIO:
            low.setdefault(named, f"{named} {ratio_text(one.ratio)}")
    if low:
        message = f"test uncertainty ratio under {WANTED_RATIO:g}:1: {listed(low.values())}"
        way_out = (
            "A value near a limit may be judged wrongly. Take a more exact instrument or range, or a decision rule "
            "with a guard band."
        )
        yield Finding(None, message, way_out, refused=False)


def _ranges(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """Fixed ranges that the meter's dialect does not have, or that what is expected exceeds."""
    dialect = bench.dialects.get("meter")
    for step in procedure.steps:
        scale = step.action.fixed.full_scale if isinstance(step.action, Measure) and step.action.fixed else None
        if scale is None or dialect is None:
            continue
        known = dialect.ranges.get("dc volts", ())
        if known and scale not in known:
            named = listed(shown(each, "V") for each in known)
            message = f"the meter has no {shown(scale, 'V')} range; with {dialect.name} it has {named}"
            yield Finding(step.index, message, "Name one of these, or leave `range` out.", refused=True)
            continue
        over = [one for one in foreseen(procedure, bench) if one.step == step.index and abs(one.expected) > scale]
        if over:
            message = (
                f"{over[0].point} should have {shown(over[0].expected, 'V')}, beyond the {shown(scale, 'V')} range"
            )
            yield Finding(step.index, message, "Take a larger range, or leave `range` out.", refused=True)


def _unknown(one: Foreseen, known: NotKnown | None, bench: Bench) -> Finding:
    taken_by = supply_name(bench, one.point) if one.kind.value == "current" else "meter"
    why = known.why if isinstance(known, NotKnown) else f"the bench file states no accuracy of the {taken_by} for it"
    return Finding(
        one.step,
        f"the decision rule ({one.rule}) needs the uncertainty of {one.point} {one.kind}, which is not known: {why}",
        "State the accuracy in the bench file, or `decision_rule: simple acceptance` for that point or step.",
        refused=True,
    )


def ratio_text(ratio: float) -> str:
    """Write a ratio as people say it: '3.2:1', '25:1'."""
    return f"{ratio:.1f}:1" if ratio < 9.95 else f"{ratio:.0f}:1"  # noqa: PLR2004 - two digits either way
