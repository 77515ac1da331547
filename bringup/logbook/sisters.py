"""What passed sisters of a unit read, from the logbook: one value a unit, that of its last attempt that passed."""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from bringup.core.expectation import states_of
from bringup.core.procedure import Procedure
from bringup.core.reference import Key, Point, Reference
from bringup.core.unlike import Sisters
from bringup.logbook.faults import explain
from bringup.logbook.opening import OpenLogbook
from bringup.logbook.references import reference_for
from bringup.logbook.sister_ohms import NOT_HELD

_READ = (
    "SELECT a.serial, r.step, s.kind, r.rail, r.quantity, r.aspect, r.value, r.board_state FROM readings r"
    " JOIN attempts a ON a.id = r.attempt JOIN steps s ON s.attempt = r.attempt AND s.step = r.step"
    " WHERE {which} AND r.value IS NOT NULL AND r.rail IS NOT NULL"
    " AND r.unsettled = 0 AND r.result IN ('pass', 'conditional pass', 'recorded')"
    " AND NOT EXISTS (SELECT 1 FROM readings c WHERE c.replaces = r.id) ORDER BY a.seq, r.seq"
)
"""An attempt can pass with readings that were not judged, did not settle, or failed and were waived or taken again."""
_SISTERS = _READ.format(
    which="a.board = :board AND a.revision = :revision AND a.variant = :variant AND a.procedure = :procedure"
    f" AND a.simulated = :simulated AND a.serial <> :serial AND a.result = 'passed' AND {NOT_HELD}"
)
_REFERENCE = _READ.format(which="a.id = :attempt")


def sisters_of(logbook: OpenLogbook, procedure: Procedure, unit: tuple[str, str], *, simulated: bool) -> Sisters:
    """Return the readings of other units that passed this procedure, and of the reference among all units.

    `unit`: serial number and variant. Steps count by their number and kind. Raises LogbookError.
    """
    serial, variant = unit
    names: dict[str, str | int] = {
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
        rows = logbook.connection.execute(_SISTERS, names)
        for sister, step, kind, rail, quantity, aspect, value, _ in rows:
            if kinds.get(step - 1) == kind:
                found[step - 1, rail, quantity, aspect][sister] = value
        reference = _reference(logbook.connection, names, kinds, states_of(procedure))
    except sqlite3.Error as error:
        raise explain(error, logbook.path, "read") from error
    return Sisters({key: tuple(values.values()) for key, values in found.items()}, reference)


def _reference(
    connection: sqlite3.Connection,
    design: dict[str, str | int],
    kinds: dict[int, str],
    states: Sequence[str | None],
) -> Reference | None:
    known = reference_for(connection, design)
    if known is None:
        return None
    mark, attempt, procedure = known
    rows = connection.execute(_REFERENCE, {"attempt": attempt}).fetchall()
    if procedure != design["procedure"]:
        return Reference(mark.name, mark.said, attempt, {}, procedure, _points(rows), list(kinds.values()), states)
    values: dict[Key, float] = {}
    for _, step, kind, rail, quantity, aspect, value, _ in rows:
        if kinds.get(step - 1) == kind:
            values[step - 1, rail, quantity, aspect] = value
    return Reference(mark.name, mark.said, attempt, values)


def _points(rows: Sequence[Sequence[Any]]) -> dict[Point, float]:
    """Return what was read of each point; what several steps read, at other volts or loads, is no one value."""
    found: dict[Point, dict[int, float]] = defaultdict(dict)
    for _, step, kind, rail, quantity, aspect, value, state in rows:
        found[kind, rail, quantity, aspect, state][step] = value
    return {point: next(iter(values.values())) for point, values in found.items() if len(values) == 1}
