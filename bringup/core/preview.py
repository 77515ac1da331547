"""What a procedure would do on a bench, as records: steps, limits and their origin, plans, time, what is not covered.

Nothing here is text for people beyond single phrases; preview_text writes the page, and `--json` the same records.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from types import MappingProxyType

from bringup.core.arming import ApplyPlan, LeadsPlan, plan_apply, plan_leads
from bringup.core.bench import Bench, SupplyRole
from bringup.core.board import Board
from bringup.core.dangers import dangers_before
from bringup.core.design_limits import Designed, designed
from bringup.core.dialect import Dialect, can_ask, can_tell
from bringup.core.expectation import limits_of, ripple_limits, states_of
from bringup.core.finding import Finding
from bringup.core.foreseen import Foreseen, foreseen, supply_name
from bringup.core.frozen import frozen
from bringup.core.hazard import SHOCK, shock_points
from bringup.core.limits import Limits
from bringup.core.preview_stress import Stress, stress_of
from bringup.core.procedure import Apply, Leads, Log, Measure, Procedure, Step
from bringup.core.safety import examine, unknown_names
from bringup.core.safety_bench import meter_by_hand, needs_person, probed_points, supply_by_hand
from bringup.core.timing import seconds_of
from bringup.core.unbounded import unbounded
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.wording import listed, shown
from bringup.core.words import LimitsFrom


@frozen
class Judged:
    """One reading to come, and what it will be judged by."""

    point: str
    limits: Limits | None
    limits_from: LimitsFrom
    probe: str = ""
    """Where on the board, if the board file says."""


@frozen
class StepPreview:
    """One step to come."""

    step: Step
    state: str | None
    readings: tuple[Judged, ...]
    plan: ApplyPlan | LeadsPlan | None
    cautions: tuple[str, ...]
    seconds: float
    """Instrument time."""
    person: str
    """What a person does, '' if nothing."""


@frozen
class Preview:
    """A whole procedure to come. Bench-dependent things are open where `bench` is None."""

    procedure: Procedure
    bench: Bench | None
    steps: tuple[StepPreview, ...]
    not_covered: tuple[str, ...]
    """What this bench cannot protect from."""
    findings: tuple[Finding, ...]
    design: tuple[Designed, ...] = ()
    """Rails that are read and judged by limits computed from the design."""
    foreseen: tuple[Foreseen, ...] = ()
    """Readings to come, with their uncertainty on this bench."""
    stress: Stress = Stress()
    variant: str = ""
    """Assembly variant that it is looked at for; '': none was named."""
    out_of_reach: frozenset[str] = frozenset()
    """Inputs at which the supply's own over-voltage protection cannot be set; none where no bench is named."""
    trips: bool = True
    """Whether anything switches off by itself: not where the supply is set by hand."""

    @property
    def seconds(self) -> float:
        """Instrument time of all steps."""
        return sum(step.seconds for step in self.steps)

    @property
    def refused(self) -> bool:
        """Whether the procedure may not be run like this."""
        return any(finding.refused for finding in self.findings)


def look_ahead(
    procedure: Procedure,
    bench: Bench | None,
    spoken: Mapping[str, Dialect] = MappingProxyType({}),
    today: date | None = None,
) -> Preview:
    """Work out what the procedure would do. `spoken`: the dialects of the bench's supplies, by role.

    `today`: the day for which uncertainties are looked up; None: as long after calibration as accuracies are stated.

    A procedure with unknown names gives a preview of findings only.
    """
    findings = examine(procedure, bench)
    steps: tuple[StepPreview, ...] = ()
    if not any(unknown_names(procedure)):
        high = shock_points(procedure)
        steps = tuple(
            _step(step, state, procedure, bench, high)
            for step, state in zip(procedure.steps, states_of(procedure), strict=True)
        )
    by_hand = bench is not None and supply_by_hand(bench)
    mute = [name for name, each in spoken.items() if not can_tell(each, "set_over_voltage")]
    beyond = (name for name in procedure.board.inputs if bench is not None and supply_name(bench, name) in mute)
    gaps = tuple(_gaps(procedure, bench, spoken))
    design = tuple(_designs(procedure, steps))
    sure = () if bench is None or not steps else tuple(foreseen(procedure, bench, today))
    stress = Stress() if not steps else stress_of(procedure, bench)
    return Preview(
        procedure, bench, steps, gaps, findings, design, sure, stress,
        out_of_reach=frozenset(procedure.board.inputs if by_hand else beyond), trips=not by_hand,
    )  # fmt: skip


def _designs(procedure: Procedure, steps: tuple[StepPreview, ...]) -> Iterator[Designed]:
    """Every rail that is judged by its design in some step, once."""
    computed = (one.point for step in steps for one in step.readings if one.limits_from is LimitsFrom.COMPUTED)
    for name in dict.fromkeys(quantity_at(procedure.board, point) for point in computed):
        if (found := designed(procedure.board, name)) is not None:
            yield found


def quantity_at(board: Board, point: str) -> str:
    """Return the rail or input that a channel's text names: '3V3 voltage' is of 3V3."""
    return point if point in board.inputs or point in board.rails else point.rpartition(" ")[0]


def _step(
    step: Step, state: str | None, procedure: Procedure, bench: Bench | None, high: dict[str, float]
) -> StepPreview:
    board, action = procedure.board, step.action
    plan: ApplyPlan | LeadsPlan | None = None
    if isinstance(action, Apply):
        plan = plan_apply(action, board, bench, state)
    elif isinstance(action, Leads):
        plan = plan_leads(action, procedure, bench)
    return StepPreview(
        step=step,
        state=state,
        readings=tuple(_judged(step, point, procedure, state) for point in _points(step)),
        plan=plan,
        cautions=(*step.cautions, *dangers_before(step, procedure, bench), *_high_voltage(step, procedure, high)),
        seconds=seconds_of(step, board, bench, state),
        person=needs_person(step, procedure, bench),
    )


def _points(step: Step) -> tuple[str, ...]:
    if isinstance(step.action, Measure | Ripple):
        return step.action.points
    if isinstance(step.action, Resistance):
        return step.action.read
    if isinstance(step.action, Sweep | PowerCycle):
        return step.action.rails
    return tuple(channel.text for channel in step.action.what) if isinstance(step.action, Log) else ()


def _judged(step: Step, point: str, procedure: Procedure, state: str | None) -> Judged:
    limits, origin = limits_of(step, point, procedure.board, state)
    if isinstance(step.action, Ripple):
        limits = ripple_limits(step, point)
        origin = LimitsFrom.NONE if limits is None else LimitsFrom.PROCEDURE
    board = procedure.board
    known = point in board.inputs or point in board.rails
    return Judged(point, limits, origin, board.point(point).probe if known else "")


def _high_voltage(step: Step, procedure: Procedure, high: dict[str, float]) -> tuple[str, ...]:
    """The caution of a step that powers or touches points that can shock."""
    touched = probed_points(step, procedure.board)
    named = [name for name in high if isinstance(step.action, Apply) or name in touched]
    if not named or isinstance(step.action, Resistance):
        return ()
    points = listed(f"{name} ({shown(high[name], 'V', 3)})" for name in named)
    return (f"dangerous voltage, {SHOCK} or more: {points}",)


def _gaps(procedure: Procedure, bench: Bench | None, spoken: Mapping[str, Dialect]) -> list[str]:
    """What neither the board file, nor this bench, nor the tool on it protects from; nothing without a bench."""
    nobody_said = unbounded(procedure.board)
    return [*_not_covered(bench, spoken), *([nobody_said] if bench is not None and nobody_said else [])]


def _not_covered(bench: Bench | None, spoken: Mapping[str, Dialect]) -> list[str]:
    """What neither this bench nor the tool on it protects from, in the order of how much it matters."""
    if bench is None:
        return []
    gaps = []
    if supply_by_hand(bench):
        gaps.append(
            "the supply is set by hand: no protection of it is set or seen, nothing trips, no watchdog acts, "
            "and off is what the person says it is"
        )
    else:
        for role in bench.supplies:
            supply, whose = spoken.get(role.name), f"{role.name}: " if bench.more_supplies else ""
            gaps += [whose + each for each in (() if supply is None else _silent_about(supply))]
            gaps.append(whose + _power_cut(role, supply))
    if bench.load is not None and (load := bench.dialects.get("load")) is not None:
        gaps += _silent_about_load(load)
    if meter_by_hand(bench):
        gaps.append("the meter is read by hand: a reading is what the person typed, and no rail is watched")
    elif bench.meter is not None:
        gaps.append(
            "a rail is watched only while the meter is on it: between readings nothing sees it rise or collapse"
        )
    return gaps


def _silent_about(supply: Dialect) -> Iterator[str]:
    """What this supply cannot be told, or asked."""
    if not can_tell(supply, "set_over_voltage"):
        yield f"the dialect {supply.name} reaches no over-voltage protection: only the set voltage bounds it"
    if not can_tell(supply, "set_over_current"):
        yield f"the dialect {supply.name} reaches no over-current protection: the tool's own trip is slower"
    if not can_ask(supply, "mode"):
        yield f"the dialect {supply.name} cannot ask whether the supply is in current limit"
    if not any(can_ask(supply, f"tripped_over_{what}") for what in ("voltage", "current")):
        yield f"the dialect {supply.name} cannot ask what tripped: the output is then only found off"
    if not can_ask(supply, "switch"):
        yield f"the dialect {supply.name} cannot ask whether an output is on: off is judged by its volts"
    if not can_ask(supply, "error"):
        yield f"the dialect {supply.name} cannot ask for errors: a refused setting shows by its read-back only"
    trips = any(can_ask(supply, f"tripped_over_{what}") for what in ("voltage", "current"))
    if trips and "clear_trip" not in supply.operations:
        yield f"the dialect {supply.name} cannot clear a trip: that is done at the supply's panel"


def _silent_about_load(load: Dialect) -> Iterator[str]:
    """What this load cannot be told or asked, though nothing trips for it."""
    if not can_tell(load, "set_stop_voltage"):
        yield f"the dialect {load.name} reaches no stop voltage: the load draws on from a rail that gives way"
    if not any(name.startswith("tripped_") for name in load.operations):
        yield f"the dialect {load.name} cannot ask what tripped: the load is then only found off"


def _power_cut(role: SupplyRole, supply: Dialect | None) -> str:
    """What becomes of an output that is on when this computer loses power."""
    stays = "if this computer loses power, the output stays as it is"
    if supply is None or not can_tell(supply, "watchdog_state"):
        named = "the supply" if supply is None else f"the dialect {supply.name}"
        return f"{named} reaches no communication watchdog: {stays}"
    if role.watchdog is None:
        return f"the supply's communication watchdog is not used, as the bench file says: {stays}"
    if role.leave_alone and supply.watchdog_scope == "all":
        alone = listed(f"output {output}" for output in role.leave_alone)
        return f"the supply's communication watchdog is not used, for it would switch off {alone} too: {stays}"
    seconds = shown(role.watchdog, "s")
    return f"if this computer loses power, the output stays on for {seconds}, until the supply's own watchdog acts"
