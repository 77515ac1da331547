"""What must fit together where a bench file names several supplies."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from bringup.files.bench_scanner_checks import BY_HAND
from bringup.files.nodes import Node, Problems
from bringup.files.sections import Values


def check_supplies(values: Values, roles: Mapping[str, Values | None], problems: Problems) -> None:
    """Report a supply by hand beside others, one that does not say what it feeds, and an input that is fed twice."""
    if "supply" not in values and "supply" not in values.wrong:
        message = "there are `more_supplies` and no first one"
        problems.add(values.at("more_supplies"), message, "state one of them as `supply`")
    for role, at in _by_hand(values, roles):
        message = f"the {role} is by hand, beside others: nobody could switch them all off at once"
        problems.add(at, message, "reach each one by wire, or have a single supply on the bench")
    fed: dict[str, str] = {}
    for role, section in _supplies(roles):
        unsaid = "outputs" not in section and "outputs" not in section.wrong
        if unsaid and section.get("resource") != BY_HAND:
            message = f"the {role} needs 'outputs': beside other supplies, each says which inputs it feeds"
            problems.add(section.node, message, "such as outputs: {VIN: 1}")
        for entry in section.many("outputs"):
            name = "" if entry.key is None else entry.key.text
            if name in fed:
                message = f"{name} is already fed by the {fed[name]}"
                problems.add(entry.node if entry.key is None else entry.key, message)
            fed.setdefault(name, role)


def _supplies(roles: Mapping[str, Values | None]) -> Iterator[tuple[str, Values]]:
    for role, section in roles.items():
        if section is not None and (role == "supply" or role.startswith("supply ")):
            yield role, section


def _by_hand(values: Values, roles: Mapping[str, Values | None]) -> Iterator[tuple[str, Node]]:
    if values.get("supply") == BY_HAND:
        yield "supply", values.at("supply")
    for role, section in _supplies(roles):
        if section.get("resource") == BY_HAND:
            yield role, section.at("resource")
