"""What other units of the design read at the same place: by this a resistance is judged for which nobody states limits.

Ohms of semiconductors depend on the meter's test current, so only the same meter on the same range compares, with its
leads the same way round. Simulated and real units never mix.
"""

from __future__ import annotations

import sqlite3

from bringup.runner.records import SisterQuestion

NOT_HELD = """COALESCE((SELECT d.kind FROM dispositions d WHERE d.serial = a.serial AND d.simulated = a.simulated
            AND d.kind <> 'waiver' ORDER BY d.seq DESC LIMIT 1), 'released') = 'released'"""
"""Of an attempt `a`: its unit is neither in quarantine nor scrapped. One that is is no measure of another."""
SISTERS = f"""
SELECT a.serial, r.value
  FROM readings r
  JOIN attempts a ON a.id = r.attempt
  JOIN steps s ON s.attempt = r.attempt AND s.step = r.step
  JOIN instruments i ON i.attempt = a.id AND i.role = 'meter'
 WHERE r.rail = :point AND r.quantity = 'resistance' AND r.aspect = :aspect AND s.kind = 'resistance'
   AND r.value IS NOT NULL AND r.result IN ('pass', 'conditional pass', 'recorded')
   AND r.unsettled = 0 AND r.note NOT LIKE :rising
   AND r.meter_range IS :meter_range
   AND NOT EXISTS (SELECT 1 FROM readings c WHERE c.replaces = r.id)
   AND a.result = 'passed' AND a.simulated = :simulated AND a.serial <> :serial
   AND a.board = :board AND a.revision = :revision AND a.variant = :variant AND {NOT_HELD}
   AND ((:by_hand = 1 AND i.by_hand = 1 AND a.bench = :bench)
        OR (:by_hand = 0 AND i.maker = :maker AND i.model = :model AND i.serial = :meter_serial))
 ORDER BY a.seq, r.monotonic
"""  # noqa: S608 - words of ours
RISING = "still rising%"
"""What the note of a reading begins with that was taken before its end: no measure of another one."""


def sister_ohms(connection: sqlite3.Connection, question: SisterQuestion, *, simulated: bool) -> tuple[float, ...]:
    """Return the latest ohms of each other unit that passed, in the order in which they were read."""
    meter = question.meter
    asked: dict[str, str | float | int | None] = {
        "serial": question.serial,
        "board": question.board,
        "revision": question.revision,
        "variant": question.variant,
        "bench": question.bench,
        "point": question.point,
        "aspect": question.aspect,
        "meter_range": question.meter_range,
        "by_hand": int(meter is None),
        "maker": None if meter is None else meter.maker,
        "model": None if meter is None else meter.model,
        "meter_serial": None if meter is None else meter.serial,
        "simulated": int(simulated),
        "rising": RISING,
    }
    return tuple(dict(connection.execute(SISTERS, asked)).values())
