"""`power_off`: everything off, verified, and then wait until the board's inputs have discharged.

The voltage is read by the meter at the input where it can touch it, else as the supply reports it at its terminals.
A board that stays charged is said so in plain words; nothing is judged by it.
"""

from __future__ import annotations

from bringup.core.procedure import PowerOff
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.words import How, Kind
from bringup.runner.feed import Feed
from bringup.runner.measuring import read_once, sample_volts
from bringup.runner.roles import Function
from bringup.runner.work import RECORDED, Work

LONGEST = 60.0
"""Seconds that discharging may take."""
EVERY = 0.2


def power_off(work: Work, action: PowerOff) -> None:
    """Switch off in reverse order and wait for the discharge of each input that was on."""
    were_on = work.power.on
    work.power.all_off()
    if action.discharged_below is not None:
        for feed in were_on:
            _discharge(work, feed, action.discharged_below.number)


def _discharge(work: Work, feed: Feed, below: float) -> None:
    by_meter = work.setup.meter is not None and bool(work.board.inputs[feed.input].probe)
    if work.power.by_hand and not by_meter:
        return
    if by_meter:
        work.hands.probe(feed.input)
    until = work.waits.clock.monotonic() + LONGEST
    while True:
        value = _volts(work, feed, by_meter=by_meter)
        low = value.number is not None and abs(value.number) < below
        late = work.waits.clock.monotonic() >= until
        if low or late:
            break
        work.waits.sleep(EVERY, f"{feed.input} discharges")
    instrument, aspect = ("meter", "after power off") if by_meter else ("supply", "after power off, at the supply")
    how = How.TYPED if by_meter and work.meter.by_hand else How.READ
    work.keep(feed.input, Kind.VOLTAGE, value, RECORDED, instrument=instrument, how=how, aspect=aspect)
    if not low and value.number is not None:
        found, wanted = format_quantity(value.number, "V"), format_quantity(below, "V")
        text = f"{feed.input} still carries {found} after {LONGEST:g} s (wanted below {wanted}): keep off the board"
        work.journal.event("not-discharged", text)
        work.tally.missing.append(text)


def _volts(work: Work, feed: Feed, *, by_meter: bool) -> Value:
    if by_meter:
        return read_once(work, Function.DC_VOLTS, feed.input, around=feed.volts)
    return sample_volts(work.power.look_once(feed.output))
