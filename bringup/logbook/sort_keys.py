"""By what readings and attempts can be sorted: the key's name and its column in the statements of queries.py."""

from __future__ import annotations

READING_KEYS = {
    "at": "r.at",
    "serial": "a.serial",
    "rail": "r.rail",
    "quantity": "r.quantity",
    "value": "r.value",
    "result": "r.result",
    "board": "a.board",
    "revision": "a.revision",
    "lot": "a.lot",
    "operator": "a.operator",
    "bench": "a.bench",
    "instrument": "r.instrument",
}
"""Sort key -> column; rows that are alike in it follow one another as they were done."""

ATTEMPT_KEYS = {
    "started": "a.started",
    "serial": "a.serial",
    "procedure": "a.procedure",
    "result": "a.result",
    "ended": "a.ended",
    "board": "a.board",
    "revision": "a.revision",
    "lot": "a.lot",
    "operator": "a.operator",
    "bench": "a.bench",
}
