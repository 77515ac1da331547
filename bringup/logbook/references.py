# ruff: noqa: S608 - the SQL is put together from words of ours
"""Units and attempts that were marked as reference, and which attempt a unit is compared with. The last mark counts.

A mark is of an attempt, or of a unit: then of the attempt that it last passed with, whichever that is by now.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from typing import Any

from bringup.core.frozen import frozen
from bringup.core.words import AttemptResult
from bringup.errors import CommandError
from bringup.logbook.database import Database
from bringup.logbook.filters import ID_SHOWN
from bringup.logbook.named import attempt_named
from bringup.logbook.sister_ohms import NOT_HELD

_MARKS = "SELECT serial, simulated, about, kind, at, who, why FROM reference_marks ORDER BY seq"
_PASSED = (
    "SELECT a.id, a.revision, a.procedure FROM attempts a WHERE a.serial = :serial AND a.simulated = :simulated"
    f" AND (:about IS NULL OR a.id = :about) AND a.board = :board AND a.result = 'passed' AND {NOT_HELD}"
)
_LAST = " ORDER BY a.seq DESC LIMIT 1"
_ITS_DESIGN = f"{_PASSED} AND a.revision = :revision AND a.variant = :variant"
_ALIKE = f"{_ITS_DESIGN} AND a.procedure = :procedure{_LAST}"
_OF_DESIGN = _ITS_DESIGN + _LAST
_ANY = _PASSED + _LAST


@frozen
class Mark:
    """A mark that stands. `about`: the attempt, None for the unit's last passed one; `at`: UTC, as it is kept."""

    serial: str
    simulated: bool
    about: str | None
    at: str
    who: str
    why: str

    @property
    def name(self) -> str:
        """What is marked, for people: 'MBL-0001', 'attempt 3f2a91c0 of MBL-0001'."""
        return self.serial if self.about is None else f"attempt {self.about[:ID_SHOWN]} of {self.serial}"

    @property
    def said(self) -> str:
        """Who marked it when, and why."""
        return f"marked by {self.who}, {self.at[:10]}: {self.why}"

    def as_json(self) -> dict[str, Any]:
        """Return every field."""
        names = ("serial", "simulated", "about", "at", "who", "why")
        return {name: getattr(self, name) for name in names}


def standing_marks(connection: Database) -> list[Mark]:
    """Return the marks that were not withdrawn, the one made last first."""
    found: dict[tuple[str, int, str | None], Mark] = {}
    for serial, simulated, about, kind, at, who, why in connection.execute(_MARKS):
        found.pop((serial, simulated, about), None)
        if kind == "marked":
            found[serial, simulated, about] = Mark(serial, bool(simulated), about, at, who, why)
    return list(found.values())[::-1]


def marks_by_unit(connection: Database) -> defaultdict[tuple[str, bool], list[Mark]]:
    """Return the same by serial number and whether simulated; none of a unit without."""
    found = defaultdict(list)
    for mark in standing_marks(connection):
        found[mark.serial, mark.simulated].append(mark)
    return found


def reference_for(connection: Database, design: Mapping[str, str | int]) -> tuple[Mark, str, str] | None:
    """Return the reference of a design, its attempt and that one's procedure; None where there is none.

    One under the same procedure counts before one under another, however they were marked. `design`: board, revision,
    variant, procedure, simulated (0 or 1).
    """
    marks = [mark for mark in standing_marks(connection) if mark.simulated == bool(design["simulated"])]
    for statement in (_ALIKE, _OF_DESIGN):
        for mark in marks:
            found = connection.execute(statement, {**design, "serial": mark.serial, "about": mark.about}).fetchone()
            if found is not None:
                return mark, str(found[0]), str(found[2])
    return None


def reference_of_board(
    connection: Database, board: str, revision: str | None, *, simulated: bool
) -> tuple[Mark, str] | None:
    """Return the reference of a board, of that revision where one is, and the attempt that counts; None: none."""
    found = []
    for mark in standing_marks(connection):
        if mark.simulated == simulated:
            asked = {"serial": mark.serial, "simulated": int(simulated), "about": mark.about, "board": board}
            row = connection.execute(_ANY, asked).fetchone()
            if row is not None:
                found.append((mark, str(row[0]), row[1] == revision))
    best = next((each for each in found if each[2]), found[0] if found else None)
    return None if best is None else best[:2]


def check_reference(connection: Database, serial: str, about: str | None, *, simulated: bool) -> None:
    """Refuse what cannot be a reference, since it never passed. Raises CommandError."""
    if about is None:
        found = connection.execute(
            "SELECT 1 FROM attempts WHERE serial = ? AND simulated = ? AND result = 'passed'", (serial, int(simulated))
        ).fetchone()
        if found is None:
            raise CommandError(
                f"{serial} has no attempt that passed", "A reference is a unit that is known to be good."
            )
        return
    (result,) = connection.execute("SELECT result FROM attempts WHERE id = ?", (about,)).fetchone()
    if result != AttemptResult.PASSED:
        raise CommandError(
            f"attempt {about[:ID_SHOWN]} of {serial} did not pass: {result or 'it is going on'}",
            "A reference is an attempt that passed.",
        )


def named(connection: Database, what: str) -> tuple[str, str | None, bool | None]:
    """Return serial number, id of the attempt (None: the unit itself) and whether that attempt is simulated.

    Raises CommandError for what nothing bears, and for a pattern.
    """
    about = attempt_named(connection, what, "a reference is")
    if about is None:
        return what, None, None
    serial, kind = connection.execute("SELECT serial, simulated FROM attempts WHERE id = ?", (about,)).fetchone()
    return str(serial), about, bool(kind)
