"""What `bringup run` says of its logbook: what was found there at the start, and where readings are at the end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bringup.commands.common import print_json

if TYPE_CHECKING:
    from bringup.core.reading import Reading
    from bringup.logbook.opening import OpenLogbook
    from bringup.logbook.record import LogbookRecord
    from bringup.runner.protocols import Told
    from bringup.runner.setup import AttemptOutcome


def found_at_opening(logbook: OpenLogbook) -> Iterator[Told]:
    """Tell of tables that were brought up to date, attempts whose process died, rescue files that were taken in."""
    from bringup.runner.protocols import Told

    if logbook.backup is not None:
        text = f"{logbook.path} was of an earlier version and is brought up to date; as it was it is kept in"
        yield Told("event", f"logbook: {text} {logbook.backup}")
    for attempt_id in logbook.left_open:
        text = (
            f"attempt {attempt_id[:8]} had been left open by a process that died; it is now marked broken off. "
            "If it had switched anything on, that may have stayed on: look at the supply."
        )
        yield Told("event", text)
    for text in logbook.taken_in:
        yield Told("event", f"logbook: {text}")


def left_at_the_end(record: LogbookRecord) -> Iterator[Told]:
    """Tell what the logbook lacks and where it is, most urgent last."""
    from bringup.runner.protocols import Told

    for text in record.warnings:
        yield Told("event", f"logbook: {text}")
    if record.rescue_file is not None:
        yield Told(
            "event",
            f"logbook: what it lacks of this attempt is kept in {record.rescue_file}; the next `bringup run` with this "
            "logbook takes it in",
        )
    for text in record.unwritten:
        yield Told("event", f"NOT IN THE LOGBOOK, write it down: {text}")


def print_outcome(logbook: Path, outcome: AttemptOutcome, kept_in: Path | None) -> None:
    """Print the attempt with its readings as one JSON document; what was corrected stands apart, under `corrected`.

    As the logbook has it; where that cannot be read, or lacks what is `kept_in` a rescue file, as it went here.
    """
    from bringup.errors import BringupError
    from bringup.logbook.queries import attempt as logged_attempt
    from bringup.logbook.reading import read

    try:
        found = read(logbook, lambda connection: logged_attempt(connection, outcome.id, replaced=True).as_json())
    except BringupError as error:
        found = {"id": outcome.id, "readings": [], "logbook": error.message}
    if kept_in is not None or "logbook" in found:
        found |= {"result": outcome.result.value, "cause": outcome.cause, "off_verified": outcome.off_verified}
        found["kept_in"] = None if kept_in is None else str(kept_in)
        found["not_in_logbook"] = [as_json(reading) for reading in missing(outcome, found["readings"])]
    known = found["readings"]
    # Also by corrections that did not come into the logbook.
    replaced = {reading.replaces for reading in (*outcome.readings, *outcome.unrecorded)}
    corrected = [each for each in known if each["replaced_by"] is not None or each["id"] in replaced]
    found["readings"] = [each for each in known if each not in corrected]
    found["corrected"] = corrected
    print_json(found)


def as_json(reading: Reading) -> dict[str, object]:
    """Return what a person would write down of a reading."""
    return {
        "id": reading.id,
        "step": reading.step + 1,
        "rail": reading.point,
        "quantity": reading.kind.value,
        "value": reading.value,
        "unit": reading.unit,
        "result": reading.result.value,
        "replaces": reading.replaces,
        "at": reading.at.isoformat(),
        "instrument": reading.instrument,
        "raw": reading.raw,
    }


def missing(outcome: AttemptOutcome, known: Sequence[dict[str, object]]) -> list[Reading]:
    """Return the readings of an attempt that are not among those known."""
    ids = {reading["id"] for reading in known}
    return [reading for reading in (*outcome.readings, *outcome.unrecorded) if reading.id not in ids]
