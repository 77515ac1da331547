"""Whether the bench can measure ripple as the steps ask: a scope or a meter for it, and no hand near high voltage."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.bench import Bench
from bringup.core.finding import Finding
from bringup.core.hazard import shock_points
from bringup.core.procedure import Procedure, Step
from bringup.core.under_load import Ripple
from bringup.core.wording import shown


def examine_ripple(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """Find what this bench cannot do, or must not."""
    hazardous = shock_points(procedure)
    for step in procedure.steps:
        if not isinstance(step.action, Ripple):
            continue
        if step.action.by == "meter":
            yield from _by_meter(step, bench)
            continue
        if bench.scope is None:
            yield Finding(
                step.index,
                "`ripple` by a scope, and the bench file names none",
                "Add `scope:` to the bench file, such as `scope: {dialect: vpp-by-channel}`, or state `by: meter`.",
                refused=True,
            )
        for point in step.action.points:
            if point in hazardous:
                yield Finding(
                    step.index,
                    f"{point} carries up to {shown(hazardous[point], 'V')}: no scope probe is put there by hand",
                    "Measure it apart, with a probe that is rated for it and attached with power off.",
                    refused=True,
                )


def _by_meter(step: Step, bench: Bench) -> Iterator[Finding]:
    if bench.meter is not None and bench.meter.by_hand:
        yield Finding(
            step.index,
            "`ripple` by a meter that is read by hand",
            "Ask for it: `question: {ask: Ripple at TP4 by the meter's AC volts?, unit: V}`.",
            refused=True,
        )


def needs_scope(procedure: Procedure) -> bool:
    """Whether any step asks a scope."""
    return any(isinstance(step.action, Ripple) and step.action.by == "scope" for step in procedure.steps)
