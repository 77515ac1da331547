"""What the preview says of uncertainty: for each judged reading its expanded uncertainty, ratio and rule. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from bringup.core.columns import table
from bringup.core.foreseen import Foreseen
from bringup.core.safety_decisions import ratio_text
from bringup.core.uncertainty import Uncertainty, in_words
from bringup.core.wording import limits_text, listed, shown, uncertainty_text


def uncertainty_lines(readings: Sequence[Foreseen]) -> Iterator[str]:
    """List the ratios of every reading for which an accuracy is stated, each point once; nothing where none is."""
    stated: dict[tuple[object, ...], Foreseen] = {}
    for one in readings:
        if one.uncertainty is not None:
            stated.setdefault((one.point, one.kind, one.limits.low, one.limits.high, str(one.rule)), one)
    if not stated:
        return
    yield "Uncertainty (95.45 %), and test uncertainty ratio (half the limits' width over it):"
    rows = [_row(one) for one in stated.values()]
    yield from (f"  {line}" for line in table(rows))
    known = [one.uncertainty for one in stated.values() if isinstance(one.uncertainty, Uncertainty)]
    if assumed := dict.fromkeys(text for each in known for text in each.assumed):
        yield f"  taken for granted, where the data sheet asks for it: {listed(assumed)}"
    yield ""


def _row(one: Foreseen) -> tuple[str, ...]:
    known = one.uncertainty
    name, limits = f"{one.point} {one.kind}", limits_text(one.limits)
    if not isinstance(known, Uncertainty):
        why = "" if known is None else known.why
        return name, limits, "not known", "", "", why
    ratio = "" if one.ratio is None else ratio_text(one.ratio)
    rule = "" if one.rule.simple else str(one.rule)
    return name, limits, f"± {uncertainty_text(known.expanded, one.limits.unit)}", ratio, rule, _set_to(one)


def _set_to(one: Foreseen) -> str:
    """Say what the meter is set to for it, where that is not the same for all."""
    if one.setting is None:
        return ""
    scale = "" if one.setting.full_scale is None else f", {shown(one.setting.full_scale, one.limits.unit)} range"
    return f"{one.setting.nplc:g} NPLC{scale}"


def uncertainty_data(one: Foreseen) -> dict[str, object]:
    """Return one as plain data."""
    known = one.uncertainty
    data: dict[str, object] = {
        "step": one.step + 1,
        "point": one.point,
        "quantity": one.kind.value,
        "unit": one.limits.unit,
        "decision_rule": str(one.rule),
        "ratio": one.ratio,
        "nplc": None if one.setting is None else one.setting.nplc,
        "range": None if one.setting is None else one.setting.full_scale,
    }
    if isinstance(known, Uncertainty):
        infinite = math.isinf(known.degrees)
        return data | {
            "uncertainty": known.expanded,
            "coverage_factor": known.factor,
            "degrees_of_freedom": None if infinite else known.degrees,
            "uncertainty_from": in_words(known),
        }
    return data | {"uncertainty": None, "uncertainty_from": None if known is None else f"not known: {known.why}"}
