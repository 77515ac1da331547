"""Operations that a procedure needs and a dialect lacks, by step. Pure.

Examined twice: with what the file says, before anything is opened, and with the variant of the model that answers,
before anything is powered.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from bringup.core.bench import Bench, LoadRole, ScannerRole, SupplyRole
from bringup.core.dialect import LOAD_MODES, Dialect, can_ask, can_tell, configuring, usable
from bringup.core.finding import Finding
from bringup.core.procedure import Apply, Leads, Log, Procedure, Sink, Step
from bringup.core.safety_bench import probed_points
from bringup.core.under_load import Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.words import Kind

POWERING = ("set_voltage", "set_current_limit", "switch")
READING = ("measure_voltage", "measure_current")

FEATURES = {
    "supply": {
        "set_over_voltage": "over-voltage protection",
        "set_over_current": "over-current protection",
        "set_remote_sense": "remote sense",
        "mode": "constant voltage or current",
        "clear_trip": "clearing a trip",
        "error": "errors",
    },
    "load": {
        "set_stop_voltage": "a stop voltage",
        "measure_power": "watts",
        "tripped_over_power": "what tripped",
        "set_remote_sense": "remote sense",
        "clear_trip": "clearing a trip",
        "error": "errors",
    },
    "scope": {
        "set_coupling": "coupling to AC",
        "set_bandwidth_limit": "a limit to 20 MHz",
        "set_probe": "its probe's attenuation",
        "set_sweep": "a free-running sweep",
        "screen_picture": "pictures of its screen",
        "error": "errors",
    },
}
"""What a person would look for in a supply, a load or a scope, and the operation that reaches it."""


def unreached(dialect: Dialect) -> tuple[str, ...]:
    """Return what a person would look for in a supply, a load or a scope and this dialect has no word for."""
    found = tuple(words for name, words in FEATURES.get(dialect.role, {}).items() if name not in dialect.operations)
    modes = LOAD_MODES if dialect.role == "load" else ()
    return (*found, *(f"constant {mode}" for mode in modes if mode not in dialect.modes))


def powered_together(procedure: Procedure, bench: Bench, supply: Dialect) -> tuple[str, ...]:
    """Return the inputs of the board that one switch of this supply would power at once; empty if each has its own."""
    if bench.supply is None or bench.supply.by_hand or supply.output_scope != "all":
        return ()
    fed = {name: number for name, number in bench.supply.outputs.items() if name in procedure.board.inputs}
    return tuple(fed) if len(set(fed.values())) > 1 else ()


def examine_dialects(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """Find what the dialects that the bench file names cannot do, though a step needs it."""
    yield from lacking(procedure, bench, bench.dialects)


def lacking(procedure: Procedure, bench: Bench, dialects: Mapping[str, Dialect]) -> Iterator[Finding]:
    """Find operations that steps need and these dialects (by role) lack: the first step for each."""
    meter, scanner, seen = dialects.get("meter"), dialects.get("scanner"), set[tuple[str, str]]()
    supplies = [(role, dialects[role.name]) for role in bench.supplies if role.name in dialects and not role.by_hand]
    for step in procedure.steps:
        wants: list[tuple[Dialect, str]] = []
        for role, supply in supplies:
            fed = [name for name in procedure.board.inputs if bench.supply_of(name) is role]
            wants += [(supply, what) for what in _of_supply(step, role, supply, fed)]
        if meter is not None and bench.meter is not None and not bench.meter.by_hand:
            wants += [(meter, what) for what in _of_meter(step, meter, procedure)]
        if scanner is not None and bench.scanner is not None:
            wants += [(scanner, what) for what in _of_scanner(step, bench.scanner, scanner, procedure)]
        if (load := dialects.get("load")) is not None and bench.load is not None:
            wants += [(load, what) for what in _of_load(step, load, bench.load)]
        for dialect, what in wants:
            if (dialect.name, what) not in seen:
                seen.add((dialect.name, what))
                yield Finding(
                    step.index,
                    f"`{step.kind}` needs {what}, and the dialect {dialect.name} has no word for it",
                    "Use another instrument, or add the operation to its dialect if the instrument can do it.",
                    refused=True,
                )


def _of_scanner(step: Step, role: ScannerRole, dialect: Dialect, procedure: Procedure) -> Iterator[str]:
    if not any(point in role.channels for point in probed_points(step, procedure.board)):
        return
    if not can_tell(dialect, "close"):
        yield "'close'"
    if not any(can_tell(dialect, name) for name in ("open", "open_all")):
        yield "'open' or 'open_all'"
    if not any(can_ask(dialect, name) for name in ("channel_state", "closed_channels")):
        yield "'channel_state' or 'closed_channels'"


def _of_supply(step: Step, role: SupplyRole, dialect: Dialect, fed: Collection[str]) -> Iterator[str]:
    """What the step asks of a supply that feeds these inputs."""
    action = step.action
    if isinstance(action, Apply | Leads) and action.input in fed:
        for name in POWERING:
            if not can_tell(dialect, name):
                yield f"'{name}'"
        for name in READING:
            if not can_ask(dialect, name):
                yield f"'{name}'"
        if role.remote_sense and not (can_tell(dialect, "set_remote_sense") and can_ask(dialect, "set_remote_sense")):
            yield "'set_remote_sense', set and read back (the bench file says `sense: remote`)"
        if isinstance(action, Apply) and action.over_voltage is not None and not can_tell(dialect, "set_over_voltage"):
            yield "'set_over_voltage' (the step states `over_voltage`)"
    if isinstance(action, Log):
        for channel in action.what:
            name = "measure_voltage" if channel.kind is Kind.VOLTAGE else "measure_current"
            if channel.point in fed and not channel.by_load and not can_ask(dialect, name):
                yield f"'{name}'"


def _of_load(step: Step, dialect: Dialect, role: LoadRole) -> Iterator[str]:
    action = step.action
    if isinstance(action, Sweep) and action.load:
        action = Sink(action.load, "current", action.most, action.stop_voltage)
    if not isinstance(action, Sink) or action.level is None:
        return
    if role.remote_sense and not (can_tell(dialect, "set_remote_sense") and can_ask(dialect, "set_remote_sense")):
        yield "'set_remote_sense', set and read back (the bench file says `sense: remote`)"
    if action.mode not in dialect.modes:
        yield f"the mode '{action.mode}'"
    if action.stop_voltage is not None and not usable(dialect, "set_stop_voltage", action.mode):
        yield f"'set_stop_voltage' in constant {action.mode} (the step states `stop_voltage`)"


def _of_meter(step: Step, dialect: Dialect, procedure: Procedure) -> Iterator[str]:
    if isinstance(step.action, Log) and any(each.by_meter for each in step.action.temperatures):
        if "temperature" not in dialect.functions:
            yield "the function 'temperature'"
        elif configuring(dialect, "temperature", fixed=False) is None:
            yield "the set-up of the function 'temperature'"
    if not probed_points(step, procedure.board):
        return
    function = "ohms" if isinstance(step.action, Resistance) else "dc volts"
    if isinstance(step.action, Ripple):
        function = "ac volts"
    if function not in dialect.functions:
        yield f"the function '{function}'"
    elif configuring(dialect, function, fixed=False) is None:
        yield f"the set-up of the function '{function}'"
    if not can_ask(dialect, "read"):
        yield "'read'"
