"""Switching inputs on and off, always in the same order, always verified by asking.

On: off (verified), voltage to minimum, current limit, over-voltage, over-current off (it comes after start-up),
voltage, everything read back and compared, errors looked at, the person's go, on, asked again. Off: in reverse
order of switching on. Emergency: every output at once, nothing recorded first, asked again, tried again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from bringup.core.bench import Ceiling
from bringup.core.quantity import format_quantity
from bringup.errors import LinkError
from bringup.runner.dropped_link import LINGERED, settings_of
from bringup.runner.emergency import BOUND, BOUND_OF_ONE, Alarm, cut_off, emergency_off
from bringup.runner.endings import BrokenOff, SupplyLost, Trip
from bringup.runner.feed import Feed, within_bounds
from bringup.runner.go import ask_go, given
from bringup.runner.guarding import Guarding
from bringup.runner.journal import Journal
from bringup.runner.looks import watched_for
from bringup.runner.pending import Pending
from bringup.runner.protecting import Protecting
from bringup.runner.readback import compare_all, faultless, judge_knob, judge_setting, whose_word
from bringup.runner.records import PollSample
from bringup.runner.roles import Done, OutputSettings, Supply
from bringup.runner.sinking import Sinking
from bringup.runner.wait import WaitPoint
from bringup.runner.watch import Watch

T = TypeVar("T")


class Power:
    """The supply's outputs in one attempt. The only module that switches anything on."""

    def __init__(self, supply: Supply | None, waits: WaitPoint, watch: Watch, journal: Journal) -> None:
        self._supply = supply
        self._waits = waits
        self._guarding = Guarding(None if supply is None or supply.by_hand else watch.guard, waits)
        self._watch = watch
        self._journal = journal
        self.protecting = Protecting(waits, journal)
        self._on: list[Feed] = []
        self._touched = False
        """Whether anything was ever set: from then on every way out switches off."""
        self._doubtful: set[int] = set()
        """Outputs that were not verified off since they were switched on, found on or told to be off."""
        self.cut_for: Trip | None = None
        """For what power was cut before it could be kept."""
        self.off_verified: bool | None = None
        """Whether all outputs are known to be off; None: nothing was ever switched on."""
        self.unseen = False
        """Whether nobody saw what became of the board before its outputs were off, if they are."""
        self.bug: Exception | None = None
        """What went wrong in telling of an emergency; to be raised in the end."""
        self.on_found_on: Callable[[int], None] = lambda _output: None
        """What is to be found out of an output that was found on, now that it is off."""
        self.sinking = Sinking(None, waits, watch.load, journal)
        """The load, which goes off with what feeds it."""
        self.left_alone: frozenset[int] = frozenset()
        self.ceiling_of: Callable[[int], Ceiling] = lambda _output: Ceiling()
        self.somebody = True
        """Whether somebody can say go; without anybody the attempt was permitted beforehand, or refused."""

    @property
    def supply(self) -> Supply:
        """The supply. Raises BrokenOff where the bench has none: a procedure that needs it is refused earlier."""
        if self._supply is None:
            raise BrokenOff("this bench has no supply")
        return self._supply

    @property
    def by_hand(self) -> bool:
        """Whether a person sets and reads the supply."""
        return self.supply.by_hand

    @property
    def on(self) -> tuple[Feed, ...]:
        """What is on (or may be), in the order of switching on."""
        return tuple(self._on)

    def feed_of(self, name: str) -> Feed | None:
        """How that input is fed at this moment; None if it is off."""
        return next((feed for feed in self._on if feed.input == name), None)

    # on

    def up(self, feed: Feed, go: str, *, agreed: bool = False, changed: Callable[[], bool] = lambda: False) -> None:
        """Switch an input on in the fixed order; `go` tells what for (go.ask_go, as the others). Raises an Ending."""
        if feed.output not in self.supply.outputs():
            raise BrokenOff(f"{feed.input} is fed by no output of the supply that was met: nothing was set")
        within_bounds(feed, self.ceiling_of(feed.output))
        self._guarding.ready(feed.input)
        self.off(feed.output)
        self._set("voltage at its minimum", "V", 0.0, self.supply.set_voltage(feed.output, 0.0), at_most=feed.volts)
        self._doubtful.add(feed.output)  # some come back on when a trip is cleared
        if self.protecting.clear_old_trip(self.supply, feed, somebody=self.somebody):
            self.off(feed.output)
        self._doubtful.discard(feed.output)
        limited = self.supply.set_current_limit(feed.output, feed.current_limit)
        self._set("current limit", "A", feed.current_limit, limited)
        feed = self.protecting.levels(self.supply, feed)
        feed = self.protecting.sense(self.supply, feed)
        self._set("voltage", "V", feed.volts, self.supply.set_voltage(feed.output, feed.volts))
        found, asked = self._read_back(feed), self._waits.clock.monotonic()
        by_hand, somebody = self.by_hand, self.somebody
        ask_go(self._waits, self._journal, feed, go, by_hand=by_hand, somebody=somebody, agreed=agreed, changed=changed)
        with given(self._waits):
            if not self.by_hand and self._waits.clock.monotonic() - asked > LINGERED:
                found = self._read_back(feed)
            self._switch_on(feed, found)

    def _read_back(self, feed: Feed) -> OutputSettings:
        """Read everything back and compare it, the output being off. Raises BrokenOff."""
        found = settings_of(self.supply, feed.output, self._result, self._journal)
        most, level = self.ceiling_of(feed.output), self.protecting.over_voltage
        volts, amps = compare_all(self._journal, feed, found, most, over_voltage=level, by_hand=self.by_hand)
        return replace(found, volts=volts, amps=amps)

    def step_to(self, feed: Feed) -> None:
        """Bring an input that is on to another voltage. The supply's over-current protection waits meanwhile."""
        within_bounds(feed, self.ceiling_of(feed.output))
        if (watched := self._watch.of(feed.output)) is not None:
            watched.valid_from = watched.start_up_until = float("inf")
            watched.limit_time, watched.over_current = feed.limit_time, None
        self.protecting.over_current(self.supply, feed, None)
        done = self._result(self.supply.set_voltage(feed.output, feed.volts))
        self._on = [feed if each.output == feed.output else each for each in self._on]
        with self._watch.doubting():
            self._judge("voltage", "V", feed.volts, done)
            judge_knob(feed, self.ceiling_of(feed.output), done.readback, feed.current_limit, by_hand=self.by_hand)
        if watched is not None:
            now = self._waits.clock.monotonic()
            watched.set_volts = feed.volts if done.readback is None else done.readback
            watched.valid_from, watched.start_up_until = now, now + feed.limit_time
            watched.limit_since = None
        text = f"{feed.input} set to {format_quantity(feed.volts, 'V')}"
        self._journal.event("power", text, {"input": feed.input, "on": "yes"}, show="power")

    def protect_current(self, feed: Feed, level: float, delay: float) -> None:
        """Enable the supply's own over-current protection, start-up being over."""
        with self._watch.doubting():
            told = self.protecting.over_current(self.supply, feed, level, delay)
            if (watched := self._watch.of(feed.output)) is not None:
                watched.over_current = told

    def _set(self, name: str, unit: str, asked: float, pending: Pending[Done], at_most: float | None = None) -> None:
        self._judge(name, unit, asked, self._result(pending), at_most)

    def _judge(self, name: str, unit: str, asked: float, done: Done, at_most: float | None = None) -> None:
        judge_setting(self._journal, name, unit, asked, done, at_most=at_most, by_hand=self.by_hand)

    def _switch_on(self, feed: Feed, found: OutputSettings) -> None:
        """The moment of power. From before the message goes out, the output counts as on."""
        self._guarding.going_on(feed.output, feed.input)
        self.protecting.arm(self.supply, feed)
        self.off_verified = False
        self._doubtful.add(feed.output)
        self._on.append(feed)
        watched = watched_for(feed, found)
        self._watch.add(watched)
        self._journal.show("power", on="unknown" if self.by_hand else "yes", input=feed.input, output=feed.output)
        done = self._result(self.supply.switch(feed.output, True), f"switching {feed.input} on")
        faultless(self._journal, f"switching {feed.input} on", done)
        if done.on is False:
            raise BrokenOff(f"{feed.input} was switched on, and {whose_word(on=False, by_hand=self.by_hand)}")
        now = self._waits.clock.monotonic()
        watched.valid_from, watched.start_up_until = now, now + feed.limit_time
        text = f"{feed.input} ON at {format_quantity(feed.volts, 'V')}"
        self._journal.event("power", text, {"input": feed.input, "on": "yes"}, show="power")

    def new_trip(self, feed: Feed, level: float) -> None:
        """Watch an input that is on for another trip current: its board state, and with it the load, has changed."""
        changed = replace(feed, trip_current=level)
        self._on = [changed if each.output == feed.output else each for each in self._on]
        if (watched := self._watch.of(feed.output)) is not None:
            watched.trip_current = level
            watched.start_up_until = max(watched.start_up_until, self._waits.clock.monotonic() + feed.limit_time)

    # off

    def claim(self, outputs: Sequence[int]) -> None:
        """Take on outputs that were found on: from now on every way out switches off."""
        self._touched = self._touched or bool(outputs)
        self._doubtful.update(outputs)
        self._guarding.found_on(outputs)

    def off(self, output: int) -> None:
        """Switch one output off and verify it by asking. Raises BrokenOff if that cannot be done."""
        feed = next((feed for feed in self._on if feed.output == output), None)
        if feed is not None:
            self.sinking.off_before_the_supply()
        self._touched = True
        self._doubtful.add(output)
        self._watch.remove(output)
        done = self._ending(output, self.supply.switch(output, False))
        on = done.on if done.on is not None else self._ending(output, self.supply.settings(output)).on
        if on is not False:
            called = self.supply.called(output)
            raise BrokenOff(f"{called} was to be switched off, and {whose_word(on, by_hand=self.by_hand)}")
        self._on = [each for each in self._on if each.output != output]
        self._doubtful.discard(output)
        self._watch.seen_off(output)
        self.protecting.disarm(self.supply, (each.output for each in self._on))
        self._guarding.off(output)
        self.off_verified = self.off_verified if feed is None else not self._on
        self._journal.troubles("supply", done.troubles)
        if feed is not None:
            whose = "by the person's word" if self.by_hand else "verified by asking"
            data = {"input": feed.input, "on": "yes" if self._on else "no"}
            self._journal.show("power", on=data["on"], gone=output)
            self._journal.event("power", f"{feed.input} OFF, {whose}", data, show="power")
        elif not self._on:
            self._journal.show("power", on="no")
        self.sinking.settle()

    def all_off(self) -> None:
        """Switch off whatever is on, last on first off, each verified. Raises BrokenOff if that cannot be done."""
        self.sinking.off_before_the_supply()
        for feed in reversed(self.on):
            self.off(feed.output)
        self.sinking.settle()

    def require_off(self, what_for: str) -> None:
        """See to it that every output of ours is off by asking each: before hands or ohms come near the board."""
        if self._supply is None:
            return
        self.all_off()
        for output in self.supply.outputs():
            if output in self.left_alone:
                continue
            if (on := settings_of(self.supply, output, self._result, self._journal).on) is not False:
                self._journal.show("power", on="yes" if on else "unknown")
                text = f"{self.supply.called(output)} is not off before {what_for}; it is to be switched off"
                self._journal.event("found-on", text)
                self.off(output)
                self.on_found_on(output)
        self._journal.show("power", on="no")

    def cut(self, seen: Trip) -> None:
        """Every output off at once for what was seen, before it is kept. The emergency that follows verifies it.

        Whoever cuts raises `seen` once it is kept; if not, the next wait does, for nothing may go on without power.
        """
        self.cut_for = self.cut_for or seen
        if self._supply is not None and not self.by_hand and self._on:
            self._watch.clear()
            self._guarding.emergency(BOUND_OF_ONE)
            cut_off(self._supply, self._waits, self._journal)
        self._watch.owed = self.cut_for

    def answered(self) -> None:
        """What power was cut for is answered in another way than by its Trip."""
        self.cut_for = self._watch.owed = None

    def emergency(self, *, asked: bool = False, because: BaseException | None = None) -> None:
        """Every output off at once, then the load; if `asked` for, also those never touched. Never raises.

        `because`: what called for it. Of a supply that is lost the person must hear before it is tried.
        """
        self._watch.clear()
        if self._supply is not None and (asked or self._touched or self._on):
            doubtful = frozenset(self._doubtful)
            self._outputs_off(self._supply, asked=asked, lost=str(because) if isinstance(because, SupplyLost) else "")
            self.unseen |= self._watch.unseen(doubtful) or (bool(self._on) and not self.off_verified)
        else:
            self.bug = self.sinking.emergency(asked=asked) or self.bug

    def _outputs_off(self, supply: Supply, *, asked: bool, lost: str) -> None:
        before = asked or bool(self._on)
        outputs = [output for output in supply.outputs() if output not in self.left_alone]
        self.claim(outputs if asked else ())
        self._guarding.emergency(BOUND + self.sinking.emergency_takes)
        then = lambda: self.sinking.emergency(asked=asked)  # noqa: E731 - it says what, not when
        alarm = Alarm(lost, known_off=not (self._doubtful or asked or self.by_hand))
        ended = emergency_off(supply, outputs, self._waits, self._journal, self._guarding, then, alarm)
        self.bug = ended.bug
        if not ended.still_off and (before or self.off_verified is not None or not ended.verified):
            self.off_verified = ended.verified
        if ended.verified:
            self._on.clear()
            self._doubtful.clear()
            with self._waits.emergency(BOUND_OF_ONE):
                self.protecting.disarm(supply)

    # looking

    def look_once(self, output: int) -> PollSample:
        """Look at one output now, whether it is watched or not."""
        pending = self._watch.look(output)
        try:
            pending = self.supply.poll(output) if pending is None else pending
        except LinkError as error:
            raise SupplyLost(f"the supply is lost: {error.message}") from error
        return self._result(pending, f"looking at {self.supply.called(output)}")

    def _ending(self, output: int, pending: Pending[T]) -> T:
        """Wait for a step of switching off."""
        self._guarding.switching_off(output, pending)
        return self._result(pending, f"switching {self.supply.called(output)} off")

    def _result(self, pending: Pending[T], doing: str = "") -> T:
        try:
            return self._waits.result(pending, "supply", doing)
        except LinkError as error:
            raise SupplyLost(f"the supply is lost: {error.message}") from error
