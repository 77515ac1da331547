"""Pages out of templates, with the words that every page writes: values, limits, times and results as in tables."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from bringup.commands.history import EVENT_WORDS
from bringup.commands.standing import reference_text
from bringup.commands.tables import (
    failure_text,
    limits_text,
    local_time,
    quantity_text,
    remarks,
    result_text,
    value_text,
)
from bringup.core.reading import Reading
from bringup.core.wording import limits_text as short_limits
from bringup.core.wording import probability_text, uncertainty_text
from bringup.core.words import MISSED, StepOutcome
from bringup.logbook.filters import ID_SHOWN
from bringup.logbook.rows import LoggedEvent, LoggedReading, LoggedStep
from bringup.logbook.traces import Instrument
from bringup.pages.addresses import attempt_address, lot_address, rail_address, unit_address
from bringup.pages.place import place_of
from bringup.pages.rendering import Words, environment

ALONE = {"sheet": "", "asked": "", "again": 0}
"""What templates/page.html wants to know of a page that stands by itself."""
SIMPLE = "simple acceptance"


def page(template: str, **facts: Any) -> str:
    """Return the page that the template of that name makes of the facts."""
    return str(environment(WORDS).get_template(template).render({**ALONE, **facts}))


def failed(logged: LoggedReading) -> bool:
    """Whether a reading is one that did not pass."""
    return logged.reading.result in MISSED


def _as_image(drawn: str) -> str:
    """A picture as an image's address: a site's pages may hold no style but its sheet, which drawn curves do."""
    return f"data:image/svg+xml;base64,{base64.b64encode(str(drawn).encode()).decode()}"


def _current(readings: Iterable[LoggedReading]) -> list[LoggedReading]:
    """Those readings that no later one corrects."""
    return [each for each in readings if not each.replaced_by]


def _of_failed(readings: Iterable[LoggedReading]) -> list[LoggedReading]:
    """Those of them that did not pass."""
    return [each for each in _current(readings) if failed(each)]


def _remarks_of(logged: LoggedReading) -> str:
    """What sets a reading apart, but that it is simulated: that stands across the whole page."""
    return "; ".join(filter(None, (remarks(logged), logged.reading.note)))


def _outcome_text(step: LoggedStep) -> str:
    """What became of a step, and who said so."""
    outcome = "begun, not ended" if step.outcome is None else step.outcome.value
    if step.outcome is StepOutcome.LEFT_OUT:
        outcome += f"{' by ' + step.who if step.who else ''}: {step.why}"
    if step.carried_from:
        outcome += f", in attempt {_short_id(step.carried_from)}"
    return outcome


def _short_id(identity: str) -> str:
    return identity[:ID_SHOWN]


def _overdue(instrument: Instrument, when: datetime) -> bool:
    """Whether the calibration of an instrument was overdue then, by the local date."""
    due = instrument.calibration_due
    return bool(due) and date.fromisoformat(due) < when.astimezone().date()


def _uncertainty(reading: Reading) -> str:
    """The expanded uncertainty with what it is expanded by; '' where it is not known."""
    if reading.uncertainty is None:
        return ""
    words = [f"± {uncertainty_text(reading.uncertainty, reading.unit)}"]
    if reading.coverage_factor is not None:
        words.append(f"(k = {reading.coverage_factor:.2g})")
    return " ".join(word.replace(" ", "\N{NO-BREAK SPACE}") for word in words)


def _decided(reading: Reading) -> str:
    """By what rule a reading was judged, where it is not simple acceptance, and how likely it lies within."""
    words = [] if reading.decision_rule == SIMPLE else [f"decided by {reading.decision_rule}"]
    if reading.conformance is not None:
        words.append(f"within its limits with {probability_text(reading.conformance)}")
    return ", ".join(words)


def _unbroken(text: str) -> str:
    """A text with no line broken between a number and its unit."""
    return re.sub(r"(?<=\d) (?=[^\W\d]|[%°])", "\N{NO-BREAK SPACE}", text)


def _clock_time(at: datetime) -> str:
    """The local time of day, to the millisecond."""
    return f"{at.astimezone():%H:%M:%S.%f}"[:-3]


def _event_word(event: LoggedEvent) -> str:
    """What a kind of event is called."""
    return EVENT_WORDS.get(event.kind, event.kind.replace("-", " "))


WORDS: Words = {
    "current": _current,
    "decided": _decided,
    "uncertainty": _uncertainty,
    "as_image": _as_image,
    "attempt_address": attempt_address,
    "clock_time": _clock_time,
    "event_word": _event_word,
    "failed": failed,
    "failure_text": failure_text,
    "limits": short_limits,
    "limits_text": limits_text,
    "local_time": local_time,
    "lot_address": lot_address,
    "of_failed": _of_failed,
    "outcome_text": _outcome_text,
    "overdue": _overdue,
    "place_in": place_of,
    "quantity_text": quantity_text,
    "rail_address": rail_address,
    "reference_text": reference_text,
    "remarks_of": _remarks_of,
    "result_text": result_text,
    "short_id": _short_id,
    "unbroken": _unbroken,
    "unit_address": unit_address,
    "value_text": value_text,
}
"""Filters of the templates."""
