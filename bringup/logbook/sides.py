"""What a side of a comparison names: a unit, an attempt, a lot, a revision, or the rest."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from bringup.core.frozen import frozen
from bringup.core.taken import Taken
from bringup.core.words import AttemptResult
from bringup.errors import CommandError
from bringup.logbook.comparable import boards, kinds, taken
from bringup.logbook.database import Database
from bringup.logbook.filters import ID_SHOWN, Filters
from bringup.logbook.known_names import check_names, find_attempt
from bringup.logbook.named import LEAST_ID, unit_or_attempt
from bringup.logbook.references import reference_of_board

REST = "rest"
REFERENCE = "reference"
BASES = (REST, REFERENCE)
"""With which something is compared."""
WAYS = ("unit", "attempt", "lot", "revision")


@frozen
class Side:
    """`label`: what it is called; `filters`: its attempts; `way`: one of WAYS or REST."""

    label: str
    way: str
    filters: Filters


@frozen
class Sides:
    """Both sides with their readings, all simulated or all real, and the readings of all units of the board."""

    one: Side
    other: Side
    simulated: bool
    also: bool
    """Whether readings of the other kind match, too, and were left out."""
    of_one: tuple[Taken, ...]
    of_other: tuple[Taken, ...]
    of_all: tuple[Taken, ...]


def find_sides(connection: Database, texts: tuple[str, str], asked: Filters) -> Sides:
    """Return two sides. Raises CommandError for one that names nothing, and where real would meet simulated.

    The reference and the rest are side one, whichever was named first: a unit is told by how much it differs from them.
    `asked`: filters that hold for both; `asked.simulated` None: real ones if both sides have some.
    """
    first, second = texts if texts[0] in BASES else texts[::-1] if texts[1] in BASES else texts
    if second in BASES:
        what = REST if REFERENCE not in texts else REFERENCE
        raise CommandError(f"compare what with the {what}?", f"bringup compare SERIAL {what}")
    other = _side(connection, second, asked)
    if first == REFERENCE:
        one = _reference(connection, other, asked)
    elif first == REST:
        one = Side("the rest", REST, replace(asked, board=_board(connection, other, other)))
    else:
        one = _side(connection, first, asked)
    board = _board(connection, one, other)
    both = [kind for kind in kinds(connection, one.filters) if kind in kinds(connection, other.filters)]
    if not both:
        raise CommandError(
            f"{one.label} and {other.label} have no attempts of one kind: simulated and real ones are never compared",
            "Name two that are both real or both simulated.",
        )
    simulated = both[0]
    left, right = ([*taken(connection, replace(side.filters, simulated=simulated))] for side in (one, other))
    if one.way == REST:
        units = {each.serial for each in right}
        left = [each for each in left if each.serial not in units]
    everybody = taken(connection, replace(asked, board=board, simulated=simulated))
    return Sides(one, other, simulated, len(both) > 1, tuple(left), tuple(right), tuple(everybody))


def _reference(connection: Database, beside: Side, asked: Filters) -> Side:
    """Return the reference of the design that the other side is of. Raises CommandError where there is none."""
    board = _board(connection, beside, beside)
    newest = connection.execute(
        "SELECT a.revision FROM attempts a WHERE a.serial LIKE :serial AND a.board = :board"
        " ORDER BY a.seq DESC LIMIT 1",
        {"serial": beside.filters.serial or "%", "board": board},
    ).fetchone()
    for kind in kinds(connection, beside.filters):
        found = reference_of_board(connection, board, newest and newest[0], simulated=kind)
        if found is not None:
            mark, attempt = found
            # Of a unit all that passed counts: one procedure reads what another does not.
            which = replace(asked, attempt=attempt) if mark.about is not None else replace(asked, serial=mark.serial)
            which = replace(which, simulated=kind, attempt_result=AttemptResult.PASSED)
            return Side(f"reference {mark.name}", REFERENCE, which)
    raise CommandError(
        f"nothing of the board '{board}' is marked as reference", "bringup reference SN|ATTEMPT --why TEXT marks it."
    )


def _board(connection: Database, one: Side, other: Side) -> str:
    """Return the one board of both. Raises CommandError for several."""
    names = sorted({*boards(connection, one.filters), *boards(connection, other.filters)})
    if len(names) > 1:
        raise CommandError(
            f"these are units of several boards ({', '.join(names)}), whose rails have nothing in common",
            "Name one board with --board.",
        )
    if not names:
        raise CommandError(f"nothing of {other.label} matches the filters", "Ask for less with the options.")
    return names[0]


def _side(connection: Database, text: str, asked: Filters) -> Side:
    way, mark, name = text.partition("=")
    if mark and way in WAYS:
        return _named(connection, way, name, asked)
    found = [way for way in WAYS if _is_one(connection, way, text)]
    if len(found) == 1:
        return _named(connection, found[0], text, asked)
    if found:
        spelt = " or ".join(f"{way}={text}" for way in found)
        raise CommandError(f"'{text}' is the name of several things", f"Write {spelt}.")
    unit_or_attempt(connection, text)
    raise AssertionError("a name that nothing bears was refused")


def _is_one(connection: Database, way: str, text: str) -> bool:
    if way == "attempt" and len(text) < LEAST_ID:
        return False
    try:
        _named(connection, way, text, Filters())
    except CommandError:
        return False
    return True


def _named(connection: Database, way: str, name: str, asked: Filters) -> Side:
    if way == "attempt":
        identity = find_attempt(connection, name)
        return Side(f"attempt {identity[:ID_SHOWN]}", way, replace(asked, attempt=identity))
    if way == "unit":
        filters = replace(asked, serial=name)
    else:
        filters = replace(asked, lot=name) if way == "lot" else replace(asked, revision=name)
    check_names(connection, filters)
    return Side(name if way == "unit" else f"{way} {name}", way, filters)


def serials(of: Iterable[Taken]) -> list[str]:
    """Return the units that readings are of, each once."""
    return list(dict.fromkeys(each.serial for each in of))
