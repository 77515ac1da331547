"""`leads`: signed volts at the free ends of an input's supply leads, before they are plugged into the board.

Catches reversed leads, another output than meant, a supply that does not carry what it shows. The board is unplugged
all the while; a reading outside its limits, or of the other sign whatever the limits say, ends the attempt, whatever
`on_fail` says.
"""

from __future__ import annotations

from bringup.core.arming import LeadsPlan, plan_leads
from bringup.core.procedure import Leads
from bringup.core.protection import damage_level
from bringup.core.reading import AT_LEADS, Reading
from bringup.core.verdict import sentence
from bringup.core.wording import shown
from bringup.core.words import PASSED, Kind, Result
from bringup.runner.endings import BrokenOff, Trip
from bringup.runner.feed import Feed, planned
from bringup.runner.hands import LeadsPlace
from bringup.runner.in_volts import volts_before_power
from bringup.runner.measuring import settled
from bringup.runner.roles import Function
from bringup.runner.sureness import around_of
from bringup.runner.work import Judged, Work

LIMIT_TIME = 0.2
"""Seconds of current limit allowed: there is nothing to charge at free ends."""


def leads(work: Work, action: Leads) -> None:
    """Measure the free ends at the input's final voltage, then off again."""
    plan = plan_leads(action, work.setup.procedure, work.setup.bench)
    work.evidence.doubt_leads(plan.input)
    work.move_leads(LeadsPlace.FREE, f"the leads of {plan.input} are unplugged", (plan.input,))
    try:
        reading = _read(work, plan)
    except Trip as trip:
        # The board is not connected: whatever tripped, the unit has nothing to do with it.
        raise BrokenOff(f"at the free leads: {trip.cause}") from trip
    if reading.result in PASSED:
        work.evidence.trust_leads(plan.input)
        if reading.value is not None and reading.input_volts is not None:
            work.evidence.apart[plan.input] = plan.volts, reading.input_volts - abs(reading.value)
        return
    why = sentence(reading)
    if reading.note and reading.note not in why:
        why += f": {reading.note}"
    if reading.input_volts is not None:
        why += f" (the supply itself reads {shown(reading.input_volts, 'V')})"
    if work.remote_sense(plan.input) and reading.value is not None:
        why += "; with `sense: remote` a sense lead that is open, loose or not joined to the same end does that"
    if reading.value is None:
        raise BrokenOff(f"{why}: without it the leads may not be plugged in")
    # Whatever the ends carry, no board is on them: it is the bench that is wrong, and nothing is said of the unit.
    raise BrokenOff(f"{why}; the bench is wrong, the board was not connected")


def _read(work: Work, plan: LeadsPlan) -> Reading:
    """Switch on, measure the free ends, switch off."""
    sense = ", the sense leads joined to the same ends" if work.remote_sense(plan.input) else ""
    go = f"Leads of {plan.input} FREE{sense}, their ends on the meter and on nothing else, {shown(plan.volts, 'V')}"
    volts_before_power(work, plan.input)
    work.power.up(_feed(work, plan), go)
    work.hands.probe(plan.input)
    found = settled(work, Function.DC_VOLTS, plan.input, around=around_of(plan.limits), limits=plan.limits)
    judged = Judged(plan.limits, plan.limits_from, *_against(work, plan, found.value.number))
    reading = work.keep_settled(plan.input, Kind.VOLTAGE, found, judged, aspect=AT_LEADS)
    # The board is unplugged: what its reading comes to is said by `leads`, not by a trip of the unit.
    work.power.answered()
    work.power.all_off()
    return reading


def _against(work: Work, plan: LeadsPlan, volts: float | None) -> tuple[Result | None, str]:
    """Return what fails the leads whatever limits the step states, with the reason: limits may be too wide."""
    if volts is None:
        return None, ""
    damage, where = damage_level(work.board, plan.input)
    if volts * plan.volts < 0:
        return Result.FAIL, "the leads are reversed"
    if volts == 0:
        return Result.FAIL, "nothing arrives"
    if damage is not None and abs(volts) >= damage:
        return Result.FAIL, f"{shown(damage, 'V')} damage {where}"
    return None, ""


def _feed(work: Work, plan: LeadsPlan) -> Feed:
    return planned(
        plan,
        work.board,
        plan.volts,
        limit_time=LIMIT_TIME,
        trip_current=plan.current_limit,
        remote_sense=work.remote_sense(plan.input),
    )
