"""Whether an electronic load may draw what the steps ask: its channel, power to draw from, ceilings, the budget."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.bench import Bench, LoadRole
from bringup.core.budget import expected_current
from bringup.core.expectation import states_of, voltage_limits
from bringup.core.finding import Finding
from bringup.core.hazard import highest_volts
from bringup.core.loaded import amps_drawn, loaded_board
from bringup.core.procedure import Apply, PowerOff, Procedure, Sink, Step
from bringup.core.wording import listed, shown


def examine_loads(procedure: Procedure, bench: Bench | None) -> Iterator[Finding]:
    """Find what must not be drawn, or cannot be."""
    board = procedure.board
    applied: dict[str, Apply] = {}
    drawn: dict[str, Sink] = {}
    for step, state in zip(procedure.steps, states_of(procedure), strict=True):
        action = step.action
        if isinstance(action, Apply):
            applied[action.input] = action
        elif isinstance(action, PowerOff) and step.only_if is None:
            drawn.clear()
            applied.clear()
        if not isinstance(action, Sink):
            continue
        if bench is not None:
            yield from _channel(step, action, bench)
        if action.level is None:
            if step.only_if is None:  # else it may draw on
                drawn.pop(action.rail, None)
            continue
        drawn[action.rail] = action
        if bench is not None and bench.load is not None:
            yield from _ceiling(step, action, bench.load, _range(procedure, action))
        source = board.input_of(action.rail)
        if not board.inputs:
            yield Finding(
                step.index,
                f"the board file names no input: what feeds {action.rail} is not this bench's to switch off",
                "Name the input that feeds it in the board file, or draw from it by hand.",
                refused=True,
            )
        elif source not in applied and not (source is None and applied):
            fed = f"`apply` of {source or 'its input'}"
            yield Finding(
                step.index,
                f"the load draws from {action.rail} while nothing feeds it",
                f"Put an {fed} before this step: a load is switched on only once its rail is in regulation.",
                refused=True,
            )
        elif source is not None:
            yield from _budget(step, procedure, applied[source], tuple(drawn.values()), state)
        yield from _converter(step, action, procedure)


def _channel(step: Step, action: Sink, bench: Bench) -> Iterator[Finding]:
    if bench.load is None:
        yield Finding(
            step.index,
            "`load` needs an electronic load, and the bench file names none",
            "Add `load:` to the bench file, such as "
            f"`load: {{dialect: function-and-input, channels: {{{action.rail}: 1}}}}`.",
            refused=True,
        )
    elif action.rail not in bench.load.channels:
        mapped = ", ".join(f"{name}: {channel}" for name, channel in bench.load.channels.items())
        yield Finding(
            step.index,
            f"no channel of the load draws from {action.rail}; the bench file gives {{{mapped}}}",
            f"Put a channel's leads on {action.rail}, and add it to `channels` in the bench file.",
            refused=True,
        )


def _range(procedure: Procedure, action: Sink) -> tuple[float, float]:
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
