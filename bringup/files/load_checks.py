"""What must fit together in a `load` step: one thing to hold constant, or off."""

from __future__ import annotations

from collections.abc import Sequence

from bringup.files.nodes import Problems
from bringup.files.sections import Values
from bringup.files.wording import nearest

HELD = ("current", "resistance", "power")
"""A load in constant voltage would fight the rail's own regulation: it is not among them."""


def check_load_step(body: Values, known: Sequence[str] | None, problems: Problems) -> None:
    """Report what does not fit together. `known`: the board's rails and inputs, None if it could not be read."""
    rail = body.get("rail")
    if known is not None and rail is not None and rail not in known:
        problems.add(body.at("rail"), f"the board has no rail or input called '{rail}'", nearest(rail, known))
    stated = [name for name in (*HELD, "off") if name in body]
    if not stated and not {*HELD, "off"} & body.wrong:
        message = "a `load` needs one of `current`, `resistance` and `power`, or `off: yes`"
        problems.add(body.node, message, "such as current: 200 mA")
    for name in stated[1:]:
        problems.add(body.at(name), f"`{name}` beside `{stated[0]}`: a load holds one thing constant")
    if "off" in body:
        for name in ("stop_voltage", "settle"):
            if name in body:
                problems.add(body.at(name), f"`{name}` says nothing of a load that is switched off", "leave it out")
    resistance = body.get("resistance")
    if resistance is not None and not resistance.number > 0:
        problems.add(body.at("resistance"), "no resistance is a short", "state more than 0 Ω")
