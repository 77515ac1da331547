# ruff: noqa: S608 - the SQL is put together from words of ours
"""What was observed of a design across all units: the list for its next revision.

One entry is everything that was observed of the same thing: an observation that says which one it repeats, or says the
same words. Real and simulated units have entries of their own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from bringup.core.deviations import Severity
from bringup.core.frozen import frozen
from bringup.errors import CommandError
from bringup.logbook.additions import KnownUnit
from bringup.logbook.database import Database
from bringup.logbook.deviation_queries import readings_behind
from bringup.logbook.deviation_rows import LoggedObservation, observation_from
from bringup.logbook.filters import like
from bringup.logbook.queries import behind_observations
from bringup.logbook.reworked import STANDS
from bringup.logbook.rows import LoggedReading
from bringup.logbook.values import time_text

OBSERVED = (
    "SELECT x.* FROM observations x WHERE x.target = 'design' AND x.board LIKE :board ESCAPE '\\'"
    " AND (:revision IS NULL OR x.revision = :revision) AND (:simulated IS NULL OR x.simulated = :simulated)"
    f" AND {STANDS.format(kind='observation', of='x')} ORDER BY x.seq"
)
BOARDS = "SELECT board FROM units UNION SELECT board FROM observations"
_BY_ID = (
    "SELECT x.id, x.same_as, x.content, x.severity, x.target FROM observations x"
    " WHERE x.simulated = :simulated AND x.board = :board AND x.id LIKE :pattern ESCAPE '\\'"
    f" AND {STANDS.format(kind='observation', of='x')} ORDER BY x.seq"
)


@frozen
class DesignEntry:
    """Everything that was observed of one thing, oldest first."""

    seen: tuple[LoggedObservation, ...]
    readings: tuple[LoggedReading, ...]

    @property
    def first(self) -> LoggedObservation:
        """The one that was made first."""
        return self.seen[0]

    @property
    def severity(self) -> Severity:
        """The gravest that anybody gave."""
        return min((each.observation.severity for each in self.seen), key=list(Severity).index)

    @property
    def units(self) -> tuple[str, ...]:
        """Serial numbers of the units that it was seen on."""
        return tuple(dict.fromkeys(each.origin.serial for each in self.seen))

    @property
    def revisions(self) -> tuple[str, ...]:
        """Revisions that it was seen on."""
        return tuple(dict.fromkeys(each.revision for each in self.seen))

    @property
    def first_seen(self) -> datetime:
        """When it was entered first, by the clock on the wall."""
        return min(each.origin.at for each in self.seen)

    def as_json(self) -> dict[str, Any]:
        """Return the entry with its readings and every observation."""
        return {
            "id": self.first.origin.id,
            "board": self.first.board,
            "revisions": list(self.revisions),
            "text": self.first.observation.text,
            "severity": self.severity.value,
            "simulated": self.first.origin.simulated,
            "units": list(self.units),
            "count": len(self.units),
            "first_seen": time_text(self.first_seen),
            "last_seen": time_text(max(each.origin.at for each in self.seen)),
            "readings": [reading.as_json() for reading in self.readings],
            "observations": [each.as_json() for each in self.seen],
        }


def design_list(
    connection: Database, board: str, *, revision: str | None = None, simulated: bool | None = None
) -> list[DesignEntry]:
    """Return what was observed of a board's design, gravest and most frequent first. `board` may hold `*` and `?`.

    Raises CommandError for a board that no unit is of.
    """
    if not _matching(connection, board):
        known = ", ".join(sorted(row[0] for row in connection.execute(BOARDS)))
        raise CommandError(f"no unit of a board '{board}' is in this logbook", f"Known: {known or 'none'}.")
    key = {
        "board": like(board),
        "revision": revision,
        "simulated": None if simulated is None else int(simulated),
    }
    behind = readings_behind(connection)
    rows = connection.execute(OBSERVED, key).fetchall()
    groups = _grouped(observation_from(row, behind[row["id"]]) for row in rows)
    readings = {logged.reading.id: logged for logged in behind_observations(connection)}
    entries = [DesignEntry(tuple(group), _readings(group, readings)) for group in groups]
    order = list(Severity)
    return sorted(
        entries,
        key=lambda one: (
            one.first.board,
            one.first.origin.simulated,
            order.index(one.severity),
            -len(one.units),
            one.first_seen,
        ),
    )


def find_observation(connection: Database, unit: KnownUnit, beginning: str) -> tuple[str, str, str, str]:
    """Return id, text, severity and target of what was observed first, by the beginning of the id of any of its kind.

    Raises CommandError for none or several on units of the same board, real or simulated ones.
    """
    key = {"simulated": int(unit.simulated), "board": unit.board, "pattern": like(beginning.strip().lower()) + "%"}
    rows = connection.execute(_BY_ID, key).fetchall() if beginning.strip() else []
    if len(rows) != 1:
        many = f"{len(rows)} observations" if rows else "no observation"
        raise CommandError(
            f"{many} on units of '{unit.board}' with an id that begins with '{beginning}'",
            f"`bringup observation --design '{unit.board}'` lists them, `bringup history` those of one unit.",
        )
    first, same_as, text, severity, target = rows[0]
    return str(same_as or first), str(text), str(severity), str(target)


def _matching(connection: Database, board: str) -> bool:
    statement = f"SELECT 1 FROM ({BOARDS}) AS known WHERE board LIKE :board ESCAPE '\\' LIMIT 1"
    return connection.execute(statement, {"board": like(board)}).fetchone() is not None


def _grouped(observed: Iterable[LoggedObservation]) -> list[list[LoggedObservation]]:
    """Put together what is of the same thing."""
    groups: dict[tuple[object, ...], list[LoggedObservation]] = defaultdict(list)
    keys: dict[str, tuple[object, ...]] = {}
    for each in observed:
        words = " ".join(each.observation.text.casefold().split()).rstrip(".!")
        key: tuple[object, ...] = (each.board, each.origin.simulated, words)
        key = keys.get(each.observation.same_as or "", key)
        keys[each.origin.id] = key
        groups[key].append(each)
    return list(groups.values())


def _readings(seen: Iterable[LoggedObservation], known: Mapping[str, LoggedReading]) -> tuple[LoggedReading, ...]:
    ids = dict.fromkeys(reading for each in seen for reading in each.observation.readings)
    return tuple(known[reading] for reading in ids if reading in known)
