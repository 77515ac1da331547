"""Everything that a report on a lot tells: yields, one value of each unit at every point, where each unit stands."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime

from bringup.core.frozen import frozen
from bringup.core.taken import Point, Taken, one_of_each_unit
from bringup.core.words import AttemptResult
from bringup.errors import CommandError
from bringup.logbook.comparable import boards, kinds, taken
from bringup.logbook.database import Database
from bringup.logbook.filters import AS_DONE, Filters, where
from bringup.logbook.known_names import check_names
from bringup.logbook.lot_yields import LotYield, lot_yields
from bringup.logbook.standings import Standing, standing
from bringup.logbook.values import time_from

_FAILED_FIRST = """
SELECT a.serial, a.result, a.cause, a.revision, a.started FROM attempts a WHERE {where} ORDER BY {order}
"""

# One for each logbook that the attempts come from: a chain says nothing of another one.
_ANCHORS = """
SELECT h.link FROM chain h WHERE h.seq IN (SELECT max(c.seq) FROM chain c, attempts a
 WHERE c.covers = 'attempts' AND c.row = a.id AND {where} GROUP BY c.origin) ORDER BY h.seq
"""


@frozen
class WholeLot:
    """A lot. `values`: at every point one value of each unit, of the first attempt that has it."""

    lot: str
    board: str
    revisions: tuple[str, ...]
    simulated: bool
    first: datetime
    last: datetime
    """When its first and its last attempt began."""
    yields: tuple[LotYield, ...]
    values: dict[Point, list[Taken]]
    units: tuple[Standing, ...]
    causes: dict[str, list[str]]
    """Cause of a unit's first failed attempt -> units with it; of several without numbers, by which they differ."""
    anchors: tuple[str, ...]
    """The last hash of its attempts, of each logbook that they come from."""


def whole_lot(connection: Database, filters: Filters) -> WholeLot:
    """Return the lot that the filters name: its real units if there are any.

    Raises CommandError where nothing matches, for several boards, and for names that nothing bears.
    """
    check_names(connection, filters)
    found = kinds(connection, filters)
    if not found:
        raise CommandError(f"no attempt on lot {filters.lot} matches", "`bringup standing --lot NAME` shows its units.")
    asked = replace(filters, simulated=found[0])
    names = boards(connection, asked)
    if len(names) > 1:
        raise CommandError(f"lot {filters.lot} has units of several boards: {', '.join(names)}", "Name one: --board.")
    condition, values = where(asked)
    rows = connection.execute(_FAILED_FIRST.format(where=condition, order=", ".join(AS_DONE)), values).fetchall()
    failed: dict[str, str] = {}
    for row in rows:
        if row["result"] == AttemptResult.FAILED:
            failed.setdefault(row["serial"], row["cause"] or "no cause was noted")
    causes: dict[str, list[str]] = {}
    for serial, cause in failed.items():
        causes.setdefault(_without_numbers(cause), []).append(serial)
    told = {failed[units[0]] if len(units) == 1 else cause: units for cause, units in causes.items()}
    return WholeLot(
        lot=str(filters.lot),
        board=names[0],
        revisions=tuple(sorted({row["revision"] for row in rows})),
        simulated=found[0],
        first=min(time_from(row["started"]) for row in rows),
        last=max(time_from(row["started"]) for row in rows),
        yields=tuple(lot_yields(connection, asked)),
        values=one_of_each_unit(taken(connection, asked), "first"),
        units=tuple(standing(connection, asked)),
        causes=dict(sorted(told.items(), key=lambda each: -len(each[1]))),
        anchors=tuple(bytes(row["link"]).hex() for row in connection.execute(_ANCHORS.format(where=condition), values)),
    )


def _without_numbers(cause: str) -> str:
    """Return a cause by which units can be counted together: '3V3 reads ... V', with dots for what one unit read.

    The names of rails hold digits, too: only numbers that stand alone are taken out.
    """
    return re.sub(r"(?<![\w.])[-+]?\d+(\.\d+)?(?!\w)", "...", cause)
