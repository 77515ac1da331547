"""The ohms of the meter's own leads: measured once per meter and sitting, kept, and taken off every resistance.

Where somebody holds the leads, two tenths of an ohm of what a meter shows are its own. Wired points and
scanners have no tips that could be held together: there the rule of thumb allows for leads instead.
"""

from __future__ import annotations

from dataclasses import replace

from bringup.core.expectation import LEAD_OHMS
from bringup.core.replies import Value
from bringup.core.spots import METER_LEADS, Spot
from bringup.core.unpowered import Resistance
from bringup.core.wording import shown
from bringup.core.words import How, Kind, Result
from bringup.runner.measuring import settled
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.roles import Function
from bringup.runner.work import RECORDED, Judged, Work

MOST = 2.0
"""Ohms that sound leads stay below by far: more are tips that do not touch (common practice, no source)."""
AGAIN, WITHOUT = "the tips are together: measure again", "go on without: nothing is taken off"
NAMED = "the meter's own leads"


def null_leads(work: Work, action: Resistance) -> None:
    """See to it that the ohms of the meter's leads are known, where somebody holds them."""
    work.lead_ohms = None
    bench = work.setup.bench
    if not work.can_answer or not any(bench.probed_by_hand(point) for point in action.touched):
        return
    known = work.setup.nulled.get(_meter(work))
    if known is not None:
        work.lead_ohms = known
        text = "measured earlier in this sitting"
        work.keep(None, Kind.RESISTANCE, Value(known, text), RECORDED, how=How.DERIVED, aspect=METER_LEADS)
        return
    doubted: str | None = None
    while True:
        work.hands.across(None, None)
        found = settled(work, Function.OHMS, NAMED)
        ohms = found.value.number
        good = ohms is not None and abs(ohms) <= MOST and found.spread is None
        judged = RECORDED if good else Judged(result=Result.NOT_JUDGED, note="the tips do not touch, or a lead is bad")
        doubted = work.keep_settled(
            None, Kind.RESISTANCE, replace(found, spread=None), judged, aspect=METER_LEADS, replaces=doubted
        ).id
        if good and ohms is not None:
            take_off(work, ohms)
            return
        shown_as = "over range" if ohms is None else shown(ohms, "ohm")
        text = f"the meter's leads read {shown_as} with their tips together; sound ones read {LEAD_OHMS} Ω or so"
        asked = Prompt(PromptKind.CHOICE, text, choices=(AGAIN, WITHOUT), suggestion=WITHOUT)
        if work.waits.answer(asked).text == WITHOUT:
            work.journal.event("meter-leads", f"{text}: nothing is taken off")
            return


def take_off(work: Work, ohms: float) -> None:
    """Take so many ohms off every resistance from here on."""
    work.lead_ohms = work.setup.nulled[_meter(work)] = ohms
    work.journal.event("meter-leads", f"the meter's own leads have {shown(ohms, 'ohm')}: taken off every resistance")


def leads_at(work: Work, spot: Spot) -> float | None:
    """Return the ohms of the leads that stand on this place; None: nobody measured those, such as a scanner's."""
    held = not spot.plain or work.setup.bench.probed_by_hand(spot.point)
    return work.lead_ohms if held else None


def less_leads(work: Work, spot: Spot, value: Value) -> Value:
    """Return the ohms without those of the leads; the reply stays as it came."""
    leads = leads_at(work, spot)
    if value.number is None or leads is None:
        return value
    return replace(value, number=value.number - leads)


def _meter(work: Work) -> str:
    """Return what this meter is known by for a sitting."""
    info = work.meter.info
    return f"{work.setup.bench.name}: {'by hand' if info.identity is None else info.identity.text}"
