"""What must fit together in a bench file: who is reached how, outputs and inputs, nothing real in a simulated bench."""

from __future__ import annotations

from bringup.core.bench import WATCHDOG, on_loopback
from bringup.core.dialect import Dialect, can_tell
from bringup.core.models import as_variant
from bringup.core.serial_port import clash
from bringup.files.accuracy_rows import check_accuracy, check_integrations
from bringup.files.bench_scanner_checks import BY_HAND, IN_METER, check_ground, check_scanner
from bringup.files.channel_map import check_numbers
from bringup.files.dialect_checks import port_settings
from bringup.files.nodes import Problems
from bringup.files.resources import fault_of_resource
from bringup.files.sections import Values
from bringup.files.voltage_checks import Tree
from bringup.files.wording import nearest

DEFAULT_DIALECT = {
    "supply": "select-by-number",
    "meter": "configure-and-read",
    "load": "function-and-input",
    "scanner": "state-by-channel",
    "scope": "vpp-by-channel",
}
"""What a simulated bench speaks where its file names no dialect."""
OTHERWISE = {
    "supply": BY_HAND,
    "meter": BY_HAND,
    "load": "no `load` at all",
    "scanner": IN_METER,
    "scope": "no `scope` at all",
}
"""What may stand in the place of a resource string."""
NO_MORE = "no such supply at all"

NOT_USED = "not used"
WATCHDOG_LEAST, WATCHDOG_MOST = 3.0, 60.0
"""Seconds. Two looks that go unanswered take 2 s, and only then is the supply counted as lost."""
PROBE_LEAST, PROBE_MOST = 0.1, 10_000.0
"""By how much probes attenuate (from memory)."""


def role_sections(values: Values) -> dict[str, Values | None]:
    """Return the section of every role by its name, None where there is none; `more_supplies` as 'supply bias'."""
    more = {f"supply {name}": section for name, section in values.sections("more_supplies")}
    return {role: values.section_in(role) for role in DEFAULT_DIALECT} | more


def sort_of(role: str) -> str:
    """Return what sort of role that is: 'supply' of 'supply bias'."""
    return "supply" if role.startswith("supply ") else role


def check_bench(values: Values, board: Values | None, problems: Problems) -> None:
    """Report what does not fit together. `board`: that of a simulated bench, as far as it could be read."""
    simulated = "simulate" in values or "simulate" in values.wrong
    roles = role_sections(values)
    if not simulated and not {"supply", "meter"} & (set(values.entries) | values.wrong):
        problems.add(values.node, "the bench has neither a supply nor a meter", "such as supply: by hand")
    for role, section in roles.items():
        if section is not None and section.get("resource") != IN_METER:
            _check_reach(role, section, problems, simulated=simulated)
    for role, section in roles.items():
        if section is not None and sort_of(role) == "supply":
            _check_outputs(section, None if board is None else Tree(board), problems)
            _check_watchdog(section, problems)
    if "more_supplies" in values:
        from bringup.files.bench_supplies import check_supplies

        check_supplies(values, roles, problems)
    if (scanner := roles["scanner"]) is not None and values.get("probing") == "fixed wiring":
        message = "with a scanner nothing else is wired to the meter: a point would be tied to each that it connects"
        problems.add(values.at("probing"), message, "leave `probing` out: what is not on `channels` is probed by hand")
    if scanner is not None:
        check_scanner(scanner, roles["meter"], None if board is None else Tree(board), problems, simulated=simulated)
    if (scope := roles["scope"]) is not None and not PROBE_LEAST <= (probe := scope.get("probe", 10.0)) <= PROBE_MOST:
        message = f"a probe that attenuates by {probe:g}: it is {PROBE_LEAST:g} to {PROBE_MOST:g}"
        problems.add(scope.at("probe"), message, "such as 10 for a probe of 10:1")
    if roles["meter"] is not None:
        check_accuracy(roles["meter"], problems)
        check_integrations(roles["meter"], problems)
    if roles["load"] is not None:
        _check_channels(roles["load"], None if board is None else Tree(board), problems)
    taken: dict[str, str] = {}
    for role, section in roles.items():
        resource = BY_HAND if section is None else section.get("resource", BY_HAND)
        told = role == "scanner" and taken.get(resource) == "meter"  # by check_scanner, which knows what was meant
        if section is not None and resource not in (BY_HAND, IN_METER) and resource in taken and not told:
            problems.add(section.at("resource"), f"the {role}'s resource is that of the {taken[resource]}")
        taken.setdefault(resource, role)
    if "serial_lines" in values:
        from bringup.files.line_file import check_lines

        check_lines(values, {resource.upper(): role for resource, role in taken.items()}, problems)
    simulate = values.section_in("simulate")
    if simulate is not None:
        from bringup.files.line_file import check_talks

        check_talks(values, simulate, board, problems)
    if simulate is not None and board is not None and (state := simulate.get("state")) is not None:
        states = board.get("states", ())
        if state not in states:
            problems.add(simulate.at("state"), f"the board has no board state called '{state}'", nearest(state, states))


def _decides(section: Values) -> bool:
    """Whether a role states who is meant to answer, so that this may decide its dialect (dialect_decided.py)."""
    expect = section.section_in("expect")
    return expect is not None and bool(expect.get("model"))


def _check_reach(role: str, section: Values, problems: Problems, *, simulated: bool) -> None:
    resource = section.get("resource")
    if resource is None:
        if not simulated and "resource" not in section.wrong:
            otherwise = OTHERWISE.get(role, NO_MORE)
            problems.add(section.node, f"the {role} needs 'resource'", f"a VISA resource string, or `{otherwise}`")
    elif resource == BY_HAND and role == "load":
        message = "a load cannot be by hand: nobody would switch it off when that must be quick"
        problems.add(section.at("resource"), message, "leave `load` out, and have an `inspect` step say what to do")
        return
    elif resource == BY_HAND and role == "scope":
        problems.add(section.at("resource"), "a scope is never by hand: nobody asks what it shows", "leave `scope` out")
        return
    elif resource == BY_HAND:
        if "dialect" in section:
            problems.add(section.at("dialect"), f"a {role} that is by hand speaks no dialect", "leave it out")
        return
    elif (fault := fault_of_resource(resource, OTHERWISE.get(role, NO_MORE))) is not None:
        problems.add(section.at("resource"), *fault)
    elif simulated and not on_loopback(resource):
        message = f"a real {role} in a simulated bench"
        problems.add(section.at("resource"), message, "leave `resource` out, or take `simulate` away")
    if not simulated and "dialect" not in section and "dialect" not in section.wrong and not _decides(section):
        hint = (
            f"such as {DEFAULT_DIALECT[sort_of(role)]}; `bringup bench --find` asks the instrument and names the one "
            "for it, or state its maker and model under `expect`"
        )
        problems.add(section.node, f"the {role} needs 'dialect'", hint)


def _check_channels(load: Values, tree: Tree | None, problems: Problems) -> None:
    known = None if tree is None else tree.named
    check_numbers(load.many("channels"), "channel {} already draws from {}", known, "rail or input", problems)


def check_reached(role: str, section: Values, dialect: Dialect, problems: Problems) -> None:
    """Report what the bench file wants of an instrument of that sort and its dialect has no words for."""
    _check_port(section, dialect, problems)
    if role == "supply":
        _check_supply(section, dialect, problems)
    elif role == "scanner":
        check_ground(section, dialect, problems)
    elif role == "load":
        _check_outputs_of(section, dialect, problems)
    elif role == "meter" and section.get("high_impedance") and not _some_model(dialect, "high_impedance"):
        message = f"the dialect {dialect.name} cannot set the input of a meter"
        problems.add(section.at("high_impedance"), message, "leave it out, and set it at the meter's panel")


def _check_port(section: Values, dialect: Dialect, problems: Problems) -> None:
    stated = port_settings(section)
    if "serial_port" in section and (line := clash(stated.over(dialect.port))):
        flow = stated.flow or dialect.port.flow
        message = f"{flow} flow control moves {line} by itself: it cannot be held as well"
        problems.add(section.at("serial_port"), message, f"leave `{line}` out, or state another `flow`")


def _some_model(dialect: Dialect, operation: str) -> bool:
    """Whether some model of the dialect can be told to do the operation. Which model it is shows when it answers."""
    return any(can_tell(one, operation) for one in (dialect, *(as_variant(dialect, each) for each in dialect.variants)))


def _check_supply(supply: Values, dialect: Dialect, problems: Problems) -> None:
    if supply.get("watchdog", NOT_USED) != NOT_USED and not can_tell(dialect, "watchdog_state"):
        message = f"the dialect {dialect.name} reaches no communication watchdog"
        problems.add(supply.at("watchdog"), message, "leave `watchdog` out, or name a dialect with `watchdog_state`")
    _check_outputs_of(supply, dialect, problems)


def _check_outputs_of(supply: Values, dialect: Dialect, problems: Problems) -> None:
    """Report outputs or channels that no model of that dialect has. Which model it is shows when it answers."""
    what = "channel" if dialect.role == "load" else "output"
    models = [as_variant(dialect, variant) for variant in dialect.variants]
    most = max((one.outputs for one in (dialect, *models)), default=0)
    named = {number for one in (dialect, *models) for number in one.output_names}
    for entry in (*supply.many("outputs"), *supply.many("leave_alone"), *supply.many("channels")):
        if dialect.outputs and entry.value > most:
            message = f"there is no {what} {entry.value}: with {dialect.name} a {dialect.role} has {most}"
            problems.add(entry.node, message)
        elif named and entry.value not in named:
            problems.add(entry.node, f"there is no {what} {entry.value} among the `output_names` of {dialect.name}")


def _check_watchdog(supply: Values, problems: Problems) -> None:
    stated = supply.get("watchdog")
    if stated is None or stated == NOT_USED:
        return
    at = supply.at("watchdog")
    if not WATCHDOG_LEAST <= stated.number <= WATCHDOG_MOST:
        message = f"a communication watchdog of {stated}: it is {WATCHDOG_LEAST:g} s to {WATCHDOG_MOST:g} s"
        problems.add(at, message, "less would switch off in use, more would protect nothing")
    if supply.get("resource") == BY_HAND:
        problems.add(at, "a supply that is by hand hears nobody: it has no communication watchdog", "leave it out")


def watchdog_of(section: Values) -> float | None:
    """Return the time-out in seconds of a supply's communication watchdog, None where it is not to be used."""
    stated = section.get("watchdog")
    return WATCHDOG if stated is None else None if stated == NOT_USED else stated.number


def _check_outputs(supply: Values, tree: Tree | None, problems: Problems) -> None:
    alone = supply.get("leave_alone", ())
    for entry in supply.many("outputs"):
        if entry.value in alone:
            name = entry.key.text if entry.key is not None else ""
            problems.add(entry.node, f"output {entry.value} is to be left alone, so it cannot feed {name}")
    known = None if tree is None else tree.inputs
    check_numbers(supply.many("outputs"), "output {} already feeds {}", known, "input", problems)
