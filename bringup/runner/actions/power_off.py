"""`power_off`: everything off, verified, and then wait until the board's inputs have discharged.

The voltage is read by the meter at the input where it can touch it, else as the supply reports it at its terminals.
It is judged by the step's `discharged_below`, by magnitude; a board that stays charged is said so in plain words.
"""

from __future__ import annotations

from decimal import Decimal

from bringup.core.limits import Limits
from bringup.core.procedure import PowerOff
from bringup.core.quantity import Quantity, format_quantity
from bringup.core.replies import Value
from bringup.core.verdict import sentence
from bringup.core.words import How, Kind, LimitsFrom
from bringup.runner.feed import Feed
from bringup.runner.measuring import read_once, sample_volts
from bringup.runner.roles import Function
from bringup.runner.work import Judged, Work

LONGEST = 60.0
"""Seconds that discharging may take."""
EVERY = 0.2


def power_off(work: Work, action: PowerOff) -> None:
    """Switch off in reverse order and wait for the discharge of each input that was on."""
    were_on = work.power.on
    work.power.all_off()
    if action.discharged_below is not None:
        for feed in were_on:
            discharge(work, feed, action.discharged_below)


def discharged_limits(below: Quantity) -> Limits:
    """Return `discharged_below` as limits: as far below zero as above, for a charge of either sign is one."""
    end = abs(Decimal(below.value))
    return Limits("V", low=-end, high=end, text=f"< {below}")


def discharge(work: Work, feed: Feed, below: Quantity) -> None:
    """Wait until an input that is off has discharged, and keep the volts it came to, judged."""
    by_meter = work.setup.meter is not None and bool(work.board.inputs[feed.input].probe)
    if work.power.by_hand and not by_meter:
        return
    if by_meter:
        work.hands.probe(feed.input)
    limits = discharged_limits(below)
    until = work.waits.clock.monotonic() + LONGEST
    while True:
        value = _volts(work, feed, by_meter=by_meter)
        low = value.number is not None and limits.accepts(value.number)
        late = work.waits.clock.monotonic() >= until
        if low or late or work.lost.lost:
            break
        work.waits.sleep(EVERY, f"{feed.input} discharges")
    instrument, aspect = ("meter", "after power off") if by_meter else ("supply", "after power off, at the supply")
    how = How.TYPED if by_meter and work.meter.by_hand else How.READ
    judged = Judged(limits, LimitsFrom.PROCEDURE, simply=True)
    reading = work.keep(feed.input, Kind.VOLTAGE, value, judged, instrument=instrument, how=how, aspect=aspect)
    if not low and value.number is not None:
        found = format_quantity(value.number, "V", resolution=value.resolution)
        text = f"{feed.input} still carries {found} after {LONGEST:g} s (wanted below {below}): keep off the board"
        work.journal.event("not-discharged", text)
        work.tally.failed[:] = [text if each == sentence(reading) else each for each in work.tally.failed]


def _volts(work: Work, feed: Feed, *, by_meter: bool) -> Value:
    if by_meter:
        return read_once(work, Function.DC_VOLTS, feed.input, around=feed.volts)
    return sample_volts(work.power.look_once(feed.output))
