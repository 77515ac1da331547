"""The electronic load in one attempt: the only module that switches one on, and what switches it off at every end.

On: off (verified), sense, mode, range, level, stop voltage, each read back, errors looked at, on, asked again. Off:
in an orderly end before the output that feeds it; where that cannot be done, the output goes off all the same and the
load after it. In an emergency the outputs come first: without power nothing is drawn, whatever the load is set to.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from bringup.core.board import Board
from bringup.core.dialect import LOAD_MODES
from bringup.core.loaded import loaded_board
from bringup.core.quantity import format_quantity
from bringup.core.wording import shown
from bringup.errors import BringupError, LinkError
from bringup.runner.emergency import BOUND_BY_HAND
from bringup.runner.endings import BrokenOff
from bringup.runner.guarding import Guarding
from bringup.runner.journal import Journal
from bringup.runner.load_role import Load, LoadSample
from bringup.runner.load_watch import LONGEST_LOOK, Draw, LoadLost, LoadWatch
from bringup.runner.pending import Pending
from bringup.runner.roles import Done
from bringup.runner.wait import WaitPoint

T = TypeVar("T")

TRIES = 3
LOAD_BOUND = 5.0
"""Seconds for all tries of an emergency together; the outputs are off by then, or being tried."""
BOUND_OF_ONE = 2.5
BOUND_IN_ORDER = 2.5
"""Seconds that an orderly end waits for the load before the output that feeds it goes off anyway."""
READ_BACK = (0.005, 0.002)
"""A level may come back off by this part of it plus this many A, W, V or ohm: half a digit of a coarse load."""
COARSE = 0.05
"""Protection is set in coarser steps than a level: by this part of it it may come back higher (common practice, no
source)."""
UNKNOWN = "LOAD STATE UNKNOWN: switch the load off at its own switch"


class Sinking:
    """The load's channels. Without a load, nothing here does anything."""

    def __init__(self, load: Load | None, waits: WaitPoint, watch: LoadWatch, journal: Journal) -> None:
        self._load = load
        self._alone = watch.guard is not None
        """Whether the load is all that a guardian can switch off: the supply is set by hand."""
        self._guarding = Guarding(watch.guard, waits)
        self._waits = waits
        self._watch = watch
        self._journal = journal
        self._on: dict[int, Draw] = {}
        self._found_on: list[int] = []
        self._look_takes = 0.0
        self._silent = ""
        """Why an orderly end has waited for it in vain: the outputs wait no more."""
        self._touched = False
        """Whether anything was ever set: from then on every way out switches off."""
        self.off_verified: bool | None = None
        """Whether every channel is known to be off; None: none was ever switched on, or there is no load."""

    @property
    def on(self) -> tuple[Draw, ...]:
        """What draws (or may)."""
        return tuple(self._on.values())

    def loaded(self, board: Board, more: Sequence[Draw] = ()) -> Board:
        """Return the board with what is drawn from it as loads of its own; `more`: what will be, too."""
        draws = (*self.on, *more)
        return loaded_board(board, ((each.point, each.mode, each.level) for each in draws)) if draws else board

    @property
    def emergency_takes(self) -> float:
        """Seconds that an emergency may take here at the most."""
        return 0.0 if self._load is None else LOAD_BOUND

    @property
    def load(self) -> Load:
        """The load. Raises BrokenOff where the bench has none: a procedure that needs it is refused earlier."""
        if self._load is None:
            raise BrokenOff("this bench has no load")
        return self._load

    def claim(self, channel: int) -> None:
        """Take on a channel that was found on: from now on every way out switches off."""
        self._touched = True
        self._found_on.append(channel)

    def off_found(self) -> None:
        """Switch off, and verify, what was found on."""
        for channel in self._found_on:
            self.off(channel)
            self._journal.event("found-on", f"channel {channel} of the load was found on and switched off")
        self._found_on.clear()

    # on

    def prepare(self, draw: Draw) -> LoadSample:
        """Set a channel up with its input off, in the fixed order; return a look at its point, not loaded yet."""
        self._guarding.ready(f"the load at {draw.point}")
        self._touched = True
        load, channel = self.load, draw.channel
        self.off(channel)
        self._set("sense", load.sense(channel))
        self._set("mode", load.set_mode(channel, draw.mode))
        self._set("range", load.set_range(channel, draw.mode, draw.level))
        self._set("level", load.set_level(channel, draw.mode, draw.level), draw.level, LOAD_MODES[draw.mode])
        if draw.stop_voltage is not None:
            stop = load.set_stop_voltage(channel, draw.mode, draw.stop_voltage)
            self._set("stop voltage", stop, draw.stop_voltage, "V")
        self._protect(draw)
        found = self._result(load.settings(channel), "reading its settings back")
        self._journal.troubles("load", found.troubles)
        if found.on is not False:
            raise BrokenOff(f"the load at {draw.point} is not off though nobody has switched it on")
        if found.mode not in (None, draw.mode) or (found.level is not None and not _alike(draw.level, found.level)):
            raise BrokenOff(f"the load at {draw.point} does not read back {draw.words}")
        begun = self._waits.clock.monotonic()
        sample = self._result(load.poll(channel), f"volts at {draw.point}")
        self._look_takes = self._waits.clock.monotonic() - begun
        if sample.tripped:
            what = f"channel {channel} of the load has tripped before ({sample.tripped})"
            raise BrokenOff(f"{what}: find out why, and clear it at its panel")
        if self._alone and self._look_takes > LONGEST_LOOK:
            took, most = shown(self._look_takes, "s", 2), shown(LONGEST_LOOK, "s", 2)
            raise BrokenOff(f"the load is too slow to be watched: a look takes {took}, {most} is the most")
        return sample

    def _protect(self, draw: Draw) -> None:
        """Set the load's own protections above what it is to draw. Raises BrokenOff where it does not take them."""
        levels = draw.protection
        if levels is None:
            return
        for name, unit, level, least in (
            ("over_current", "A", levels.over_current, levels.amps),
            ("over_power", "W", levels.over_power, levels.watts),
        ):
            if level is None or not self.load.can_protect(name):
                continue
            said = f"{name.replace('_', '-')} protection"
            done = self._result(self.load.set_protection(draw.channel, name, level), f"setting its {said}")
            self._keep(f"setting the load's {said}", done)
            read, wanted = done.readback, format_quantity(level, unit)
            if done.on is False:
                raise BrokenOff(f"the load's {said} was to be on, and the load says that it is not")
            if read is None:
                self._journal.event("unread", f"the load does not read back its {said}")
            elif not (least <= read * (1 + READ_BACK[0]) and read <= level + COARSE * level + READ_BACK[1]):
                text = f"the load's {said} was set to {wanted} but the load reads back {format_quantity(read, unit)}"
                raise BrokenOff(text)

    def go(self, draw: Draw) -> None:
        """Switch on what was prepared. From before the message goes out, the channel counts as on."""
        self._guarding.going_on(draw.channel, f"the load at {draw.point}")
        self.off_verified = False
        self._on[draw.channel] = draw
        done = self._result(self.load.switch(draw.channel, True), f"switching on at {draw.point}")
        self._keep(f"switching the load on at {draw.point}", done)
        if done.on is not True:
            said = "says that it is off" if done.on is False else "does not say whether it is on"
            raise BrokenOff(f"the load at {draw.point} was switched on, and it {said}")
        self._watch.add(self.load, draw, self._look_takes)
        data = {"point": draw.point, "on": "yes", "draws": draw.words}
        self._journal.event("load", f"the load draws from {draw.point}: {draw.words}", data)

    def look(self, channel: int) -> LoadSample:
        """Look at one channel now."""
        return self._result(self.load.poll(channel), f"looking at channel {channel}")

    # off

    def off(self, channel: int) -> None:
        """Switch one channel off and verify it by asking. Raises BrokenOff if that cannot be done."""
        self._touched = True
        self._watch.remove(channel)
        pending = self.load.switch(channel, False)
        self._guarding.switching_off(channel, pending)
        done = self._result(pending, f"switching channel {channel} off")
        if done.on is not False:
            raise BrokenOff(f"channel {channel} of the load was switched off but the load " + _says(done))
        draw = self._on.pop(channel, None)
        self._guarding.off(channel)
        self._journal.troubles("load", done.troubles)
        if draw is not None:
            self.off_verified = not self._on
            text = f"the load at {draw.point} is OFF, verified by asking"
            self._journal.event("load", text, {"point": draw.point, "on": "no"})

    def off_before_the_supply(self) -> None:
        """Switch off what draws, in order, for as long as it may keep the output waiting.

        What it does not do then is raised by `settle`, once the outputs are off.
        """
        if not self._on or self._silent:
            return
        load, why = self.load, "it does not answer"
        self._watch.clear()
        self._guarding.emergency(BOUND_IN_ORDER)
        try:
            pending = load.all_off()
            self._waits.until(pending, self._waits.clock.monotonic() + BOUND_IN_ORDER)
            done = pending.value() if pending.done else None
        except LinkError as error:
            done, why = None, error.message
        if done is None or done.on is not False:
            self._silent = why if done is None else f"it {_says(done)}"
            if self._alone:
                self.settle()  # a person who is yet to reach the switch is no reason to leave it on meanwhile
            return
        points = ", ".join(draw.point for draw in self.on)
        self._on.clear()
        self._guarding.all_off()
        self.off_verified = True
        self._journal.troubles("load", done.troubles)
        self._journal.event("load", f"the load at {points} is OFF, verified by asking", {"on": "no"})

    def settle(self) -> None:
        """The outputs being off: raise BrokenOff for a load that could not be switched off before them."""
        if self._on and self._silent:
            raise BrokenOff(f"the load could not be switched off: {self._silent}")

    def emergency(self, *, asked: bool = False) -> Exception | None:
        """Every channel off, the outputs having gone first; if `asked` for, also those never touched. Never raises.

        Returns what went wrong in telling it, to be raised in the end.
        """
        self._watch.clear()
        if self._load is None or not (asked or self._touched or self._on):
            return None
        said: list[str] = []
        self._guarding.emergency(LOAD_BOUND)
        with self._waits.emergency(LOAD_BOUND):
            verified = any(self._try(self._load, said) for _ in range(TRIES))
        if self._on or not verified or asked:
            self.off_verified = verified
        try:
            if verified:
                self._on.clear()
                self._guarding.all_off()
                self._journal.show(
                    "event", "every channel of the load is OFF, verified by asking", kind="load", on="no"
                )
                self._journal.event_if_possible("load", "every channel OFF, verified by asking", {"on": "no"}, show="")
            else:
                self._guarding.emergency(BOUND_BY_HAND)  # the person is asked about the supply next
                text = f"{UNKNOWN} ({'; '.join(dict.fromkeys(said))})"
                self._journal.show("event", text, kind="load-unknown")
                self._journal.event_if_possible("load-unknown", text, show="")
        except Exception as bug:  # noqa: BLE001 - what cannot be told must not keep the attempt from being closed
            return bug
        return None

    def _try(self, load: Load, said: list[str]) -> bool:
        try:
            with self._waits.emergency(BOUND_OF_ONE):
                done = self._waits.result(load.all_off(), "load", "when told to switch every channel off")
        except BringupError as error:
            said.append(error.message)
            return False
        except (Exception, KeyboardInterrupt) as error:  # noqa: BLE001 - the next try comes first; it is told
            said.append(f"{type(error).__name__}: {error}")
            return False
        said += [trouble.text for trouble in done.troubles if trouble.fault is not None or trouble.errors]
        if done.on is not False:
            said.append(f"the load {_says(done)}")
        return done.on is False

    # what every step of it shares

    def _set(self, name: str, pending: Pending[Done], asked: float | None = None, unit: str = "") -> None:
        done = self._result(pending, f"setting its {name}")
        self._keep(f"setting the load's {name}", done)
        if asked is not None and done.readback is None:
            self._journal.event("unread", f"the load does not read back its {name}")
        elif asked is not None and done.readback is not None and not _alike(asked, done.readback):
            wanted, read = format_quantity(asked, unit), format_quantity(done.readback, unit)
            raise BrokenOff(f"the load's {name} was set to {wanted} but the load reads back {read}")

    def _keep(self, doing: str, done: Done) -> None:
        self._journal.troubles("load", done.troubles)
        if not done.faultless:
            raise BrokenOff(f"{doing} went wrong: " + "; ".join(trouble.text for trouble in done.troubles))

    def _result(self, pending: Pending[T], doing: str) -> T:
        try:
            return self._waits.result(pending, "load", doing)
        except LinkError as error:
            raise LoadLost(f"the load is lost: {error.message}") from error


def _says(done: Done) -> str:
    return "says that it is on" if done.on else "does not say whether it is off"


def _alike(asked: float, read: float) -> bool:
    part, least = READ_BACK
    return abs(asked - read) <= part * abs(asked) + least
