"""What the preview says of power: how an input is powered, what is expected then, how its leads are looked at. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bringup.core.arming import LOOK_BEHIND, ApplyPlan, LeadsPlan, Stage, output_words
from bringup.core.budget import downstream
from bringup.core.columns import origin_text, table
from bringup.core.preview import Preview
from bringup.core.procedure import Step
from bringup.core.safety_bench import meter_by_hand
from bringup.core.wording import duration, limit_times, limits_text, listed, shown


def apply_lines(plan: ApplyPlan, whole: Preview) -> Iterator[str]:
    """Say what is set and expected while an input is powered."""
    yield f"{_output(plan, whole)}current limit {shown(plan.current_limit, 'A')}"
    yield f"over-voltage protection {_level(plan, whole)}: {plan.over_voltage_why}"
    if whole.trips:
        yield f"trips above {shown(plan.trip_current, 'A', 3)} once started up: {plan.trip_from}"
    else:
        amps = shown(plan.trip_current, "A", 3)
        yield f"nothing trips by itself: switch off by hand above {amps} once started up ({plan.trip_from})"
    rows: list[Sequence[str]] = [("", "volts", "expected current", "from", "power")]
    rows += [_stage(stage) for stage in plan.stages]
    yield from table(rows)
    yield limit_times([(stage.volts, stage.limit_time) for stage in plan.stages])
    for stage in plan.stages:
        if stage.amps is not None and stage.start_up is not None and stage.start_up > 1.01 * stage.amps:
            yield (
                f"coming up at {shown(stage.volts, 'V')} takes up to {shown(stage.start_up, 'A', 3)}, "
                "as if all soft starts coincided"
            )
    charging = max((stage.charge_time or 0.0 for stage in plan.stages), default=0.0)
    if charging:
        yield f"charging keeps the supply in current limit for up to {duration(charging)}, which is in order"
    if plan.hold:
        yield f"held for {duration(plan.hold)} at each voltage"
    yield from plan.notes


def behind_lines(step: Step, plan: ApplyPlan, whole: Preview) -> Iterator[str]:
    """Say what is still read where the input current misses its limits; nothing where that needs somebody's hands."""
    bench, board = whole.bench, whole.procedure.board
    rails = [rail.name for rail in downstream(board, plan.input) if rail.probe]
    if bench is not None:
        rails = [name for name in rails if not bench.probed_by_hand(name)]
    by_itself = bench is None or not (bench.meter is None or meter_by_hand(bench))
    if not rails or not whole.trips or not by_itself:
        return
    where = "" if bench is not None else ", on a bench whose meter needs nobody's hands"
    but = "" if step.end_on_fail else " (at the last voltage the step goes on instead)"
    yield (
        f"a current that misses its limits, below that level and past the short check{where}: {listed(rails)} are read "
        f"first, in this order, until one is wrong, for {LOOK_BEHIND:g} s at most; then it goes off{but}"
    )


def _output(plan: ApplyPlan | LeadsPlan, whole: Preview) -> str:
    return "" if plan.output is None or whole.bench is None else f"{output_words(whole.bench, plan.output)}, "


def _level(plan: ApplyPlan | LeadsPlan, whole: Preview) -> str:
    if plan.over_voltage is None:
        return "none"
    level = shown(plan.over_voltage, "V")
    return level if plan.input not in whole.out_of_reach else f"out of this bench's reach (it would be {level})"


def _stage(stage: Stage) -> tuple[str, ...]:
    if stage.current is None:
        current, origin = "recorded only", "not known"
    else:
        current, origin = limits_text(stage.current), origin_text(stage.current_from)
    power = "" if stage.amps is None else shown(stage.amps * abs(stage.volts), "W", 3)
    return (
        stage.purpose.value,
        shown(stage.volts, "V"),
        current,
        origin,
        power,
    )


def leads_lines(plan: LeadsPlan, whole: Preview) -> Iterator[str]:
    """Say what is set and expected while the leads hang free."""
    yield f"{_output(plan, whole)}{shown(plan.volts, 'V')}, current limit {shown(plan.current_limit, 'A')}"
    yield f"over-voltage protection {_level(plan, whole)}: {plan.over_voltage_why}"
    yield f"must read {limits_text(plan.limits)} ({origin_text(plan.limits_from)}); a negative value: leads reversed"
    yield from plan.notes
