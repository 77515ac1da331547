"""What a step does to a unit, whatever it is called and however it is waited for or judged.

Irreversible steps are known again by it: a title, a time-out or a text that the output must hold makes no other
deed of the same command. Pure.
"""

from __future__ import annotations

from bringup.core.listening import Listen
from bringup.core.procedure import (
    ACTION_NAMES,
    Action,
    Apply,
    Dwell,
    HostProgram,
    Inspect,
    Leads,
    Log,
    Measure,
    Note,
    OnlyIf,
    PowerOff,
    Question,
    Sink,
    TakePhoto,
)
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance


def act_of(action: Action, loaded: str = "") -> tuple[str, ...]:
    """Return the action's kind and what it is done with. `loaded`: the digest of the file that a program loads."""
    return ACTION_NAMES[type(action)], *_done_with(action, loaded)


def _done_with(action: Action, loaded: str) -> tuple[str, ...]:
    match action:
        case HostProgram():
            return (*action.program, f"loads {loaded or action.loads}") if action.loads else action.program
        case Apply():
            return action.input, *(f"{each.number!r} V" for each in action.then)
        case Leads():
            return (action.input,)
        case Inspect():
            listed = () if action.not_placed is None else action.not_placed.parts
            return (*action.confirm, *(part.part for part in listed))
        case Question():
            return (action.ask,)
        case Note():
            return (action.text,)
        case TakePhoto():
            return (action.of,)
        case Ripple():
            return action.by, *action.points
        case PowerCycle():
            return action.input, f"{action.times} times"
        case Measure():
            return action.points
        case Resistance():
            return action.read
        case Log():
            return *(channel.text for channel in action.what), f"{action.duration.number!r} s"
        case Sink():
            return action.rail, action.mode or "off", *([] if action.level is None else [repr(action.level.number)])
        case Sweep():
            return action.input, action.load, *(repr(point.number) for point in action.points)
        case Dwell():
            return (f"{action.duration.number!r} s",)
        case PowerOff():
            return ()
        case Listen():
            return action.line, *action.send, action.line_end, *(() if action.send else (action.wanted,))


def exclude_each_other(one: OnlyIf | None, other: OnlyIf | None) -> bool:
    """Whether two conditions can never both hold in one attempt, as far as it shows."""
    if one is None or other is None:
        return False
    pairs = [(one.variant, other.variant), (one.attended, other.attended)]
    if one.step == other.step and one.step is not None:
        pairs.append((one.result, other.result))
    return any(a is not None and b is not None and a != b for a, b in pairs)
