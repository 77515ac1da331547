"""What must fit together in a `sweep`, `ripple` or `power_cycle` step, and the points a sweep sets."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from bringup.core.quantity import Quantity, parse_quantity
from bringup.core.sweep_figures import FIELDS, IN_PERCENT, LOAD, OF_INPUT
from bringup.core.under_load import LINE_FORMULAS, LOAD_FORMULAS, PowerCycle, Sweep
from bringup.files.nodes import Problems
from bringup.files.sections import Values
from bringup.files.wording import nearest

TIME_BASE = (1e-6, 10.0)
"""Seconds per division that are set."""
CYCLE_ON_FOR = "1 s"
"""Default time that a `power_cycle` leaves the input on before the rails are read."""
MOST_POINTS = 200
"""Points of one sweep; more are a mistyped step (our choice, no source)."""


def points_of(start: Quantity, end: Quantity, step: Quantity) -> tuple[Quantity, ...]:
    """Return the points from start to end, whichever is higher, the end always among them."""
    sign = 1 if end.value >= start.value else -1
    found: list[Quantity] = []
    value = start.value
    while (end.value - value) * sign > 0 and len(found) < MOST_POINTS:
        found.append(Quantity(value, start.unit))
        value += sign * step.value
    return (*found, Quantity(end.value, start.unit))


def sweep_of(body: Values) -> Sweep:
    """Make the record. Only for a body that `check_sweep` found nothing wrong with."""
    load, name = body.get("load", ""), body.get("input", "")
    judging = {}
    for field, figure in FIELDS.items():
        if (stated := body.get(field)) is not None:
            judging[figure] = dict(stated) if isinstance(stated, dict) else {"": stated}
    usual = next(iter(LOAD_FORMULAS if load else LINE_FORMULAS))
    return Sweep(
        points=points_of(body.get("from"), body.get("to"), body.get("step")),
        rails=body.get("rails", (load,)),
        input=name,
        load=load,
        settle=body.get("settle"),
        stop_voltage=body.get("stop_voltage"),
        looks_for=body.get("looks_for", ""),
        formula=body.get("formula", usual),
        judging=judging,
    )


def check_sweep(body: Values, inputs: Sequence[str] | None, known: Sequence[str] | None, problems: Problems) -> None:
    """Report what does not fit together. `inputs`, `known`: those of the board, None if it could not be read."""
    swept = [name for name in ("input", "load") if name in body]
    if len(swept) != 1 and not {"input", "load"} & body.wrong:
        node = body.at(swept[1]) if swept else body.node
        problems.add(node, "a `sweep` is either of an `input` or of a `load`", "state one of them")
        return
    of_input = swept == ["input"]
    _check_names(body, inputs, known, problems)
    _check_points(body, problems, of_input=of_input)
    if of_input and "rails" not in body and "rails" not in body.wrong:
        problems.add(body.node, "nothing is read: `rails` is missing", "such as rails: [5V0, 3V3]")
    for name in ("stop_voltage",) if of_input else ("looks_for",):
        if name in body:
            problems.add(
                body.at(name), f"`{name}` says nothing of a sweep of an {swept[0]}".replace("an load", "a load")
            )
    formulas = LINE_FORMULAS if of_input else LOAD_FORMULAS
    if (formula := body.get("formula")) is not None and formula not in formulas:
        message = f"'{formula}' is no formula of {'line' if of_input else 'load'} regulation"
        problems.add(body.at("formula"), message, nearest(formula, list(formulas)))
    rails = body.get("rails", (body.get("load"),))
    for field, figure in FIELDS.items():
        entry = body.entries.get(field)
        if entry is None:
            continue
        if (of_input and figure == LOAD) or (not of_input and figure in OF_INPUT):
            problems.add(body.at(field), f"a sweep of {'an input' if of_input else 'a load'} has no {figure}")
            continue
        wanted = "start" if field == "starts_at" else "stop" if field == "stops_at" else ""
        if wanted and body.get("looks_for") != wanted:
            problems.add(body.at(field), f"`{field}` without `looks_for: {wanted}`", f"add looks_for: {wanted}")
        unit = "%" if figure in IN_PERCENT else "V"
        by_rail = entry.value if isinstance(entry.value, dict) else {"": entry}
        for rail, one in by_rail.items():
            if rail and rail not in rails:
                problems.add(one.key or one.node, f"this sweep does not read '{rail}'", nearest(rail, list(rails)))
            if one.value.unit != unit:
                problems.add(one.node, f"'{one.value.text}' is not in {unit}, in which {figure} is told")


def _check_names(body: Values, inputs: Sequence[str] | None, known: Sequence[str] | None, problems: Problems) -> None:
    for name, what, names in (("input", "input", inputs), ("load", "rail or input", known)):
        stated = body.get(name)
        if names is not None and stated is not None and stated not in names:
            problems.add(body.at(name), f"the board has no {what} called '{stated}'", nearest(stated, names))
    for entry in body.many("rails"):
        if known is not None and entry.value not in known:
            message = f"the board has no rail or input called '{entry.value}'"
            problems.add(entry.node, message, nearest(entry.value, known))


def _check_points(body: Values, problems: Problems, *, of_input: bool) -> None:
    unit, words = ("V", "volts") if of_input else ("A", "amperes")
    fit = True
    for name in ("from", "to", "step"):
        stated = body.get(name)
        if stated is None:
            fit = False
        elif stated.unit != unit:
            problems.add(body.at(name), f"`{name}` is to be in {words} here")
            fit = False
    if not fit:
        return
    start, end, step = body.get("from"), body.get("to"), body.get("step")
    if start.value == end.value:
        problems.add(body.at("to"), f"`from` and `to` are both {start}: that is no sweep")
    elif Decimal(abs(end.value - start.value)) / step.value > MOST_POINTS - 1:
        problems.add(body.at("step"), f"more than {MOST_POINTS} points", "take larger steps")
    if of_input and not start.value * end.value > 0:
        problems.add(body.at("from"), "an input's voltage is swept above 0 V", "begin at 1 V or more")
    wanted = {"start": 1, "stop": -1}.get(body.get("looks_for", ""), 0)
    if wanted * (end.value - start.value) < 0:
        way = "rising" if wanted > 0 else "falling"
        problems.add(body.at("looks_for"), f"`looks_for: {body.get('looks_for')}` needs a {way} sweep")


def check_ripple(body: Values, problems: Problems) -> None:
    """Report ripple of which nobody says how it is measured: such a number is worth nothing."""
    needed, other = {"scope": ("ground", "band"), "meter": ("band", "ground")}.get(body.get("by", ""), ("", ""))
    if needed and needed not in body and needed not in body.wrong:
        examples = {"ground": "ground: spring", "band": "band: 20 Hz to 100 kHz"}
        message = f"ripple by the {body.get('by')} without `{needed}`: the number would say nothing"
        problems.add(body.node, message, f"such as {examples[needed]}")
    for name in (other, *(("time_base",) if body.get("by") == "meter" else ())):
        if name and name in body:
            problems.add(body.at(name), f"`{name}` says nothing of ripple by the {body.get('by')}", "leave it out")
    base = body.get("time_base")
    if base is not None and not TIME_BASE[0] <= base.number <= TIME_BASE[1]:
        problems.add(body.at("time_base"), f"no scope is set to {base} a division here", "1 µs to 10 s")


def cycle_of(body: Values) -> PowerCycle:
    """Make the record of a `power_cycle`."""
    return PowerCycle(
        body.get("input"),
        body.get("times"),
        body.get("off_for"),
        body.get("on_for", parse_quantity(CYCLE_ON_FOR, "s")),
        body.get("rails", ()),
        body.get("discharged_below"),
        body.get("expect_current"),
    )


def check_cycle(body: Values, inputs: Sequence[str] | None, known: Sequence[str] | None, problems: Problems) -> None:
    """Report names that the board does not have. `inputs`, `known`: those of the board, None if not read."""
    _check_names(body, inputs, known, problems)
