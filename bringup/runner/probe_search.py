"""One point being sought with a probe held by hand: the meter read, the supply watched, until a reading is the point's.

core/contact.py says what the probe is on. A key is asked for where the volts alone could be another point's: nothing
is taken of which the meter cannot tell that it is the point, unless a person says so.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace
from itertools import pairwise

from bringup.core.contact import HELD_FOR, OPEN_BELOW, Contact, Sought, Standing, Touch, Why, agree
from bringup.core.expectation import voltage_limits
from bringup.core.hazard import SHOCK_VOLTS
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.wording import shown
from bringup.runner.damage import trip_of
from bringup.runner.endings import BrokenOff, Trip
from bringup.runner.lost_meter import SILENT_READINGS
from bringup.runner.measuring import LEAST_STEP, limited_at, look_beside, looked, read_once
from bringup.runner.patience import Undone
from bringup.runner.probe_words import asked, told, where
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.roles import Function
from bringup.runner.sureness import around_of
from bringup.runner.wait import Offer
from bringup.runner.work import Settled, Work

SWINGING, LATELY = 5, 10
"""So many readings beyond what damages, of the last so many, are believed though they do not agree: a tip rests after
one or two."""
DOUBTED_FOR = 6.0
"""Seconds that volts may stand which damage the point and are another point's, too: two to be told of them, four to
lift the probe. Nobody but the person knows where it is, and off is the side to err on."""
STALE = 0.5
"""Seconds after which a reading says nothing of where the probe is now: a question was answered meanwhile."""
WAS_ON_IT, WAS_NOT = "yes, it was", "no, it was on something else"


def sought(work: Work, point: str, limits: Limits | None, *, sure: bool = True) -> Sought:
    """Return what there is to know the point by, and what it could be mistaken for."""
    board = work.board
    others = {name: voltage_limits(board, name)[0] for name in (*board.inputs, *board.rails) if name != point}
    known = {feed.input: math.copysign(feed.volts, board.inputs[feed.input].voltage.number) for feed in work.power.on}
    for each in work.journal.readings:
        if each.of_powered_point and each.instrument == "meter" and each.point is not None:
            known.pop(each.point, None)
            if each.value is not None and each.board_state == work.state:
                known[each.point] = each.value
    feed = work.power.feed_of(point) if point in board.inputs else None
    due = None if feed is None else math.copysign(feed.volts, board.inputs[point].voltage.number)
    known.pop(point, None)
    given = {name: each for name, each in others.items() if each is not None and each.unit == "V"}
    return Sought(point, limits, given, known, work.held.last, sure, due)


class Search:
    """One point being sought, from when it is shown where the probe goes until a reading is taken."""

    def __init__(self, work: Work, point: str, limits: Limits | None, *, sure: bool) -> None:
        self._work, self._point, self._limits = work, point, limits
        self._sought = sought(work, point, limits, sure=sure)
        self._touch = Touch(self._sought)
        self._offer: Offer | None = None
        self._offered: tuple[object, ...] = ()
        self._shown = ""
        self._silent = 0
        self._around = around_of(limits)
        self._wide = False
        """Whether the meter finds its own range: the volts were beyond that of the volts expected."""
        self._over_from: float | None = None
        self._shocks = 0
        self._lately: deque[tuple[float, bool] | None] = deque(maxlen=LATELY)
        """The last readings that are no other point's, None for each that damages nothing: its size, infinite over
        range, and whether that was in no narrower range than need be."""
        self._damaging_from: float | None = None
        """Since when all that is read damages the point, whatever else it may be, the probe having been lifted."""

    def found(self) -> Settled | None:
        """Read until a reading is taken. None: a key wished for something else first."""
        work, point = self._work, self._point
        if not work.held.told_impedance and work.setup.bench.meter is not None:
            work.held.told_impedance = True
            if work.setup.bench.meter.high_impedance:
                text = "while the probe is held by hand volts are read at 10 MΩ: nothing else tells an open probe"
                work.journal.event("probe", text)
        work.hands.reach(point)
        self._tell(None)
        left = Undone(work.waits, f"probe on {where(work.board, point)}")
        try:
            while True:
                begun = work.waits.clock.monotonic()
                left.look()
                if work.held.wish:
                    return None
                around = None if self._wide else self._around
                value = read_once(work, Function.DC_VOLTS, point, around=around, limits=self._limits)
                if (found := self._take_in(value)) is not None:
                    return found
                if work.waits.clock.monotonic() - begun < LEAST_STEP:
                    work.waits.sleep(LEAST_STEP)
        finally:
            self._take_back()

    def _take_in(self, value: Value) -> Settled | None:
        """Take one more reading in; return it where it is the point's."""
        work, now = self._work, self._work.waits.clock.monotonic()
        at = now if value.received is None else value.received
        self._silent = 0 if value.number is not None or value.over_range else self._silent + 1
        if self._silent >= SILENT_READINGS:
            return Settled(value)
        self._stop_if_it_hurts(value)
        contact = self._touch.feed(at, value)
        if now - at > STALE:
            self._touch.begin_again()
            return None
        if (found := self._cut_if_damaging(at, value)) is not None:
            return found
        contact = self._over_range(at, contact)
        confirmed = self._offer is not None and self._offer.pending.done
        if contact.standing is Standing.TAKEN or (confirmed and contact.by_key):
            sample = looked(work, look_beside(work, self._point))
            if limited_at(work, self._point, sample):
                text = f"waiting for the supply to leave current limit at {self._point}"
                work.waits.sleep(work.setup.poll_every, text)
                self._touch.begin_again()
                self._take_back()
                return None
            if confirmed:
                work.journal.event("probe", f"taken by a key: {told(self._sought, contact, work.board)}")
            return Settled(contact.value or value, contact.spread, sample)
        self._ask(contact, answered=confirmed)
        self._tell(contact)
        return None

    def _over_range(self, at: float, contact: Contact) -> Contact:
        """Beyond the range of the volts expected the meter finds its own; what is beyond every range is offered."""
        number = None if contact.value is None else contact.value.number
        self._wide = self._wide and (number is None or abs(number) > abs(self._around or 0.0))
        if contact.standing is not Standing.OVER_RANGE:
            self._over_from = None
            return contact
        self._wide = True
        self._over_from = at if self._over_from is None else self._over_from
        if at - self._over_from < HELD_FOR or not self._touch.lifted:
            return contact
        return replace(contact, standing=Standing.OFFERED, why=(Why.OUTSIDE,))

    def _stop_if_it_hurts(self, value: Value) -> None:
        """Power off where the probe in somebody's hand meets volts that can shock."""
        beyond = value.over_range and self._wide
        if value.number is None and not beyond:
            return
        self._shocks = self._shocks + 1 if beyond or abs(value.number or 0.0) >= SHOCK_VOLTS else 0
        if self._shocks > 1:
            met = "volts beyond every range of the meter"
            if value.number is not None:
                met = format_quantity(value.number, "V", resolution=value.resolution)
            text = f"the probe held by hand met {met}"
            trip = Trip(f"{text}, while {where(self._work.board, self._point)} was to be probed: hands off")
            self._work.power.cut(trip)
            raise trip

    def _cut_if_damaging(self, at: float, value: Value) -> Settled | None:
        """Power off for volts that damage the point; return the reading. Whether it was there is asked afterwards."""
        work, point = self._work, self._point
        trip = trip_of(work, point, value) if point in (*work.board.inputs, *work.board.rails) else None
        if value.number is not None and (abs(value.number) <= OPEN_BELOW or not self._touch.no_others(value.number)):
            self._lately.clear()
        else:
            size = math.inf if value.number is None else abs(value.number)
            self._lately.append(None if trip is None else (size, not value.over_range or self._wide))
        if trip is None or not self._touch.lifted:
            self._damaging_from = None
        elif self._damaging_from is None:
            self._damaging_from = at
        stood = self._damaging_from is not None and at - self._damaging_from >= DOUBTED_FOR
        if trip is None or not (stood or self._believed()):
            return None
        self._take_back()
        work.power.cut(trip)
        work.journal.event("cut", f"power was cut: {trip.cause}")
        # Nobody is asked while an output may be on. What it was cut for counts until the person says otherwise.
        work.power.emergency(because=trip)
        if not work.power.off_verified:
            return Settled(value)
        text = f"Power is off: {trip.cause}. Was the probe on {where(work.board, point)} just then?"
        choices = (WAS_ON_IT, WAS_NOT)
        if work.waits.answer(Prompt(PromptKind.CHOICE, text, choices=choices, suggestion=WAS_ON_IT)).text == WAS_NOT:
            work.power.answered()
            raise BrokenOff(f"power was cut for volts that the probe met elsewhere than at {point}")
        return Settled(value)

    def _believed(self) -> bool:
        """Whether what was read lately, and is no other point's, says for certain that it damages the point.

        Two readings in a row do that agree, or find no end of the meter's own ranges; or several of the last ones that
        do not agree: a node that swings, or runs away.
        """
        before, last = ([None, None, *self._lately])[-2:]
        if before is not None and last is not None and before[1] and last[1]:
            finite = math.isfinite(before[0]) and math.isfinite(last[0])
            if before[0] == last[0] or (finite and agree(before[0], last[0])):
                return True
        sizes = [each[0] for each in self._lately if each is not None]
        # a charge that leaks only falls
        return len(sizes) >= SWINGING and any(later >= sooner for sooner, later in pairwise(sizes))

    # the key that is asked for

    def _ask(self, contact: Contact, *, answered: bool) -> None:
        """Ask for a key where one would take the reading, once for each thing that it rests on."""
        if answered:
            self._offer = None
            self._offered = ()
            self._work.journal.show("event", "the probe had moved on when the key came: nothing was taken", kind="key")
        if not contact.by_key:
            self._take_back()
            return
        rests_on = (contact.standing, contact.why, contact.like)
        waits = self._work.waits
        if self._offer is not None and rests_on == self._offered and waits.stands(self._offer):
            return
        self._take_back()
        self._offered = rests_on
        hurts = self._damaging_from is not None
        lines = (f"Volts like these damage {self._point}: power goes off if the probe stays on them",) if hurts else ()
        self._offer = waits.put(Prompt(PromptKind.GO, asked(self._sought, contact, self._work.board), lines))

    def _take_back(self) -> None:
        if self._offer is not None:
            self._work.waits.take_back(self._offer)
        self._offer, self._offered = None, ()

    # what is shown

    def _tell(self, contact: Contact | None) -> None:
        """Show where the probe goes and what it is on, when that changes."""
        work, value = self._work, None if contact is None else contact.value
        now = "" if value is None else "over range" if value.over_range else ""
        if value is not None and value.number is not None and contact is not None:
            # What an open probe picks up means nothing, and changes all the time.
            now = "" if contact.standing is Standing.OPEN else shown(value.number, "V", 4)
        standing = "" if contact is None else contact.standing.value
        state = f"{standing} {now}"
        if state != self._shown:
            wanted = contact is not None and contact.by_key
            self._shown = state
            work.journal.show(
                "probing",
                where(work.board, self._point),
                point=self._point,
                probe=self._probe(),
                limits=self._limits,
                now=now,
                standing=standing,
                wanted=wanted,
            )

    def _probe(self) -> str:
        board = self._work.board
        on_board = self._point in board.inputs or self._point in board.rails
        return (board.point(self._point).probe or "") if on_board else ""
