"""What a `resistance` step names: points to ground, and pairs of points written `A to B`."""

from __future__ import annotations

from collections.abc import Sequence

from bringup.core.unpowered import Pair, Resistance
from bringup.files.nodes import Problems
from bringup.files.sections import Values
from bringup.files.voltage_checks import Tree
from bringup.files.wording import nearest

BETWEEN = " to "
"""Stands between the two points of a pair; no point's own name may hold it."""


def pair_of(text: str) -> Pair | None:
    """Read `A to B`; None where it names a single point."""
    first, word, second = text.partition(BETWEEN)
    return Pair(first.strip(), second.strip()) if word and first.strip() and second.strip() else None


def points_and_pairs(texts: Sequence[str]) -> tuple[tuple[str, ...], tuple[Pair, ...]]:
    """Return the single points, then the pairs, each in the order of the file."""
    pairs = {text: pair_of(text) for text in texts}
    singles = tuple(text for text, pair in pairs.items() if pair is None)
    return singles, tuple(pair for pair in pairs.values() if pair is not None)


def read_in(body: Values) -> tuple[str, ...]:
    """Return the name of each reading of the step, by which its limits are stated."""
    singles, pairs = points_and_pairs(body.get("points", ()))
    return Resistance(singles, pairs, body.get("both_polarities", False)).read


def check_resistance_points(body: Values, tree: Tree | None, problems: Problems) -> None:
    """Report names that the board does not have, and pairs between which there is nothing to find."""
    if tree is None:
        return
    for entry in body.many("points"):
        pair = pair_of(entry.value)
        for name in (entry.value,) if pair is None else (pair.first, pair.second):
            if name not in tree.named:
                problems.add(entry.node, f"the board has no rail or input called '{name}'", nearest(name, tree.named))
        if pair is None:
            continue
        live = [name for name in (pair.first, pair.second) if _stays_live(name, tree)]
        if live:
            message = (
                f"{live[0]} stays live by the board file: between {pair.first} and {pair.second} ohms are nonsense"
            )
            problems.add(entry.node, message, "leave the pair out")
        elif pair.first == pair.second:
            problems.add(entry.node, f"'{entry.value}' is one point", "name two, such as 12V0 to 5V0")
        elif _net(pair.first, tree) == _net(pair.second, tree):
            message = f"{pair.first} and {pair.second} are joined plainly by the board file: 0 Ω between them is right"
            problems.add(entry.node, message, "name rails with a converter between them")


def _stays_live(name: str, tree: Tree) -> bool:
    return any(name == known and "stays_live" in point for known, point in tree.points())


def _net(name: str, tree: Tree) -> str:
    """Return the point that a plain connection makes one net with this one, nearest to the input."""
    seen: set[str] = set()
    while name in tree.rails and name not in seen and "converter" not in tree.rails[name]:
        seen.add(name)
        source = tree.rails[name].get("from")
        if source is None:
            break
        name = source
    return name
