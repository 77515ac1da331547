"""What must fit together where a bench file describes its scanner: the channel map, and how it is reached."""

from __future__ import annotations

from bringup.core.dialect import Dialect
from bringup.files.channel_map import check_numbers
from bringup.files.nodes import Problems
from bringup.files.sections import Values
from bringup.files.voltage_checks import Tree

BY_HAND = "by hand"
IN_METER = "in the meter"
"""As a scanner's resource: a card in the meter, spoken to over the meter's link."""


def check_scanner(
    scanner: Values, meter: Values | None, tree: Tree | None, problems: Problems, *, simulated: bool
) -> None:
    """Report what does not fit together. `tree`: the board of a simulated bench, as far as it could be read."""
    resource = scanner.get("resource")
    by_wire = meter is None or meter.get("resource") != BY_HAND
    if resource == BY_HAND:
        problems.add(
            scanner.at("resource"), "a scanner is never by hand", "leave it out: points are then probed by hand"
        )
    elif resource == IN_METER:
        _check_in_meter(scanner, problems, simulated=simulated)
    elif resource is not None and meter is not None and resource == meter.get("resource"):
        message = "the scanner's resource is that of the meter"
        problems.add(scanner.at("resource"), message, f"a card in the meter is `resource: {IN_METER}`")
    if not by_wire or (meter is None and not simulated):
        message = "a scanner without a meter that is read over a wire: nobody could wait for its relays"
        problems.add(scanner.node, message, "name the meter's `resource`, or leave the scanner out")
    _check_channels(scanner, tree, problems)


def check_ground(scanner: Values, dialect: Dialect, problems: Problems) -> None:
    """Report a channel for ground where the dialect closes no two channels."""
    if dialect.one_at_a_time and "ground" in scanner:
        message = (
            f"the dialect {dialect.name} closes one channel at a time: a channel for ground cannot be closed beside it"
        )
        problems.add(scanner.at("ground"), message, "wire the meter's low side to ground, and leave it out")


def _check_in_meter(scanner: Values, problems: Problems, *, simulated: bool) -> None:
    for name in ("serial_port", "address", "expect"):
        if name in scanner:
            problems.add(scanner.at(name), f"'{name}' of a card in the meter is the meter's", "leave it out")
    if "dialect" not in scanner and "dialect" not in scanner.wrong and not simulated:
        problems.add(scanner.node, "the scanner needs 'dialect'", "such as list-of-closed")


def _check_channels(scanner: Values, tree: Tree | None, problems: Problems) -> None:
    ground = scanner.get("ground")
    taken = {} if ground is None else {ground: "ground"}
    known = None if tree is None else tree.named
    clash = "channel {} already connects {}"
    check_numbers(scanner.many("channels"), clash, known, "input or rail", problems, taken=taken)
