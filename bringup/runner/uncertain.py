"""A reading with its uncertainty, worked out from the bench file's accuracy and how the reading was taken."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from bringup.core.reading import Reading
from bringup.core.reading_uncertainty import Taken, uncertainty_of
from bringup.core.replies import Value
from bringup.core.uncertainty import NotKnown, in_words
from bringup.core.words import Kind

if TYPE_CHECKING:
    from bringup.runner.work import Work  # which calls this


def anew(work: Work, reading: Reading, value: Value) -> Reading:
    """Return a reading whose value was corrected, with an uncertainty of its own."""
    none = replace(reading, uncertainty=None, coverage_factor=None, degrees_of_freedom=None, uncertainty_from="")
    return with_uncertainty(work, none, value)


def with_uncertainty(work: Work, reading: Reading, value: Value) -> Reading:
    """Return the reading with its uncertainty where the bench file states an accuracy, else as it is."""
    bench = work.setup.bench
    held = reading.kind is Kind.RESISTANCE and reading.point is not None and bench.probed_by_hand(reading.point)
    taken = Taken(value.repeats, work.lead_ohms if held else None, work.setup.ambient)
    found = uncertainty_of(reading, bench, work.board, taken)
    if found is None:
        return reading
    if isinstance(found, NotKnown):
        return replace(reading, uncertainty_from=f"not known: {found.why}")
    assumed = f"; taken for granted: {', '.join(found.assumed)}" if found.assumed else ""
    return replace(
        reading,
        uncertainty=found.expanded,
        coverage_factor=found.factor,
        degrees_of_freedom=None if math.isinf(found.degrees) else found.degrees,
        uncertainty_from=in_words(found) + assumed,
    )
