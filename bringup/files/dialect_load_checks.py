"""What must fit together in a dialect of a load: modes and their levels, and what must be asked, not only told."""

from __future__ import annotations

from collections.abc import Mapping

from bringup.files.nodes import Problems
from bringup.files.sections import Values

ASKED_AND_TOLD = ("set_mode", "switch")
"""What is nothing without a read-back: a load in another mode than was meant, or on when it is meant to be off."""


def check_load(values: Values, problems: Problems) -> None:
    """Report what does not fit together."""
    role = values.get("role")
    if role is None:
        return
    base = dict(values.sections("operations"))
    _check_modes_of_operations(values, base, problems, load=role == "load")
    if role != "load":
        return
    if not values.get("modes") and "modes" not in values.wrong:
        problems.add(values.node, "a load needs `modes`: what it can hold constant", "such as modes: {current: CURR}")
    for entry in values.many("modes"):
        mode = entry.key.text if entry.key is not None else ""
        if f"set_{mode}" not in base and "operations" not in values.wrong:
            message = f"the mode '{mode}' needs the operation 'set_{mode}': nothing sets its level"
            problems.add(entry.key or entry.node, message, "leave the mode out if the load has not got it")
        elif f"set_{mode}" in base and "send" not in base[f"set_{mode}"]:
            problems.add(base[f"set_{mode}"].node, f"'set_{mode}' needs `send`: it is something to tell the load")
    variants = [
        ("", base),
        *((pattern, dict(one.sections("operations"))) for pattern, one in values.sections("variants")),
    ]
    for _, operations in variants:
        for name in ASKED_AND_TOLD:
            operation = operations.get(name)
            if operation is not None and not {"send", "query"} <= set(operation.entries) | operation.wrong:
                problems.add(operation.node, f"'{name}' needs `send` and `query`: nobody could tell what the load does")


def _check_modes_of_operations(values: Values, base: Mapping[str, Values], problems: Problems, *, load: bool) -> None:
    known = values.get("modes", {})
    for operation in base.values():
        if "modes" not in operation:
            continue
        if not load:
            problems.add(operation.at("modes"), "'modes' belongs to loads")
        for entry in operation.many("modes"):
            if load and entry.value not in known:
                problems.add(entry.node, f"'{entry.value}' is none of the load's `modes`")
