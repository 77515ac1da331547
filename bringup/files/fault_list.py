"""The `faults:` of a simulated bench: which fault sits on which point, checked against the board."""

from __future__ import annotations

from bringup.core.faults import Fault, FaultKind
from bringup.core.quantity import Quantity
from bringup.files.nodes import Problems
from bringup.files.sections import Values
from bringup.files.voltage_checks import NETWORK, Tree
from bringup.files.wording import nearest

KINDS: dict[tuple[str, str], FaultKind] = {
    ("upper", "open"): FaultKind.UPPER_OPEN,
    ("upper", "shorted"): FaultKind.UPPER_SHORTED,
    ("upper", ""): FaultKind.UPPER_VALUE,
    ("lower", "open"): FaultKind.LOWER_OPEN,
    ("lower", "shorted"): FaultKind.LOWER_SHORTED,
    ("lower", ""): FaultKind.LOWER_VALUE,
    ("shorted_through", ""): FaultKind.SHORTED_THROUGH,
    ("not_fitted", ""): FaultKind.NOT_FITTED,
    ("feedback", "swapped"): FaultKind.SWAPPED,
    ("other_part", ""): FaultKind.OTHER_PART,
    ("passes_input", ""): FaultKind.PASSES_INPUT,
    ("capacitor", "missing"): FaultKind.CAPACITOR_MISSING,
    ("excess_load", ""): FaultKind.EXCESS_LOAD,
    ("creeping_load", ""): FaultKind.CREEPING_LOAD,
    ("leads", "reversed"): FaultKind.LEADS_REVERSED,
    ("voltage", ""): FaultKind.WRONG_VOLTAGE,
    ("sense", "open"): FaultKind.SENSE_OPEN,
    ("back_fed", ""): FaultKind.BACK_FED,
    ("charged", ""): FaultKind.CHARGED,
}
"""(key, word) of the file -> fault; an empty word where a value or yes stands."""

FAULT_KEYS = tuple(dict.fromkeys(key for key, _ in KINDS))
INPUT_ONLY = ("leads", "voltage", "sense")
CONVERTER_ONLY = ("not_fitted", "upper", "lower", "feedback", "other_part", "passes_input")
WHOLE_NETWORK = "feedback"


def read_faults(simulate: Values, board: Values | None, problems: Problems) -> tuple[Fault, ...]:
    """Return the faults that could be read; report the others. `board` None: its names are not looked at."""
    tree = None if board is None else Tree(board)
    found = (_fault(entry.value, tree, problems) for entry in simulate.many("faults"))
    return tuple(fault for fault in found if fault is not None)


def _fault(values: Values, tree: Tree | None, problems: Problems) -> Fault | None:
    written = [key for key in FAULT_KEYS if key in values or key in values.wrong]
    if len(written) != 1:
        said = "names no fault" if not written else f"names {len(written)} faults ({', '.join(written)})"
        problems.add(values.node, f"an entry of `faults` {said}", "one entry for each: " + ", ".join(FAULT_KEYS))
    places = [key for key in ("rail", "input") if key in values or key in values.wrong]
    if len(places) != 1:
        problems.add(values.node, "a fault sits on one `rail` or one `input`", "such as {rail: 3V3, upper: open}")
    if len(written) != 1 or len(places) != 1 or written[0] in values.wrong or places[0] in values.wrong:
        return None
    key, place = written[0], places[0]
    if tree is not None and not _possible(key, place, values, tree, problems):
        return None
    stated = values.get(key)
    if stated is False:
        problems.add(values.at(key), f"'{key}: no' is no fault", "leave the entry out")
        return None
    kind = KINDS[(key, stated if isinstance(stated, str) else "")]
    value = stated.number if isinstance(stated, Quantity) else None
    after, held_by = values.get("after"), values.get("held_by")
    if held_by is not None and kind is not FaultKind.CHARGED:
        problems.add(values.at("held_by"), "`held_by` belongs to `charged`", "leave it out")
    farads = 0.0 if held_by is None else held_by.number
    appears = 0.0 if after is None else after.number
    return Fault(values.get(place), kind, value, appears, farads, _tied_to(values, tree, problems))


def _tied_to(values: Values, tree: Tree | None, problems: Problems) -> str:
    """Return the point that a short ties its own to; '' for ground."""
    to: str = values.get("to", "")
    if not to:
        return ""
    if "shorted_through" not in values:
        problems.add(values.at("to"), "`to` belongs to `shorted_through`", "leave it out")
    elif tree is not None and to not in tree.named:
        problems.add(values.at("to"), f"the board has no rail or input called '{to}'", nearest(to, tree.named))
    elif to in (values.get("rail"), values.get("input")):
        problems.add(values.at("to"), f"{to} cannot be tied to itself", "name another point")
    return to


def _possible(key: str, place: str, values: Values, tree: Tree, problems: Problems) -> bool:
    """Whether such a fault can sit on such a point of this board; report otherwise."""
    name = values.get(place)
    known = list(tree.inputs if place == "input" else tree.rails)
    if name not in known:
        other = tree.rails if place == "input" else tree.inputs
        hint = f"it is {'a rail' if place == 'input' else 'an input'}" if name in other else nearest(name, known)
        problems.add(values.at(place), f"the board has no {place} called '{name}'", hint)
        return False
    if key in INPUT_ONLY and place != "input":
        problems.add(values.at(key), f"'{key}' is a fault at an input", "say `input:` instead of `rail:`")
        return False
    if key not in CONVERTER_ONLY:
        return True
    converter = None if place == "input" else tree.rails[name].section_in("converter")
    if converter is None:
        problems.add(values.at(key), f"{name} has no converter of its own, so '{key}' cannot be wrong there")
        return False
    lacks = (
        any(part not in converter for part in NETWORK)
        if key == WHOLE_NETWORK
        else key in NETWORK and key not in converter
    )
    if lacks:
        problems.add(values.at(key), f"the board file states no feedback network for {name}, so there is no '{key}'")
        return False
    return True
