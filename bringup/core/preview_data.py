"""The preview of a procedure as plain data for `--json`: numbers in base units, names as in the files."""

from __future__ import annotations

from bringup.core.arming import ApplyPlan, LeadsPlan, Stage
from bringup.core.bench import Bench
from bringup.core.limits import Limits
from bringup.core.preview import Judged, Preview, StepPreview
from bringup.core.preview_design import design_data
from bringup.core.preview_margins import stress_data
from bringup.core.preview_text import doing
from bringup.core.preview_uncertainty import uncertainty_data
from bringup.core.procedure import HostProgram
from bringup.core.words import LimitsFrom

Data = dict[str, object]


def data_of(preview: Preview) -> Data:
    """Return the whole preview, ready for JSON (no NaN, no infinity)."""
    procedure, board = preview.procedure, preview.procedure.board
    return {
        "procedure": procedure.name,
        "board": board.name,
        "revision": board.revision,
        "variant": preview.variant,
        "bench": None if preview.bench is None else preview.bench.name,
        "simulated": preview.bench is not None and preview.bench.simulate is not None,
        "unattended": procedure.unattended_after_first_power,
        "cautions": list(board.cautions),
        "steps": [_step(step, preview.bench) for step in preview.steps],
        "seconds": round(preview.seconds, 3),
        "over_voltage_in_reach": not preview.out_of_reach,
        "trips_by_itself": preview.trips,
        "computed_limits": [design_data(each) for each in preview.design],
        **stress_data(preview.stress),
        "uncertainties": [uncertainty_data(each) for each in preview.foreseen],
        "not_covered": list(preview.not_covered),
        "findings": [
            {
                "step": None if finding.step is None else finding.step + 1,
                "refused": finding.refused,
                "message": finding.message,
                "what_to_do": finding.what_to_do,
            }
            for finding in preview.findings
        ],
        "refused": preview.refused,
    }


def _step(preview: StepPreview, bench: Bench | None) -> Data:
    step, plan = preview.step, preview.plan
    return {
        "step": step.index + 1,
        "kind": step.kind,
        "title": step.title,
        "does": doing(step),
        "board_state": preview.state,
        "conditional": step.only_if is not None,
        "irreversible": step.irreversible,
        "arguments": list(step.action.program) if isinstance(step.action, HostProgram) else None,
        "ends_on_fail": step.end_on_fail,
        "cautions": list(preview.cautions),
        "readings": [_reading(one) for one in preview.readings],
        "apply": _apply(plan) | _output(plan, bench) if isinstance(plan, ApplyPlan) else None,
        "leads": _leads(plan) | _output(plan, bench) if isinstance(plan, LeadsPlan) else None,
        "seconds": round(preview.seconds, 3),
        "person": preview.person,
    }


def _output(plan: ApplyPlan | LeadsPlan, bench: Bench | None) -> Data:
    """The output by the number that stands on its supply, and which that is where there are several."""
    if bench is None or not bench.more_supplies or plan.output is None:
        return {}
    role = bench.supply_of(plan.input) or bench.supplies[0]
    return {"output": plan.output - role.first, "supply": role.name}


def _reading(judged: Judged) -> Data:
    return {"point": judged.point, "probe": judged.probe, **_limits(judged.limits, judged.limits_from)}


def _limits(limits: Limits | None, origin: LimitsFrom) -> Data:
    ends = (
        {"low": None, "high": None, "nominal": None}
        if limits is None
        else {
            "low": limits.low,
            "high": limits.high,
            "nominal": limits.nominal,
        }
    )
    return {
        "unit": None if limits is None else limits.unit,
        **{name: None if value is None else float(value) for name, value in ends.items()},
        "limits_from": origin.value or None,
    }


def _apply(plan: ApplyPlan) -> Data:
    return {
        "input": plan.input,
        "output": plan.output,
        "current_limit": plan.current_limit,
        "over_voltage": plan.over_voltage,
        "over_voltage_why": plan.over_voltage_why,
        "over_current": plan.over_current,
        "over_current_delay": plan.over_current_delay,
        "trip_current": plan.trip_current,
        "trip_from": plan.trip_from,
        "hold": plan.hold,
        "stages": [_stage(stage) for stage in plan.stages],
        "notes": list(plan.notes),
    }


def _stage(stage: Stage) -> Data:
    return {
        "volts": stage.volts,
        "purpose": stage.purpose.value,
        "expected_amps": stage.amps,
        "expected_watts": None if stage.amps is None else stage.amps * abs(stage.volts),
        "start_up_amps": stage.start_up,
        "current": _limits(stage.current, stage.current_from),
        "limit_time": stage.limit_time,
        "charge_time": stage.charge_time,
        "unknown": stage.unknown,
    }


def _leads(plan: LeadsPlan) -> Data:
    return {
        "input": plan.input,
        "output": plan.output,
        "volts": plan.volts,
        **_limits(plan.limits, plan.limits_from),
        "current_limit": plan.current_limit,
        "over_voltage": plan.over_voltage,
        "over_voltage_why": plan.over_voltage_why,
        "notes": list(plan.notes),
    }
