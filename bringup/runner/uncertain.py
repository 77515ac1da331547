"""A reading with its uncertainty, worked out from the bench file's accuracy and how the reading was taken."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from bringup.core.decision import JUDGING, NEEDS, SIMPLE, conformance, decide
from bringup.core.expectation import rule_of
from bringup.core.reading import Reading
from bringup.core.reading_time import Setting, noise_of
from bringup.core.reading_uncertainty import Taken, read_by_instrument, uncertainty_of
from bringup.core.replies import Value
from bringup.core.uncertainty import NotKnown, Uncertainty, in_words
from bringup.core.verdict import full_name
from bringup.core.words import UNIT_OF, Kind, LimitsFrom, Result

if TYPE_CHECKING:
    from bringup.runner.work import Judged, Work  # which calls this


def anew(work: Work, reading: Reading, value: Value, judged: Judged | None) -> Reading:
    """Return a reading whose value was corrected, with an uncertainty of its own, judged by the rule that holds.

    `judged` None: by the rule and the limits that judged it before; what was not judged stays so.
    """
    none = replace(reading, uncertainty=None, coverage_factor=None, degrees_of_freedom=None, uncertainty_from="")
    found = with_uncertainty(work, replace(none, conformance=None), value)
    return found if judged is None and reading.decision_rule == str(SIMPLE) else decided(work, found, judged)


def with_uncertainty(work: Work, reading: Reading, value: Value) -> Reading:
    """Return the reading with its uncertainty where the bench file states an accuracy, else as it is."""
    bench = work.setup.bench
    held = reading.kind is Kind.RESISTANCE and reading.point is not None and bench.probed_by_hand(reading.point)
    leads, noise = work.lead_ohms if held else None, _noise(work, reading, value)
    taken = Taken(value.repeats, leads, work.setup.ambient, value.standard, noise)
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


def _noise(work: Work, reading: Reading, value: Value) -> float | None:
    """Return what the meter scatters by its data sheet when it integrates as long as it did; None: nothing says it."""
    meter = work.setup.bench.meter
    if reading.instrument != "meter" or reading.kind is not Kind.VOLTAGE or meter is None or value.number is None:
        return None
    setting = None if value.nplc is None else Setting(value.full_scale, value.nplc)
    return None if setting is None else noise_of(setting, value.number, meter.integrations)


def standard_of(work: Work, instrument: str, kind: Kind, point: str, value: Value) -> float | None:
    """Return the standard uncertainty of a value that was read and is only worked with; None where it is not known."""
    at, monotonic = work.journal.now()
    reading = Reading(
        step=work.this_step.index, point=point, kind=kind, value=value.number, unit=UNIT_OF[kind], limits=None,
        limits_from=LimitsFrom.NONE, result=Result.RECORDED, at=at, monotonic=monotonic, instrument=instrument,
        raw=value.raw, resolution=value.resolution, meter_range=value.full_scale,
    )  # fmt: skip
    taken = Taken(value.repeats, None, work.setup.ambient, noise=_noise(work, reading, value))
    found = uncertainty_of(reading, work.setup.bench, work.board, taken)
    return found.standard if isinstance(found, Uncertainty) else None


def decided(work: Work, reading: Reading, judged: Judged | None) -> Reading:
    """Return the reading judged by the decision rule that holds for it, with its probability of conformance.

    Simple acceptance holds for what the tool itself looks for, for figures that no instrument reads, and for the band
    round a power budget, which is made of typical figures; or for what the tool waits for. `judged` None: what was
    not judged before stays so.
    """
    if reading.value is None or reading.limits is None:
        return reading
    if reading.uncertainty is not None and reading.coverage_factor:
        standard = reading.uncertainty / reading.coverage_factor
        likely = conformance(reading.value, reading.limits, standard, reading.degrees_of_freedom or math.inf)
        reading = replace(reading, conformance=likely)
    simply = judged is not None and judged.simply
    stays = reading.result is Result.NOT_JUDGED if judged is None else judged.result is not None
    rule = rule_of(work.setup.procedure.steps[reading.step], reading.point, work.board)
    by_budget = reading.kind is Kind.CURRENT and reading.limits_from is LimitsFrom.COMPUTED
    if rule.simple or simply or by_budget or reading.limits_from not in JUDGING or not read_by_instrument(reading):
        return reading
    reading = replace(reading, decision_rule=str(rule))
    if stays or reading.unsettled:
        return reading
    result = decide(reading.value, reading.limits, reading.uncertainty, rule)
    if result is Result.NOT_JUDGED:
        why = (
            reading.uncertainty_from.removeprefix("not known: ") or f"no accuracy of the {reading.instrument} is stated"
        )
        note = f"{NEEDS}: {why}"
        work.tally.missing.append(f"{full_name(reading)}: {note}")
        return replace(reading, result=result, note="; ".join(filter(None, (reading.note, note))))
    if result is Result.CONDITIONAL_PASS:
        said = f"{full_name(reading)} passed conditionally: it lies within the guard band ({rule})"
        work.warnings.setdefault(f"{full_name(reading)} guard band", said)
    return replace(reading, result=result)
