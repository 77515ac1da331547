"""What must fit together in a board file beyond its single fields: the tree, the names, loads per board state.

Every check works on what could be read and skips what could not, so that one wrong field hides no other fault.
What must fit between voltages is in voltage_checks.py.
"""

from __future__ import annotations

from bringup.core.quantity import Quantity
from bringup.files.nodes import Pairs, Problems
from bringup.files.resistance_checks import BETWEEN
from bringup.files.sections import Values
from bringup.files.shapes import Entry
from bringup.files.voltage_checks import Tree, check_voltages
from bringup.files.wording import nearest

CHANNEL_WORDS = ("voltage", "current", "power")
"""Words that `log` puts after a point's name, so no name may end with one."""


def check_board(values: Values, problems: Problems) -> None:
    """Report what does not fit together."""
    tree = Tree(values)
    _check_names(values, problems)
    _check_probes(tree, problems)
    _check_sources(tree, problems)
    _check_states(values, tree, problems)
    for name, point in tree.points():
        _check_resistance(name, point, problems)
        for entry in point.many("loads"):
            _check_load(entry, problems)
    check_voltages(tree, problems)
    for name, rating in values.sections("ratings"):
        _check_rating(name, rating, tree, problems)


def _check_names(values: Values, problems: Problems) -> None:
    seen: set[str] = set()
    for field in ("inputs", "rails"):
        node = values.node.get(field) if isinstance(values.node, Pairs) else None
        for key, _ in node.pairs if isinstance(node, Pairs) else ():
            if key.text in seen:
                problems.add(key, f"'{key.text}' is both an input and a rail", "give one of them another name")
            if key.text.split()[-1:] and key.text.split()[-1] in CHANNEL_WORDS:
                words = ", ".join(CHANNEL_WORDS)
                problems.add(key, f"the name '{key.text}' ends with a word that says what is logged ({words})")
            if BETWEEN in key.text:
                problems.add(key, f"the name '{key.text}' reads as a pair of points: `A to B` is between two of them")
            seen.add(key.text)


def _check_probes(tree: Tree, problems: Problems) -> None:
    taken: dict[str, str] = {}
    for name, point in tree.points():
        probe = point.get("probe")
        if probe is None:
            continue
        if probe in taken:
            problems.add(point.at("probe"), f"the probe point {probe} is already that of {taken[probe]}")
        taken.setdefault(probe, name)


def _check_sources(tree: Tree, problems: Problems) -> None:
    for name, rail in tree.rails.items():
        source = rail.get("from")
        if source is not None and source not in tree.named:
            others = [one for one in tree.named if one != name]
            problems.add(rail.at("from"), f"no input or rail is called '{source}'", nearest(source, others))
    for name, rail in tree.rails.items():
        way = _way_up(name, tree)
        # Told once for each loop, at the rail that stands first in the file.
        if way[-1] == name and len(way) > 1 and name == min(way, key=list(tree.rails).index):
            problems.add(rail.at("from"), f"{' <- '.join(way)}: a loop, so nothing feeds these rails")


def _way_up(name: str, tree: Tree) -> list[str]:
    """Return the names from a rail towards its input, ending where a name comes back."""
    way = [name]
    while way[-1] in tree.rails and (source := tree.rails[way[-1]].get("from")) is not None:
        way.append(source)
        if source in way[:-1]:
            break
    return way


def _check_states(values: Values, tree: Tree, problems: Problems) -> None:
    states = values.get("states", ())
    for field in ("states", "variants"):
        seen: set[str] = set()
        for entry in values.many(field):
            if entry.value in seen or entry.value == "default":
                said = "stands twice" if entry.value in seen else "is the word for all other states"
                problems.add(entry.node, f"'{entry.value}' {said}")
            seen.add(entry.value)
    for name, point in tree.inputs.items():
        for entry in point.many("after"):
            if entry.value not in tree.inputs or entry.value == name:
                others = [each for each in tree.inputs if each != name]
                problems.add(entry.node, f"no other input is called '{entry.value}'", nearest(entry.value, others))
    known = values.get("variants", ())
    for rail in tree.rails.values():
        for entry in rail.many("variants"):
            if entry.value not in known and "variants" not in values.wrong:
                problems.add(
                    entry.node, f"the board has no variant called '{entry.value}'", nearest(entry.value, known)
                )
    if "states" in values.wrong:
        return
    for _, point in tree.points():
        for load in point.many("loads"):
            for state, entry in load.value.items() if isinstance(load.value, dict) else ():
                if state not in (*states, "default") and entry.key is not None:
                    said = f"no board state is called '{state}'"
                    problems.add(entry.key, said, nearest(state, (*states, "default")))


def _check_load(load: Entry, problems: Problems) -> None:
    amounts = list(load.value.values()) if isinstance(load.value, dict) else [load]
    units = {entry.value.unit for entry in amounts if isinstance(entry.value, Quantity)}
    if len(units) > 1:
        named = load.key.text if load.key is not None else ""
        problems.add(
            load.node, f"the load '{named}' mixes {' and '.join(sorted(units))}", "one unit for all its states"
        )
    for entry in amounts:
        if entry.value.unit == "ohm" and entry.value.value == 0:
            problems.add(entry.node, "a load of zero ohms is a short", "leave the load out where there is none")


def _check_rating(name: str, rating: Values, tree: Tree, problems: Problems) -> None:
    """A rating is driven by points of the board; amperes are those of a rail, volts may come through a divider."""
    for field in ("driven_by", "down_to"):
        point = rating.get(field)
        if point is not None and point not in tree.named:
            problems.add(rating.at(field), f"no input or rail is called '{point}'", nearest(point, tree.named))
    present = [part for part in ("upper", "lower") if part in rating]
    if len(present) == 1 and not {"upper", "lower"} & rating.wrong:
        lacking = "lower" if present == ["upper"] else "upper"
        problems.add(rating.at(present[0]), f"the divider of {name} lacks `{lacking}`")
    rated = rating.get("never_above")
    if rated is not None and rated.unit == "A":
        for field in ("down_to", *present):
            if field in rating:
                problems.add(rating.at(field), f"`{field}` says nothing of a current", "leave it out")
        if rating.get("driven_by") in tree.inputs:
            message = "a current is rated at a rail, and this is an input"
            way_out = "`current_limit` and `trip_current` of the procedure bound it"
            problems.add(rating.at("driven_by"), message, way_out)
    driver = rating.get("driven_by")
    if rated is not None and rated.unit == "V" and driver in tree.named and tree.nominal(driver) is None:
        problems.add(rating.at("driven_by"), f"nothing says how many volts {driver} has, so {name} cannot be checked")


def _check_resistance(name: str, point: Values, problems: Problems) -> None:
    stated, limits = point.get("unpowered_resistance"), point.get("ground")
    if stated is not None and limits is not None and not limits.accepts(stated.value):
        message = f"the ground limits of {name} do not accept its own unpowered_resistance of {stated}"
        problems.add(point.at("ground"), message)
