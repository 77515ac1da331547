"""The supply's own protections: their levels, its communication watchdog, and trips that are to be cleared.

The watchdog is armed when everything is set and the person has said go, and switched off once every output is verified
off; where that cannot be verified it stays armed. A trip is cleared by the operator's word only: the output is off by
then, verified, and its voltage at the minimum, for some supplies come back on when they are cleared.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TypeVar

from bringup.core.quantity import format_quantity
from bringup.errors import LinkError
from bringup.runner.endings import BrokenOff, SupplyLost
from bringup.runner.feed import Feed
from bringup.runner.journal import Journal
from bringup.runner.pending import Pending
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.readback import faultless, judge_setting, not_enabled
from bringup.runner.roles import Done, Protection, Supply
from bringup.runner.wait import WaitPoint

T = TypeVar("T")

MAY_TRIP_LATE = "where nobody could switch it off after the outputs, it trips with them off: it need not have cut power"
"""Said of a trip of the watchdog: it need not mean that anything went wrong while the output was on."""


COARSE = {"V": (0.05, 0.1), "A": (0.05, 0.02)}
"""Protection is set in coarser steps than the output: a level may come back off by this part of it plus this many V or
A (common practice, no source), as long as it lies below what must not be passed."""


class Protecting:
    """What one attempt does with the supply's watchdog and its trips."""

    def __init__(self, waits: WaitPoint, journal: Journal) -> None:
        self._waits = waits
        self._journal = journal
        self._armed: dict[str, int] = {}
        """Supply -> the output at which its watchdog was armed."""
        self.watchdogs: Mapping[str, float | None] = {}
        """Supply -> seconds of silence that its watchdog is set to; None: not to be used."""
        self.over_voltage: float | None = None
        """Level of the over-voltage protection that was set last, as far as the supply tells; None: there is none."""
        self._untold: set[str] = set()
        """What was said already to be no business of this supply's."""

    def levels(self, supply: Supply, feed: Feed) -> Feed:
        """Over-voltage protection on, over-current protection off until start-up is over. Returns how it is fed now.

        Raises BrokenOff where the supply says that the protection is off, or at another level.
        """
        said = self.against_over_voltage(supply, feed)
        self.over_current(supply, feed, None)
        return replace(feed, protected=said)

    def against_over_voltage(self, supply: Supply, feed: Feed) -> str:
        """Set over-voltage protection to the feed's level and see that it is on. Returns what became of it, in words.

        Raises BrokenOff as `levels` does.
        """
        self.over_voltage, said = None, ""
        if feed.over_voltage is not None and supply.can_protect(feed.output, Protection.OVER_VOLTAGE):
            name, whose = "over-voltage protection", supply.instrument(feed.output)
            pending = supply.set_protection(feed.output, Protection.OVER_VOLTAGE, feed.over_voltage)
            done = self._result(pending, name)
            self._judge(name, "V", feed.over_voltage, done, feed.damage_above, by_hand=supply.by_hand)
            self.over_voltage = feed.over_voltage if done.readback is None else done.readback
            said = f"{name} {format_quantity(self.over_voltage, 'V')}{self._enabled(whose, name, done)}"
        elif feed.over_voltage is not None and not supply.by_hand:
            said = "no over-voltage protection: this supply has none that can be set from here"
        return said

    def sense(self, supply: Supply, feed: Feed) -> Feed:
        """Sense where the bench file says, and say so. Raises BrokenOff.

        A supply that cannot choose senses at its terminals, as far as the tool can know.
        """
        if supply.by_hand and not feed.remote_sense:
            return feed
        done = self._result(supply.set_remote_sense(feed.output, feed.remote_sense), "where it senses")
        self._journal.troubles("supply", done.troubles if feed.remote_sense or not done.faultless else ())
        if feed.remote_sense != bool(done.on) or not done.faultless:
            wanted = "at the board, not at its terminals" if feed.remote_sense else "at its terminals, not at the board"
            raise BrokenOff(f"the supply is to sense {wanted}, and does not ({feed.input})")
        said = "sense: at its terminals, unless its straps say otherwise (nothing to ask it by)"
        if done.on is not None:
            where = "remote, at the board" if done.on else "local, at its terminals"
            said = f"sense: {where}{'' if supply.by_hand else ' (read back)'}"
        return replace(feed, sensed=said)

    def _enabled(self, whose: str, name: str, done: Done, *, on: bool = True) -> str:
        """See that a protection is on (or off). Returns what to add where the supply cannot be asked."""
        if done.on is None:
            untold = f"the {whose} cannot be asked whether its {name} is on"
            if untold not in self._untold:
                self._journal.event("unread", untold)
            self._untold.add(untold)
            return " (the supply cannot be asked whether it is on)"
        if on and not done.on:
            raise not_enabled(name)
        if done.on and not on:
            raise BrokenOff(
                f"the {whose}'s {name} was switched off for the start-up, and the supply says that it is on"
            )
        return ""

    def over_current(self, supply: Supply, feed: Feed, level: float | None, delay: float = 0.0) -> float | None:
        """Set over-current protection, or switch it off. Returns the level that the supply reads back."""
        if not supply.can_protect(feed.output, Protection.OVER_CURRENT):
            return None
        whose = supply.instrument(feed.output)
        pending = supply.set_protection(feed.output, Protection.OVER_CURRENT, level, delay)
        done = self._said_once(self._result(pending, "over-current protection"))
        if level is None:
            faultless(self._journal, "over-current protection off", done)
            self._enabled(whose, "over-current protection", done, on=False)
            return None
        self._judge("over-current protection", "A", level, done, feed.current_limit, by_hand=supply.by_hand)
        self._enabled(whose, "over-current protection", done)
        return done.readback

    def _said_once(self, done: Done) -> Done:
        """Return it without what is only worth knowing and was told before: a sweep sets a protection at each point."""
        wrong = [each for each in done.troubles if each.errors or each.fault or each.wrong or each.strays]
        new = [each for each in done.troubles if each not in wrong and each.text not in self._untold]
        self._untold.update(each.text for each in new)
        return replace(done, troubles=(*wrong, *new))

    def _judge(self, name: str, unit: str, level: float, done: Done, most: float | None, *, by_hand: bool) -> None:
        part, least = COARSE[unit]
        off = part * abs(level) + least
        highest = level + off if most is None else min(most, level + off)
        judge_setting(self._journal, name, unit, level, done, at_most=highest, at_least=level - off, by_hand=by_hand)

    def arm(self, supply: Supply, feed: Feed) -> None:
        """Arm the watchdog if there is one and it is not armed yet. Raises BrokenOff if the supply does not take it."""
        whose = supply.instrument(feed.output)
        seconds = self.watchdogs.get(whose)
        if seconds is None or whose in self._armed or not supply.can_protect(feed.output, Protection.WATCHDOG):
            return
        self._armed[whose] = feed.output
        done = self._result(supply.set_protection(feed.output, Protection.WATCHDOG, seconds), "its watchdog")
        judge_setting(self._journal, "communication watchdog", "s", seconds, done)
        if done.on is False:
            raise BrokenOff(f"the {whose}'s communication watchdog was to be on, and the supply says that it is not")
        text = f"the {whose} switches off by itself when it hears nothing for {format_quantity(seconds, 's')}"
        self._journal.event("watchdog", text, show="")

    def disarm(self, supply: Supply, still_on: Iterable[int] = ()) -> None:
        """Switch the watchdog off again where every output is verified off. Never raises: nothing is on there."""
        fed = {supply.instrument(output) for output in still_on}
        for whose in [each for each in self._armed if each not in fed]:
            self._disarm(supply, self._armed.pop(whose), whose)

    def _disarm(self, supply: Supply, output: int, whose: str) -> None:
        try:
            done = self._waits.result(supply.set_protection(output, Protection.WATCHDOG, None), whose, "its watchdog")
            said = "; ".join(trouble.text for trouble in done.troubles) or "it says that it is on"
            why = "" if done.faultless and not done.on else said
        except LinkError as error:
            why = error.message
        if why:
            text = f"the {whose}'s communication watchdog could not be switched off again: {why}"
            self._journal.event_if_possible("watchdog", f"{text}. It may trip later, with the output off")

    def clear_old_trip(self, supply: Supply, feed: Feed, *, somebody: bool) -> bool:
        """Clear a trip that an earlier attempt left, if the person says so. The output is off, its voltage lowered.

        Returns whether one was cleared: the caller verifies once more that the output is off.
        """
        if supply.by_hand:
            return False
        tripped = self._result(supply.poll(feed.output), f"looking at {supply.called(feed.output)}").tripped
        if not tripped:
            return False
        if not somebody:
            raise BrokenOff(f"the supply's {tripped} has tripped on {feed.input} before; nobody is here to clear it")
        text = f"the supply's {tripped} has tripped on {feed.input} before: Enter clears it"
        lines: tuple[str, ...] = ("find out why before you do", "its output is off, its voltage at the minimum")
        if tripped == Protection.WATCHDOG:
            lines = (MAY_TRIP_LATE, *lines)
        self._waits.answer(Prompt(PromptKind.GO, text, lines=lines, suggestion="clear it"))
        done = self._result(supply.clear_trip(feed.output), "clearing the trip")
        self._journal.event("trip-cleared", f"an earlier trip of the {tripped} on {feed.input} was cleared")
        if done.on:
            text = f"{feed.input} came back on when its trip was cleared, with its voltage at the minimum: off again"
            self._journal.event("came-back-on", text)
        faultless(self._journal, "clearing the trip", done)
        return True

    def _result(self, pending: Pending[T], doing: str) -> T:
        try:
            return self._waits.result(pending, "supply", doing)
        except LinkError as error:
            raise SupplyLost(f"the supply is lost: {error.message}") from error
