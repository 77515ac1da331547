"""Whether an electronic load may draw what the steps ask: its channel, power to draw from, ceilings, the budget."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from bringup.core.bench import Bench, LoadRole
from bringup.core.budget import expected_current
from bringup.core.expectation import voltage_limits
from bringup.core.fed import walk
from bringup.core.finding import Finding
from bringup.core.hazard import highest_volts
from bringup.core.loaded import amps_drawn, loaded_board
from bringup.core.procedure import Apply, Log, Procedure, Sink, Step
from bringup.core.under_load import Sweep
from bringup.core.wording import listed, shown


def examine_loads(procedure: Procedure, bench: Bench | None) -> Iterator[Finding]:
    """Find what must not be drawn, or cannot be."""
    board = procedure.board
    for step, state, fed in walk(procedure):
        action = step.action
        if isinstance(action, Log):
            yield from _logged(step, action, bench, fed.drawn)
        if isinstance(action, Sweep) and action.load:
            # Its highest point is the one that asks the most of everything.
            action = Sink(action.load, "current", action.most, action.stop_voltage)
        if not isinstance(action, Sink):
            continue
        if bench is not None:
            yield from _channel(step, action, bench)
        if action.level is None:
            continue
        drawn = {**fed.drawn, action.rail: action}
        if bench is not None and bench.load is not None:
            yield from _ceiling(step, action, bench.load, volts_at(procedure, action))
        source = board.input_of(action.rail)
        if not board.inputs:
            yield Finding(
                step.index,
                f"the board file names no input: what feeds {action.rail} is not this bench's to switch off",
                "Name the input that feeds it in the board file, or draw from it by hand.",
                refused=True,
            )
        elif source not in fed.applied and not (source is None and fed.applied):
            feed = f"`apply` of {source or 'its input'}"
            yield Finding(
                step.index,
                f"the load draws from {action.rail} while nothing feeds it",
                f"Put an {feed} before this step: a load is switched on only once its rail is in regulation.",
                refused=True,
            )
        elif source is not None:
            for apply in fed.applied[source]:
                yield from _budget(step, procedure, apply, tuple(drawn.values()), state)
        yield from _converter(step, action, procedure)


def _logged(step: Step, log: Log, bench: Bench | None, drawn: Mapping[str, Sink]) -> Iterator[Finding]:
    """What a load reads is logged only where it draws: nobody else watches its channel."""
    for name in dict.fromkeys(channel.point for channel in log.what if channel.by_load):
        if name not in drawn:
            yield Finding(
                step.index,
                f"what the load reads at {name} is logged while it draws nothing there",
                f"Put a `load` of {name} before this step, or log {name} by the meter.",
                refused=True,
            )
        if bench is not None and bench.load is None:
            yield no_load(step, name)


def no_load(step: Step, point: str) -> Finding:
    """Return what says that the bench has no load for this step."""
    return Finding(
        step.index,
        f"`{step.kind}` needs an electronic load, and the bench file names none",
        f"Add `load:` to the bench file, such as `load: {{dialect: function-and-input, channels: {{{point}: 1}}}}`.",
        refused=True,
    )


def _channel(step: Step, action: Sink, bench: Bench) -> Iterator[Finding]:
    if bench.load is None:
        yield no_load(step, action.rail)
    elif action.rail not in bench.load.channels:
        mapped = ", ".join(f"{name}: {channel}" for name, channel in bench.load.channels.items())
        yield Finding(
            step.index,
            f"no channel of the load draws from {action.rail}; the bench file gives {{{mapped}}}",
            f"Put a channel's leads on {action.rail}, and add it to `channels` in the bench file.",
            refused=True,
        )


def volts_at(procedure: Procedure, action: Sink) -> tuple[float, float]:
    """Return the lowest and highest volts, by magnitude, at which the load draws from a sound rail."""
    high = highest_volts(procedure)[action.rail]
    if action.stop_voltage is not None:
        return min(action.stop_voltage.number, high), high
    limits, _ = voltage_limits(procedure.board, action.rail)
    ends = () if limits is None else (limits.low, limits.high)
    return min((high, *(abs(float(end)) for end in ends if end))), high


def _ceiling(step: Step, action: Sink, role: LoadRole, volts_range: tuple[float, float]) -> Iterator[Finding]:
    assert action.level is not None
    low, volts = volts_range
    most_at = low if action.mode == "power" and low > 0.0 else volts  # the less volts, the more current
    amps, watts = (amps_drawn(action.mode, action.level.number, each) for each in (most_at, volts))
    for name, unit, value, most, at in (
        ("current", "A", amps, role.ceiling.current, most_at),
        ("power", "W", watts * volts, role.ceiling.power, volts),
    ):
        if most is not None and value > most.number:
            yield Finding(
                step.index,
                f"{shown(value, unit, 3)} would be drawn from {action.rail} at {shown(at, 'V', 3)}, "
                f"above the load's ceiling of {most} on this bench",
                f"Draw less, or raise the {name} of the load's `ceiling` in the bench file.",
                refused=True,
            )
    if action.stop_voltage is not None and action.stop_voltage.number >= volts:
        yield Finding(
            step.index,
            f"the stop voltage of {action.stop_voltage} is not below the {shown(volts, 'V', 3)} of {action.rail}",
            "State less: the load would not draw at all.",
            refused=True,
        )


def _budget(
    step: Step, procedure: Procedure, apply: Apply, drawn: tuple[Sink, ...], state: str | None
) -> Iterator[Finding]:
    """What the input has to give with the load on must lie below what switches it off."""
    draws = tuple((each.rail, each.mode, each.level.number) for each in drawn if each.level is not None)
    volts = apply.then[-1].number
    budget = expected_current(loaded_board(procedure.board, draws), apply.input, volts, state)
    what = listed(f"{each.level} from {each.rail}" for each in drawn)
    if budget.amps is None:
        yield Finding(
            step.index,
            f"what {apply.input} draws with {what} is not known: {budget.unknown}",
            "Complete the board file; until then the supply's current limit alone bounds it.",
            refused=False,
        )
        return
    for name, most in (("current limit", apply.current_limit), ("trip_current", apply.trip_current)):
        if most is not None and budget.amps >= most.number:
            yield Finding(
                step.index,
                f"with {what}, {apply.input} is expected to draw {shown(budget.amps, 'A', 3)}, "
                f"which is not below the {name} of {most}",
                f"Draw less, or raise the {name} in the `apply` of {apply.input}.",
                refused=True,
            )


def _converter(step: Step, action: Sink, procedure: Procedure) -> Iterator[Finding]:
    """More than a converter gives is a test of its current limit, which is said, not refused."""
    rail = procedure.board.rails.get(action.rail)
    limit = None if rail is None or rail.converter is None else rail.converter.current_limit
    if limit is None or action.level is None:
        return
    amps = amps_drawn(action.mode, action.level.number, highest_volts(procedure)[action.rail])
    if amps >= limit.number:
        yield Finding(
            step.index,
            f"{shown(amps, 'A', 3)} from {action.rail} is not below the {limit} at which its converter gives up",
            "Expect the rail to give way, or draw less.",
            refused=False,
        )
