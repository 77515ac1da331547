"""Whether a supply took what it was set to: judged by what it reads back and by what it complains of.

Every doubt raises BrokenOff with both numbers; switching off is the business of whoever catches it.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from bringup.core.bench import Ceiling
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.runner.endings import BrokenOff
from bringup.runner.feed import Feed, within_bounds
from bringup.runner.journal import Journal
from bringup.runner.roles import Done, OutputSettings, Protection

VOLTS_OFF_BY = (0.001, 0.010)
AMPS_OFF_BY = (0.002, 0.005)
"""A set point may come back off by this part of it plus this many V or A: half a digit of a coarse supply."""
KNOB_VOLTS = (0.005, 0.05)
KNOB_AMPS = (0.02, 0.005)
"""The same for a knob and a display of three digits, which a person reads."""
LOWEST_LIMIT = 0.5
"""By hand a current limit may be this part of what was asked for: lower is on the safe side, and the board tells."""


def faultless(journal: Journal, doing: str, done: Done) -> None:
    """Keep what the supply complained of, and refuse to go on if it did."""
    journal.troubles("supply", done.troubles)
    if not done.faultless:
        raise BrokenOff(f"{doing} went wrong: " + "; ".join(trouble.text for trouble in done.troubles))


def judge_setting(
    journal: Journal,
    name: str,
    unit: str,
    asked: float,
    done: Done,
    *,
    at_most: float | None = None,
    at_least: float = 0.0,
    by_hand: bool = False,
) -> None:
    """Refuse what the supply complained of or did not take. From `at_least` to `at_most`, another value will do.

    By hand nothing is judged here: settings are dictated together and compared in `compare_all`, or in `judge_knob`.
    """
    faultless(journal, f"setting the {name} to {format_quantity(asked, unit)}", done)
    if by_hand:
        return
    if done.readback is None:
        journal.event("unread", f"the supply does not read back its {name}")
    elif not alike(asked, done.readback, unit) and (at_most is None or not at_least <= done.readback <= at_most):
        raise differs(name, unit, asked, done.readback)


def compare_all(
    journal: Journal,
    feed: Feed,
    found: OutputSettings,
    ceiling: Ceiling,
    *,
    over_voltage: float | None = None,
    by_hand: bool = False,
) -> tuple[float, float]:
    """Compare every set point, read together, and see that the output is still off. Returns volts and amps as read.

    `over_voltage`: level that the supply's protection was found to be set to; None: it has none that can be set.

    A person can always tell what is shown: `by_hand`, a set point that nobody told is a doubt like any other.
    """
    journal.troubles("supply", found.troubles)
    if any(trouble.errors or trouble.fault or trouble.wrong for trouble in found.troubles):
        raise BrokenOff("reading the settings back went wrong: " + "; ".join(each.text for each in found.troubles))
    judge_knob(feed, ceiling, found.volts, found.amps, by_hand=by_hand)
    pairs = (("voltage", "V", feed.volts, found.volts), ("current limit", "A", feed.current_limit, found.amps))
    for name, unit, asked, read in pairs:
        if read is not None and not by_hand and not alike(asked, read, unit):
            raise differs(name, unit, asked, read)
    if over_voltage is not None and Protection.OVER_VOLTAGE in found.disabled:
        raise not_enabled("over-voltage protection")
    if over_voltage is not None and found.over_voltage is not None and not alike(over_voltage, found.over_voltage, "V"):
        raise differs("over-voltage protection", "V", over_voltage, found.over_voltage)
    if found.on:
        raise BrokenOff(f"{feed.input} is on although nobody has said go")
    volts = feed.volts if found.volts is None else found.volts
    return volts, feed.current_limit if found.amps is None else found.amps


def judge_knob(feed: Feed, ceiling: Ceiling, volts: float | None, amps: float | None, *, by_hand: bool = True) -> None:
    """Refuse what a knob was not to be set to, what it may be off by but must not be here, and what nobody told.

    A knob is not set to the millivolt; what the board bears and the bench permits is no matter of knobs.
    """
    if not by_hand:
        return
    volts = _turned("voltage", "V", feed.volts, volts)
    amps = _turned("current limit", "A", feed.current_limit, amps)
    within_bounds(replace(feed, volts=volts, current_limit=amps), ceiling)


def _turned(name: str, unit: str, asked: float, typed: float | None) -> float:
    wanted = format_quantity(asked, unit)
    if typed is None:
        raise BrokenOff(f"nobody has said what {name} the supply shows ({wanted} was asked for)")
    if not knob_limits(asked, unit).accepts(typed):
        found = format_quantity(typed, unit)
        raise BrokenOff(f"the {name} was to be {wanted}, but {found} was typed as what the supply shows")
    return typed


def differs(name: str, unit: str, asked: float, read: float) -> BrokenOff:
    """Return the error that names both numbers."""
    return BrokenOff(
        f"the {name} was set to {format_quantity(asked, unit)} but the supply reads back {format_quantity(read, unit)}"
    )


def not_enabled(name: str) -> BrokenOff:
    """Return the error of a protection that stays off."""
    return BrokenOff(f"the supply's {name} was switched on, and the supply says that it is off")


def knob_limits(asked: float, unit: str) -> Limits:
    """Return within what a knob counts as set to this value."""
    part, least = KNOB_VOLTS if unit == "V" else KNOB_AMPS
    off = part * abs(asked) + least
    low = asked - off if unit == "V" else LOWEST_LIMIT * asked
    return Limits(unit, Decimal(repr(low)), Decimal(repr(asked + off)), Decimal(repr(asked)))


def alike(asked: float, found: float, unit: str) -> bool:
    """Whether a set point read back is what was asked for, within a coarse supply's resolution."""
    part, least = VOLTS_OFF_BY if unit == "V" else AMPS_OFF_BY
    return abs(asked - found) <= part * abs(asked) + least


def whose_word(on: bool | None, *, by_hand: bool) -> str:
    """Return what is known of an output, and from whom: a person's claim is never told as the supply's own."""
    if on is None:
        return "the person cannot tell whether it is" if by_hand else "the supply does not say"
    state = "on" if on else "off"
    return f"by the person's word it is {state}" if by_hand else f"the supply says that it is {state}"
