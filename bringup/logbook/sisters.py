"""What passed sisters of a unit read, from the logbook: one value a unit, that of its last attempt that passed."""

from __future__ import annotations

import sqlite3
from collections import defaultdict

from bringup.core.procedure import Procedure
from bringup.core.unlike import Key, Sisters
from bringup.logbook.faults import explain
from bringup.logbook.opening import OpenLogbook

_READ = (
    "SELECT a.serial, r.step, s.kind, r.rail, r.quantity, r.aspect, r.value FROM readings r"
    " JOIN attempts a ON a.id = r.attempt JOIN steps s ON s.attempt = r.attempt AND s.step = r.step"
    " WHERE a.board = :board AND a.revision = :revision AND a.variant = :variant AND a.procedure = :procedure"
    " AND a.simulated = :simulated AND a.serial <> :serial AND a.result = 'passed'"
    " AND r.value IS NOT NULL AND r.rail IS NOT NULL"
    " AND NOT EXISTS (SELECT 1 FROM readings c WHERE c.replaces = r.id) ORDER BY a.seq, r.seq"
)


def sisters_of(logbook: OpenLogbook, procedure: Procedure, unit: tuple[str, str], *, simulated: bool) -> Sisters:
    """Return the readings of other units that passed this procedure. `unit`: serial number and variant.

    Steps count by their number and kind. Raises LogbookError.
    """
    serial, variant = unit
    names = {
        "board": procedure.board.name,
        "revision": procedure.board.revision,
        "procedure": procedure.name,
        "serial": serial,
        "variant": variant,
        "simulated": int(simulated),
    }
    kinds = {step.index: step.kind for step in procedure.steps}
    found: dict[Key, dict[str, float]] = defaultdict(dict)
    try:
        rows = logbook.connection.execute(_READ, names)
        for sister, step, kind, rail, quantity, aspect, value in rows:
            if kinds.get(step - 1) == kind:
                found[step - 1, rail, quantity, aspect][sister] = value
    except sqlite3.Error as error:
        raise explain(error, logbook.path, "read") from error
    return Sisters({key: tuple(values.values()) for key, values in found.items()})
