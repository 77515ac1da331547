"""What `preview` says of steps that follow a board under load: pace, marks, limits of statistics. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.procedure import Log, Pace
from bringup.core.under_load import LINE_FORMULAS, LOAD_FORMULAS, PowerCycle, Ripple, Sweep
from bringup.core.wording import duration, limits_text, listed


def doing_under_load(action: Log | Ripple | Sweep | PowerCycle) -> str:
    """Return what such a step does, in a few words."""
    if isinstance(action, Log):
        return f"log for {duration(action.duration.number)}, {_pace_of(action)}"
    if isinstance(action, PowerCycle):
        below = "" if action.discharged_below is None else f", discharged below {action.discharged_below}"
        off = listed(map(str, action.off_for))
        read = f", reading {listed(action.rails)}" if action.rails else ""
        return f"{action.input} off and on {action.times} times: off for {off}{below}, on for {action.on_for}{read}"
    return _ripple_text(action) if isinstance(action, Ripple) else _sweep_text(action)


def details_under_load(action: object) -> Iterator[str]:
    """Say more of it; nothing of any other step."""
    if isinstance(action, Log):
        yield from _log_details(action)
    elif isinstance(action, Sweep):
        yield from _sweep_details(action)


def _pace_of(log: Log) -> str:
    """Return how often it reads, in words."""
    if log.pace is Pace.OWN:
        return "as fast as the instruments answer"
    why = " (by hand: `every` is left out)" if log.pace is Pace.BY_HAND else ""
    return f"every {duration(log.every.number)}{why}"


def _log_details(log: Log) -> Iterator[str]:
    """Say which statistics are judged by limits of their own, and what is marked when."""
    for statistic, by_channel in log.judging.items():
        for name, limits in by_channel.items():
            yield f"{statistic}{f' of {name}' if name else ''}: {limits_text(limits)}"
    if log.marks:
        yield f"marks: {listed(f'{text} at {after}' for text, after in log.marks)}"
    for each in log.temperatures:
        by = "by the meter, with a sensor" if each.by_meter else "typed"
        every = "" if log.temperatures_every is None else f" every {duration(log.temperatures_every.number)},"
        yield f"{each.text}: {by},{every} at the start and at the end"
    yield from (f"mark {each.name}: whenever {each.line} says /{each.pattern}/" for each in log.heard)


def _sweep_text(sweep: Sweep) -> str:
    """Return what a sweep does, in a few words."""
    count, ends = len(sweep.points), f"from {sweep.points[0]} to {sweep.points[-1]}"
    if sweep.load:
        return f"load {sweep.load} with constant current {ends} in {count} points, then off"
    looks = f", looking for where rails {sweep.looks_for}" if sweep.looks_for else ""
    return f"set {sweep.input} {ends} in {count} points{looks}, then back to where it was"


def _sweep_details(sweep: Sweep) -> Iterator[str]:
    """Say what is read, which figures are worked out by which formula, and what they are judged by."""
    yield f"reads {listed(sweep.rails)} at each"
    if sweep.input:
        yield "the supply's own protections are set for these points, over-current protection once each has settled"
    named = LOAD_FORMULAS if sweep.load else LINE_FORMULAS
    yield f"{'load' if sweep.load else 'line'} regulation, {sweep.formula}: {named[sweep.formula]}"
    for figure, by_rail in sweep.judging.items():
        for name, limits in by_rail.items():
            yield f"{figure}{f' of {name}' if name else ''}: {limits_text(limits)}"


def _ripple_text(ripple: Ripple) -> str:
    """Return how ripple is measured, in a few words."""
    if ripple.by == "meter":
        return f"ripple as RMS by the meter's AC volts, band {ripple.band}"
    return f"ripple from peak to peak by the scope, AC, 20 MHz, ground {ripple.ground} (it is earthed)"
