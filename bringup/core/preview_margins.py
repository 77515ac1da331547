"""What the preview says of power and stress: budget by state and voltage, proposals, margins of parts, heat. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.budget import CurrentBudget
from bringup.core.columns import table
from bringup.core.margins import Junction, Margin
from bringup.core.preview_stress import Stress
from bringup.core.proposal import Proposal
from bringup.core.wording import duration, shown


def stress_lines(known: Stress) -> Iterator[str]:
    """Say all of it; what nothing is known of is left out."""
    if known.budgets:
        yield "Power budget (typical figures; coming up as if all soft starts coincided):"
        yield from (f"  {line}" for line in table([_budget(*one) for one in known.budgets]))
        yield ""
    for one in known.proposals:
        yield f"Proposed for {one.input}, by the board file: {_proposal(one)}"
    if known.proposals:
        yield ""
    if known.margins:
        yield "Margins of stated ratings, worst case:"
        yield from (f"  {line}" for line in table([_margin(one) for one in known.margins]))
        yield ""
    if known.junctions:
        yield "Heat in converters, at most, in any state over the working range:"
        yield from (f"  {line}" for line in table([_junction(one) for one in known.junctions]))
        yield ""


def _budget(state: str | None, budget: CurrentBudget) -> tuple[str, ...]:
    amps, coming_up = budget.amps, budget.start_up
    if amps is None:
        return budget.input, state or "", shown(budget.volts, "V"), "not known", "", budget.unknown
    power = shown(amps * abs(budget.volts), "W", 3)
    rising = "" if coming_up is None else f"coming up {shown(coming_up, 'A', 3)}"
    return budget.input, state or "", shown(budget.volts, "V"), shown(amps, "A", 3), power, rising


def _proposal(one: Proposal) -> str:
    text = f"current limit {shown(one.current_limit, 'A')} (coming up takes {shown(one.start_up, 'A', 3)} at "
    text += f"{shown(one.at, 'V')}, and half as much again{'; cut to the ceiling of the bench' if one.capped else ''})"
    level = one.over_voltage.level
    over = one.over_voltage.why if level is None else f"over-voltage level {shown(level, 'V')} ({one.over_voltage.why})"
    return f"{text}; limit_time {duration(one.limit_time)}; {over}"


def _margin(one: Margin) -> tuple[str, ...]:
    left = f"{one.left:.0f} % left" if one.left >= 0 else f"{-one.left:.0f} % TOO MUCH"
    rated, worst = shown(one.rated, one.unit), shown(one.worst, one.unit)
    return one.name, f"never above {rated}", f"gets {worst}", left, f"from {one.driver}"


def _junction(one: Junction) -> tuple[str, ...]:
    if one.hottest is None:
        return one.rail, shown(one.watts, "W", 3), "", "its thermal resistance is not stated"
    at = f"junction {one.hottest:.0f} °C at {one.ambient:g} °C"
    return one.rail, shown(one.watts, "W", 3), at, f"limit {one.limit:g} °C"


def stress_data(known: Stress) -> dict[str, object]:
    """Return all of it as plain data, in base units."""
    return {
        "budgets": [
            {
                "input": budget.input,
                "board_state": state,
                "volts": budget.volts,
                "amps": budget.amps,
                "watts": None if budget.amps is None else budget.amps * abs(budget.volts),
                "start_up_amps": budget.start_up,
                "unknown": budget.unknown or None,
            }
            for state, budget in known.budgets
        ],
        "proposals": [
            {
                "input": one.input,
                "current_limit": one.current_limit,
                "start_up_amps": one.start_up,
                "limit_time": one.limit_time,
                "over_voltage": one.over_voltage.level,
                "over_voltage_why": one.over_voltage.why,
            }
            for one in known.proposals
        ],
        "margins": [
            {
                "part": one.name,
                "unit": one.unit,
                "never_above": one.rated,
                "nominal": one.nominal,
                "worst_case": one.worst,
                "driven_by": one.driver,
            }
            for one in known.margins
        ],
        "junctions": [_junction_data(one) for one in known.junctions],
    }


def _junction_data(one: Junction) -> dict[str, object]:
    return {
        "rail": one.rail,
        "watts": one.watts,
        "ambient": one.ambient,
        "junction": one.hottest,
        "limit": one.limit,
    }
