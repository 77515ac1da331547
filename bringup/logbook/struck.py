"""What people entered on a unit that can be withdrawn: reworks, observations, notes, oldest first, with what was."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from bringup.core.frozen import frozen
from bringup.logbook.additions import KnownUnit
from bringup.logbook.deviation_rows import withdrawals
from bringup.logbook.opening import OpenLogbook
from bringup.logbook.values import time_from, time_text

_ENTERED = (
    "SELECT 'rework' AS kind, x.id, x.at, x.who,"
    " x.part || ': ' || x.was || ' -> ' || x.became || ' (' || x.why || ')' AS content"
    " FROM reworks x WHERE x.serial = :serial AND x.simulated = :simulated"
    " UNION ALL SELECT 'observation', x.id, x.at, x.who, x.content"
    " FROM observations x WHERE x.serial = :serial AND x.simulated = :simulated"
    " UNION ALL SELECT 'note', x.id, x.at, x.who, x.content"
    " FROM notes x WHERE x.serial = :serial AND x.simulated = :simulated ORDER BY 3, 2"
)
_WITHDRAWN = "SELECT x.* FROM withdrawals x WHERE x.serial = :serial AND x.simulated = :simulated ORDER BY x.seq"


@frozen
class Struck:
    """One of them. `withdrawn`: by whom, when and why; '' where it stands."""

    kind: str
    id: str
    at: datetime
    who: str
    text: str
    withdrawn: str

    def as_json(self) -> dict[str, Any]:
        """Return every field; `withdrawn` null where it stands."""
        told = {"kind": self.kind, "id": self.id, "at": time_text(self.at), "who": self.who, "text": self.text}
        return told | {"withdrawn": self.withdrawn or None}


def entered_on(logbook: OpenLogbook, unit: KnownUnit) -> list[Struck]:
    """Return what was entered on the unit, oldest first. Raises sqlite3.Error."""
    import sqlite3

    connection, key = logbook.connection, {"serial": unit.serial, "simulated": int(unit.simulated)}
    connection.row_factory = sqlite3.Row
    try:
        gone = withdrawals(connection.execute(_WITHDRAWN, key))
        rows = connection.execute(_ENTERED, key).fetchall()
    finally:
        connection.row_factory = None
    return [
        Struck(kind, identity, time_from(at), who, content, gone.get((kind, identity), ""))
        for kind, identity, at, who, content in rows
    ]
