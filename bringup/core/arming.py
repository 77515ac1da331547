"""What to set before an output goes on, and what to expect then: worked out before anything is opened.

The runner carries these plans out and the preview shows them. The supply's own limits are the first line of
defence, so every level here is chosen for the supply; the tool's own watching comes second.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from enum import StrEnum

from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.budget import CurrentBudget, band, charge_time, default_limit_time, expected_current
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.procedure import Apply, Leads, Procedure
from bringup.core.protection import OverVoltage, over_voltage
from bringup.core.wording import listed, shown
from bringup.core.words import LimitsFrom

LONGEST_DELAY = 0.2
"""Delay of the supply's over-current protection: some take no more than a quarter of a second."""

LOOK_BEHIND = 5.0
"""Seconds for which an input that missed its current may stay on, for a look at the rails behind it."""

LEADS_LIMIT = Decimal("0.05")
"""Current limit in amperes while the leads hang free: nothing but a meter is on them."""

LEADS_BAND = Decimal("0.02")
"""Volts at the free ends may be off by 2 %."""


class Purpose(StrEnum):
    """What a stage of a power-up is for."""

    SHORT_CHECK = "short check"
    """1 V or less: no converter runs, a short shows."""
    RAMP = "ramp"
    FINAL = "final"


@frozen
class Stage:
    """One voltage of a power-up, in order."""

    volts: float
    purpose: Purpose
    current: Limits | None
    """Judges the steady input current; None: recorded, `unknown` says why."""
    current_from: LimitsFrom
    amps: float | None
    """The power budget's figure."""
    start_up: float | None
    """The highest the budget expects while converters come up."""
    limit_time: float
    """Seconds that current limit may last at this stage."""
    charge_time: float | None
    """Seconds of honest current limit while capacitance charges; None: unknown."""
    unknown: str = ""


class _Protected:
    """What every plan says of the supply's over-voltage protection."""

    __slots__ = ()
    protection: OverVoltage

    @property
    def over_voltage(self) -> float | None:
        """Level of the supply's over-voltage protection; None with the reason in `over_voltage_why`."""
        return self.protection.level

    @property
    def over_voltage_why(self) -> str:
        """The reason for that level, or why there is none."""
        return self.protection.why


@frozen
class ApplyPlan(_Protected):
    """Everything the supply is set to for one `apply`."""

    input: str
    output: int | None
    """Number of the supply's output; None: the bench file gives this input none, or no bench is named."""
    stages: tuple[Stage, ...]
    current_limit: float
    protection: OverVoltage
    """The supply's over-voltage protection, for all stages."""
    over_current: float
    """Level of the supply's over-current protection where it has one: the trip current, at most the current limit."""
    over_current_delay: float
    """Seconds the current must last; it is enabled after start-up, once the last stage has settled."""
    trip_current: float
    """The tool's own trip, once a stage is out of start-up: a current above it switches off."""
    trip_from: str
    """Where the trip current comes from, for people."""
    hold: float
    """Seconds to stay at each voltage once settled."""
    notes: tuple[str, ...] = ()


@frozen
class LeadsPlan(_Protected):
    """What the supply is set to while the free ends of its leads are measured."""

    input: str
    output: int | None
    volts: float
    limits: Limits
    limits_from: LimitsFrom
    current_limit: float
    protection: OverVoltage
    notes: tuple[str, ...] = ()


def output_for(bench: Bench | None, name: str) -> int | None:
    """Return the supply's output for that input; a bench that maps none has one output, number 1, for every input.

    Unique over all supplies of the bench: `output_words` says it as it stands on the instrument.
    """
    if bench is None:
        return None
    if bench.supply is None or not bench.supply.outputs:
        return 1 if bench.supply is not None or bench.simulate is not None else None
    role = bench.supply_of(name) or bench.supply
    own = role.outputs.get(name)
    return None if own is None else role.first + own


def output_words(bench: Bench, output: int) -> str:
    """Return what people call that output: 'output 1', or 'output 1 of the supply bias' where there are several."""
    if not bench.more_supplies:
        return f"output {output}"
    from bringup.core.outputs import words_of

    return words_of(output, [each.name for each in bench.supplies])


def plan_apply(apply: Apply, board: Board, bench: Bench | None, state: str | None = None) -> ApplyPlan:
    """Work out the stages, levels and expectations of a power-up in that board state.

    Raises KeyError for an input that the board does not have.
    """
    stages = tuple(_stages(apply, board, state))
    limit = apply.current_limit.number
    trip, trip_from = _trip(apply, stages)
    highest = max(abs(stage.volts) for stage in stages)
    stated = None if apply.over_voltage is None else apply.over_voltage.number
    return ApplyPlan(
        input=apply.input,
        output=output_for(bench, apply.input),
        stages=stages,
        current_limit=limit,
        protection=over_voltage(stated, board, bench, apply.input, highest, limit),
        over_current=min(trip, limit),
        over_current_delay=min(LONGEST_DELAY, *(stage.limit_time for stage in stages)),
        trip_current=trip,
        trip_from=trip_from,
        hold=0.0 if apply.hold is None else apply.hold.number,
        notes=tuple(_notes(apply, board, stages, trip)),
    )


def _stages(apply: Apply, board: Board, state: str | None) -> Iterator[Stage]:
    """The short check, if any, then every voltage in order; the last one is judged by `expect_current`."""
    before: CurrentBudget | None = None
    planned = [] if apply.short_check is None else [(apply.short_check.number, Purpose.SHORT_CHECK)]
    for index, level in enumerate(apply.then):
        planned.append((level.number, Purpose.FINAL if index == len(apply.then) - 1 else Purpose.RAMP))
    for volts, purpose in planned:
        budget = expected_current(board, apply.input, volts, state)
        current, origin = _judged_by(apply, board, budget, purpose)
        charging = charge_time(before, budget, apply.current_limit.number)
        yield Stage(
            volts=volts,
            purpose=purpose,
            current=current,
            current_from=origin,
            amps=budget.amps,
            start_up=budget.start_up,
            limit_time=default_limit_time(charging) if apply.limit_time is None else apply.limit_time.number,
            charge_time=charging,
            unknown=budget.unknown,
        )
        before = budget


def _judged_by(apply: Apply, board: Board, budget: CurrentBudget, purpose: Purpose) -> tuple[Limits | None, LimitsFrom]:
    if purpose is Purpose.SHORT_CHECK:
        return _short_check_limits(apply, board, budget)
    if purpose is Purpose.FINAL and apply.expect_current is not None:
        return apply.expect_current, LimitsFrom.PROCEDURE
    if budget.limits is None:
        return None, LimitsFrom.NONE
    return budget.limits, LimitsFrom.COMPUTED


def _short_check_limits(apply: Apply, board: Board, budget: CurrentBudget) -> tuple[Limits, LimitsFrom]:
    """At 1 V no converter runs: next to nothing flows, and never more than half the current limit.

    What flows through a resistance to ground that the board file allows is allowed here too. Where the budget is
    unknown, half the current limit alone judges: a short through R is then found as long as 1 V / R exceeds it.
    """
    half = apply.current_limit.value / 2
    if budget.limits is None or budget.limits.high is None:
        return Limits("A", high=half), LimitsFrom.RULE
    high = budget.limits.high
    point = board.inputs[apply.input]
    if point.ground is not None and point.ground.low is not None and point.ground.low > 0:
        high += Decimal(repr(abs(budget.volts))) / point.ground.low
    return Limits("A", high=min(high, half)), LimitsFrom.COMPUTED


def trip_current(apply: Apply, board: Board, state: str | None = None) -> tuple[float, str]:
    """Return the current above which the tool switches off in that board state, and where it comes from.

    Another board state has another trip: ask again when the state changes while the input is on.
    """
    return _trip(apply, tuple(_stages(apply, board, state)))


def _trip(apply: Apply, stages: tuple[Stage, ...]) -> tuple[float, str]:
    if apply.trip_current is not None:
        return apply.trip_current.number, "stated in the procedure"
    working = [stage for stage in stages if stage.purpose is not Purpose.SHORT_CHECK]
    expected = [stage.current.high for stage in working if stage.current is not None and stage.current.high is not None]
    expected += [band(stage.amps).high or Decimal(0) for stage in working if stage.amps is not None]
    if not expected:
        return apply.current_limit.number, "the current limit: the expected current is not known"
    return float(2 * max(expected)), "twice the expected maximum"


def _notes(apply: Apply, board: Board, stages: tuple[Stage, ...], trip: float) -> Iterator[str]:
    for reason in sorted({stage.unknown for stage in stages if stage.unknown}):
        yield f"the expected current{_where_unknown(stages, reason)} is not known: {reason}"
    if apply.limit_time is None and board.inputs[apply.input].capacitance is None:
        yield (
            f"the board file does not state the capacitance of {apply.input}: current limit may last "
            f"{shown(stages[-1].limit_time, 's')}, the least"
        )
    if trip > apply.current_limit.number:
        yield (
            f"the supply's current limit of {apply.current_limit} comes before the trip current of "
            f"{shown(trip, 'A', 3)}"
        )


def _where_unknown(stages: tuple[Stage, ...], reason: str) -> str:
    """Name the voltages whose expected current is not known for that reason; '' where it is that of all."""
    unknown = [stage for stage in stages if stage.unknown == reason]
    if len(unknown) == len(stages):
        return ""
    named = (
        f"{shown(stage.volts, 'V')}{' (the short check)' if stage.purpose is Purpose.SHORT_CHECK else ''}"
        for stage in unknown
    )
    return f" at {listed(named)}"


def plan_leads(leads: Leads, procedure: Procedure, bench: Bench | None) -> LeadsPlan:
    """Work out what to set and expect while the leads' free ends are measured.

    The voltage is the last one of the first later `apply` to that input, else the input's nominal. The sign is what
    is looked for above all: reversed leads read negative. Raises KeyError for an unknown input.
    """
    later = next_apply(leads, procedure)
    board = procedure.board
    volts = volts_at_leads(leads, procedure)
    limit = LEADS_LIMIT if later is None else min(LEADS_LIMIT, later.current_limit.value)
    if leads.current_limit is not None:
        limit = leads.current_limit.value
    stated = None if later is None or later.over_voltage is None else later.over_voltage.number
    step = next((step for step in procedure.steps if step.action is leads), None)
    expect = None if step is None else step.expect.get(leads.input, step.expect.get(""))
    wide = volts * LEADS_BAND
    return LeadsPlan(
        input=leads.input,
        output=output_for(bench, leads.input),
        volts=float(volts),
        limits=Limits("V", low=volts - wide, high=volts + wide, nominal=volts) if expect is None else expect,
        limits_from=LimitsFrom.RULE if expect is None else LimitsFrom.PROCEDURE,
        current_limit=float(limit),
        protection=over_voltage(stated, board, bench, leads.input, float(volts), float(limit)),
        notes=() if later is not None else (f"nothing is applied to {leads.input} later: its nominal voltage is used",),
    )


def volts_at_leads(leads: Leads, procedure: Procedure) -> Decimal:
    """Return the magnitude of the volts that stand at the free ends of an input's leads while they are measured."""
    later = next_apply(leads, procedure)
    nominal = procedure.board.inputs[leads.input].voltage.value
    return abs(later.then[-1].value if later is not None and later.then else nominal)


def next_apply(leads: Leads, procedure: Procedure) -> Apply | None:
    """Return the first `apply` to the same input after this step."""
    seen = False
    for step in procedure.steps:
        seen = seen or step.action is leads
        if seen and isinstance(step.action, Apply) and step.action.input == leads.input:
            return step.action
    return None
