# ruff: noqa: S608 - the SQL is put together from words of ours
"""Which readings of a unit are meant: by the beginning of their ids, or as the last ones of a rail."""

from __future__ import annotations

import sqlite3

from bringup.core.limits import parse_limits
from bringup.core.quantity import format_quantity
from bringup.errors import CommandError, NotationError
from bringup.logbook.additions import KnownUnit
from bringup.logbook.filters import like

_OF_UNIT = " FROM readings r JOIN attempts a ON a.id = r.attempt WHERE a.serial = :serial AND a.simulated = :simulated"
_BY_ID = f"SELECT r.id{_OF_UNIT} AND r.id LIKE :pattern ESCAPE '\\' ORDER BY r.seq"
_BY_RAIL = (
    f"SELECT r.id, r.attempt, r.quantity, r.result{_OF_UNIT} AND lower(r.rail) = lower(:rail)"
    " AND NOT EXISTS (SELECT 1 FROM readings c WHERE c.replaces = r.id) ORDER BY a.seq DESC, r.monotonic DESC"
)
_FAILED = ("fail", "conditional fail")


def by_id(connection: sqlite3.Connection, unit: KnownUnit, beginning: str) -> str:
    """Return the one reading of the unit whose id begins so. Raises CommandError for none or several."""
    plain = beginning.strip().lower()
    key = {"serial": unit.serial, "simulated": int(unit.simulated), "pattern": like(plain) + "%"}
    found = [row[0] for row in connection.execute(_BY_ID, key)] if plain else []
    if len(found) == 1:
        return str(found[0])
    many = f"{len(found)} readings" if found else "no reading"
    raise CommandError(
        f"{many} of {unit.named} with an id that begins with '{beginning}'",
        f"`bringup readings --serial {unit.serial} --json` lists them with their ids.",
    )


def of_rail(connection: sqlite3.Connection, unit: KnownUnit, rail: str, *, failed: bool = False) -> tuple[str, ...]:
    """Return the last reading of each quantity of a rail, in the unit's last attempt that read it.

    `failed`: only those that did not pass. Raises CommandError where there is none.
    """
    key = {"serial": unit.serial, "simulated": int(unit.simulated), "rail": rail.strip()}
    rows = connection.execute(_BY_RAIL, key).fetchall()
    last: dict[str, str] = {}
    for reading, attempt, quantity, result in rows:
        if attempt == rows[0][1] and (not failed or result in _FAILED):
            last.setdefault(quantity, reading)
    if not last:
        known = connection.execute(f"SELECT DISTINCT r.rail{_OF_UNIT} AND r.rail IS NOT NULL", key)
        rails = ", ".join(sorted(row[0] for row in known))
        what = "no reading that failed in its last attempt" if rows else "no reading"
        raise CommandError(f"{unit.named} has {what} of '{rail}'", f"It has readings of: {rails or 'nothing'}.")
    return tuple(last.values())


def check_failed(connection: sqlite3.Connection, reading: str, limits: str | None) -> None:
    """Raise CommandError where a reading has nothing to waive, or lies outside the limits of its own waiver."""
    rail, quantity, value, unit, result = connection.execute(
        "SELECT rail, quantity, value, unit, result FROM readings WHERE id = ?", (reading,)
    ).fetchone()
    name = f"{rail or ''} {quantity}".strip()
    if result not in _FAILED:
        raise CommandError(f"the reading {reading[:8]} of {name} did not fail: {result}", "Only a failure is waived.")
    if limits is None:
        return
    try:
        within = parse_limits(limits, unit)
    except NotationError as error:
        raise CommandError(f"--limits {limits!r}: {error.message}", error.what_to_do) from error
    if value is not None and not within.accepts(value):
        raise CommandError(
            f"{name} read {format_quantity(value, unit)}: that is outside {limits}, by which it is to be waived"
        )
