"""A unit with everything that a report tells, written through LogbookRecord: two attempts, a rework, a photo ..."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from bringup.core.deviations import Observation, Photo, Rework, Severity, Target
from bringup.core.words import AttemptResult, Result, StepOutcome
from bringup.logbook.record import LogbookRecord
from bringup.runner.records import LineText, PhotoFile, PollSample
from tests.logbook_samples import APPLY, MEASURE, NOON, add_attempt, ohms, start, volts
from tests.sample_pictures import PNG

LONG = "a note without a blank: " + "0123456789" * 12


def write_story(path: Path) -> str:
    """Write a unit that failed, was reworked and failed again, with everything that a report tells. Returns the id."""
    low = replace(volts(2.91), result=Result.FAIL)
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start(), [ohms(), low], result=AttemptResult.FAILED, cause="3V3 is low")
        begun = NOON + timedelta(hours=1)
        record_id = record.begin(replace(start(at=begun, simulated=True), simulated=False, variant="long range"))
        record.event("caution", "Hot parts: U3", at=begun, monotonic=100.5)
        for step, at in ((APPLY, 101.0), (MEASURE, 104.0)):
            record.step_begun(step, begun, at)
            record.step_ended(step, StepOutcome.DONE, "pass", at=begun)
        record.polls([PollSample(101 + 0.2 * place, 1, 24.0, 0.08, on=True) for place in range(20)])
        for place in range(8):
            record.sample(MEASURE, "VIN current", "A", begun, 104.5 + place / 10, 0.08 + place / 1000, "raw")
        record.event("mark", "mark: radio on", data={"mark": "radio on"}, at=begun, monotonic=104.8, step=MEASURE)
        judged = replace(volts(2.95), note="read three times", limits_basis="worst case of the divider")
        judged = replace(judged, uncertainty=0.0014, coverage_factor=2.0)
        record.reading(replace(judged, conformance=0.0021, decision_rule="guard band r = 1"))
        record.reading(replace(volts(None), step=MEASURE))
        record.line_texts([LineText(MEASURE, "console", begun, 104.6, "boot <ok>\n")])
        record.rework(Rework("R12", "105 kΩ", "100 kΩ", "3V3 is low", ("3V3",)), at=begun, monotonic=104.9)
        record.observation(Observation("R12 runs hot", Severity.SHOULD, Target.DESIGN), at=begun)
        record.note(LONG, at=begun)
        picture = PhotoFile("top.png", PNG, hashlib.sha256(PNG).hexdigest(), "png", (7, 5))
        for _ in record.photo(Photo("top.png", "after the rework"), picture, at=begun):
            pass
        record.end(AttemptResult.FAILED, "3V3 reads low", at=begun + timedelta(minutes=1), off_verified=True)
    return record_id
