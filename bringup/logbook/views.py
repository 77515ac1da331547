"""Views for whoever opens a logbook with a database tool: SQL text only, in words that stay.

`reading_list` has one row a reading with the unit, attempt and step that it belongs to, `attempt_list` one an attempt
with the number of its readings. Their names and columns are promised: a later version may add columns at the end.
Values are in base units (V, A, ohm, W, s, Hz, degC), times are UTC text, yes is 1 and no is 0.
"""

from __future__ import annotations

READING_LIST = """
CREATE VIEW reading_list AS
SELECT a.serial, a.board, a.revision, a.variant, a.lot, a.procedure, a.bench, a.operator, a.simulated,
       r.attempt, r.step, s.kind AS step_kind, s.title AS step_title,
       r.rail, r.quantity, r.aspect, r.value, r.unit, r.nominal, r.low, r.high, r.limits, r.result, r.uncertainty,
       r.at, r.instrument, i.identity AS instrument_identity, i.calibration_due, r.board_state, r.note, r.id,
       (SELECT min(c.id) FROM readings c WHERE c.replaces = r.id) AS replaced_by
  FROM readings r
  JOIN attempts a ON a.id = r.attempt
  JOIN steps s ON s.attempt = r.attempt AND s.step = r.step
  LEFT JOIN instruments i ON i.attempt = r.attempt AND i.role = r.instrument
"""

ATTEMPT_LIST = """
CREATE VIEW attempt_list AS
SELECT a.id, a.serial, a.board, a.revision, a.variant, a.lot, a.procedure, a.bench, a.operator, a.attended,
       a.simulated, a.started, a.ended, a.result, a.cause, a.off_verified, a.ambient, a.continues,
       (SELECT count(*) FROM readings r WHERE r.attempt = a.id) AS readings
  FROM attempts a
"""

VIEWS = (READING_LIST, ATTEMPT_LIST)
