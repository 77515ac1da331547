# ruff: noqa: S608 - the SQL is put together from words of ours
"""Which readings a rework has undone: what was known of a rail before it says nothing about the board as it is now.

A rework comes after the attempt that it `follows`, by the order of writing, as with trips: the wall clock may have been
set. Within the attempt in which it was entered its monotonic clock decides; what came in late, from a rescue file, is
undone by wall time, too.
"""

from __future__ import annotations

import json
import sqlite3
from typing import Any

from bringup.core.deviations import Rework
from bringup.core.frozen import frozen


@frozen
class Moment:
    """When something was found out: in which attempt (by number), and by its monotonic clock."""

    seq: int
    monotonic: float
    started: str
    """Time text of when the attempt started."""
    late: bool
    """The attempt came in late."""


@frozen
class Done:
    """A rework that was done, and where it stands among the attempts."""

    rework: Rework
    at: str
    follows: int
    """Number of the attempt that it came after or in; 0: before all."""
    monotonic: float | None
    """Of that attempt, if it was entered in it; None: after its end."""

    def comes_after(self, moment: Moment) -> bool:
        """Whether the board is another one since that moment."""
        if self.follows == moment.seq:
            return self.monotonic is None or self.monotonic >= moment.monotonic
        return self.follows > moment.seq or (moment.late and self.at >= moment.started)

    @property
    def said(self) -> str:
        """The rework in one line, with its day."""
        return f"{self.rework.change} ({self.at[:10]})"


STANDS = "NOT EXISTS (SELECT 1 FROM withdrawals d WHERE d.kind = '{kind}' AND d.about = {of}.id)"
"""The condition that a row of that kind was not withdrawn. `of`: the table's name in the statement."""

_REWORKS = (
    "SELECT w.part, w.was, w.became, w.why, w.rails, w.at, coalesce(f.seq, 0), w.monotonic"
    " FROM reworks w LEFT JOIN attempts f ON f.id = w.follows"
    f" WHERE w.serial = :serial AND w.simulated = :simulated AND {STANDS.format(kind='rework', of='w')} ORDER BY w.seq"
)


def reworks_of(connection: sqlite3.Connection, serial: str, *, simulated: bool) -> tuple[Done, ...]:
    """Return a unit's reworks in the order in which they were entered, without what was withdrawn."""
    rows = connection.execute(_REWORKS, {"serial": serial, "simulated": int(simulated)})
    return tuple(Done(rework_from(*row[:5]), *row[5:]) for row in rows)


def rework_from(part: str, was: str, became: str, why: str, rails: str | None) -> Rework:
    """Make the record of the columns of `reworks`."""
    return Rework(part, was, became, why, None if rails is None else tuple(json.loads(rails)))


def undone(reworks: tuple[Done, ...], moment: Moment, rail: str | None = None) -> bool:
    """Whether any of them came after that moment; `rail`: any of those that touch it."""
    touching: Any = reworks if rail is None else (done for done in reworks if done.rework.touches(rail))
    return any(done.comes_after(moment) for done in touching)
