"""What a step is called where the procedure gives it no title: what it does, to which points. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from bringup.core.listening import Listen, in_short
from bringup.core.procedure import (
    Action,
    Apply,
    Dwell,
    HostProgram,
    Inspect,
    Leads,
    Log,
    Measure,
    Note,
    Pace,
    PowerOff,
    Question,
    Sink,
    Step,
    TakePhoto,
)
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.wording import duration

MOST_NAMED = 8
"""Points that a heading names; of more it names the first ones."""


def heading(step: Step) -> str:
    """Return the step's title; without one, what it does: 'measure VIN, 12V0, 5V0', 'apply VIN: 1 V, 18 V, 24 V'."""
    return step.title or _doing(step.action)


def _doing(action: Action) -> str:
    match action:
        case Inspect():
            points = f"{len(action.confirm)} point{'' if len(action.confirm) == 1 else 's'}" if action.confirm else ""
            parts = "" if action.not_placed is None else "parts not placed"
            return f"inspect {', '.join(filter(None, (points, parts)))}"
        case Question():
            return action.ask
        case Note():
            return f"note: {action.text}"
        case TakePhoto():
            return f"photo of {action.of}"
        case Resistance():
            ground = f"resistance to ground of {_named(action.points)}" if action.points else ""
            between = f"resistance of {_named(map(str, action.pairs))}" if action.pairs else ""
            swapped = "both polarities" if action.both_polarities else ""
            return "; ".join(filter(None, (ground, between, swapped)))
        case Leads():
            return f"volts at the free leads of {action.input}"
        case Apply():
            levels = ([] if action.short_check is None else [action.short_check]) + list(action.then)
            return f"apply {action.input}: {_named(map(str, levels))}"
        case Measure():
            return f"measure {_named(action.points)}"
        case Log():
            pace = ", as fast as the instruments answer" if action.pace is Pace.OWN else ""
            by_hand = f", every {duration(action.every.number)} by hand" if action.pace is Pace.BY_HAND else ""
            lasting = f"for {duration(action.duration.number)}{by_hand}{pace}"
            return f"log {_named(channel.text for channel in action.what)} {lasting}"
        case Sink():
            return f"load {action.rail}: {'off' if action.level is None else f'constant {action.mode} {action.level}'}"
        case PowerCycle():
            return f"power cycle of {action.input}, {action.times} times"
        case Ripple():
            return f"ripple of {_named(action.points)} by the {action.by}"
        case Sweep():
            what = f"what the load draws from {action.load}" if action.load else action.input
            return f"sweep {what} from {action.points[0]} to {action.points[-1]}"
        case Dwell():
            return f"dwell {duration(action.duration.number)}"
        case PowerOff():
            return "power off"
        case HostProgram():
            return f"program {' '.join(action.program)}"
        case Listen():
            return in_short(action)


def _named(names: Iterable[str]) -> str:
    known = list(names)
    return ", ".join(known[:MOST_NAMED]) + (" ..." if len(known) > MOST_NAMED else "")
