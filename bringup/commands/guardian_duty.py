"""What the guardian does once the tool is dead, hangs, or could not verify off: outputs off, kept, and said.

Everything it needs was loaded before; the outputs come first, the logbook and words after. It never gives up at a
first failure: a supply that takes one client frees it only when the system has closed the dead tool's socket, and a
cable may be plugged in again.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass

from bringup.commands.guardian_spec import GuardianSpec
from bringup.commands.load_off import LoadOffBeside
from bringup.commands.reaching import instrument_locks
from bringup.commands.relays_open import relays_open
from bringup.commands.session_alone import session_alone
from bringup.commands.watchdog_off import disarm_ours
from bringup.core.bench import LoadRole
from bringup.errors import BringupError, LinkError
from bringup.host.lock import About, ControlAddress, hold, holder_of
from bringup.instruments.opening import result
from bringup.runner.roles import Done
from bringup.runner.scpi_load import ScpiLoad
from bringup.runner.scpi_supply import ScpiSupply

FIRST_PAUSE, LONGEST_PAUSE = 0.02, 2.0
"""Seconds between two tries, doubled each time."""
FIRST_PATIENCE = 0.5
"""Seconds for the first answer at the first try, doubled each time up to what the dialect allows: a supply that never
answers this connection may answer the next."""
LOOKS_AGAIN = (1.0, 3.0)
"""Seconds after off was verified at which it is looked at anew: of several clients a slow supply may serve ours first,
and carry out later what the tool had sent before it died; a call that never came back may do so at the end."""
LOOK_PATIENCE = 3.0
SLOW_AFTER = 3.0
"""Seconds after which the person at the terminal is told to use the switch."""
GOES_TO_ANOTHER = 5.0
"""Seconds after which a supply that another program holds is that program's business."""


@dataclass(frozen=True, slots=True)
class Off:
    """What became of the outputs."""

    verified: bool
    why: str = ""
    """What stood in the way, if they could not be verified off; if they could, of switching off their watchdog."""
    reached: bool = False
    """Whether the right supply answered at all."""
    found_on: bool = False
    """Whether one of ours was on when it was looked at (only if that was asked for)."""


class SwitchingOff:
    """Opens the supply (or the load in its place) by itself and switches it off, for as long as it takes."""

    def __init__(
        self, spec: GuardianSpec, control: ControlAddress, asked: threading.Event, *, armed: bool = False
    ) -> None:
        """`asked`: set when somebody asks for off, which ends a pause. `armed`: the tool had the watchdog armed."""
        self._spec = spec
        self._armed = armed
        self._about = About("bringup guardian", spec.serial, control)
        self._asked = asked
        self._held = ExitStack()
        self.holds = False
        """Whether the supply's lock is ours."""
        self.load = LoadOffBeside(spec.load)

    def take_lock(self) -> None:
        """Take the supply's lock, which the dead tool has freed, if it can be had."""
        if self.holds:
            return
        try:
            self._held.enter_context(hold((self._spec.lock, *instrument_locks(self._spec.known)), self._about))
        except BringupError:
            # Whoever has it, and if there is no place for locks at all: the outputs come first.
            return
        self.holds = True

    def open_relays(self) -> str:
        """Open the scanner's relays. Returns in words what came of it; '' where there are none, or somebody has it."""
        scanner = self._spec.scanner
        if scanner is None or self._spec.own_child:
            return ""
        try:
            with hold((scanner.resource, *instrument_locks(scanner.known)), self._about):
                return relays_open(scanner)
        except BringupError:
            return ""  # whoever has it by now opens every relay before it closes one

    def take_lock_of_load(self) -> bool:
        """Take the load's lock. Returns whether it could be had: else somebody has it, who may be at work with it."""
        load = self._spec.load
        if load is None:
            return False
        try:
            self._held.enter_context(hold((load.resource, *instrument_locks(load.known)), self._about))
        except BringupError:
            return False
        return True

    def let_go(self) -> None:
        """Free the lock."""
        self._held.close()

    def until_off(self, seconds: float, when_slow: Callable[[str], None]) -> Off:
        """Try until every output is verified off, at most for so long. `when_slow` is told once that it takes time."""
        begun = time.monotonic()
        pause, patience, told = FIRST_PAUSE, FIRST_PATIENCE, False
        while True:
            self.take_lock()
            off = self.once(patience)
            passed = time.monotonic() - begun
            if off.verified or passed >= seconds:
                return off
            if self._anothers() and passed >= GOES_TO_ANOTHER:
                return Off(False, f"{off.why}; another program holds the supply now")
            if not told and passed >= SLOW_AFTER:
                told = True
                when_slow(off.why)
            self._asked.wait(min(pause, seconds - passed))
            self._asked.clear()
            pause, patience = min(2 * pause, LONGEST_PAUSE), 2 * patience

    def once(self, patience: float, *, look_first: bool = False) -> Off:
        """Open, identify, switch off, ask. Never raises. `look_first`: also see what was on, which takes longer."""
        spec = self._spec
        says_on, silent = "the supply says that an output is on", "the supply does not say whether it is off"
        still_armed = ""
        try:
            if isinstance(spec.role, LoadRole):
                says_on, silent = "the load says that a channel is on", "the load does not say whether it is off"
                with session_alone("load", spec, patience) as link:
                    load = ScpiLoad(spec.role, spec.dialect, link, resource=spec.resource)
                    found_on = look_first and _found_on(load, load.channels())
                    done: Done = result(load.all_off())
            else:
                with session_alone(spec.role.name, spec, patience) as link:
                    supply = ScpiSupply(spec.role, spec.dialect, link, resource=spec.resource)
                    ours = [output for output in supply.outputs() if output not in spec.role.leave_alone]
                    found_on = look_first and _found_on(supply, ours)
                    done = result(supply.all_off())
                    still_armed = disarm_ours(supply, spec.role, armed=self._armed) if done.on is False else ""
        except BringupError as error:
            return Off(False, error.message)
        except Exception as error:  # noqa: BLE001 - whatever it is, the next try may get through
            return Off(False, f"{type(error).__name__}: {error}")
        finally:
            # The supply has been told, or cannot be: it never waits for the load.
            self.load.begin()
        if done.on is False:
            return Off(True, still_armed, reached=True, found_on=found_on)
        why = says_on if done.on else silent
        return Off(False, "; ".join((why, *(trouble.text for trouble in done.troubles))), True, found_on)

    def _anothers(self) -> bool:
        """Whether a living program that is not the dead tool holds the supply."""
        if self.holds:
            return False
        try:
            holder = holder_of(self._spec.lock)
        except BringupError:
            return False
        return holder is not None and holder.pid not in (0, self._spec.tool) and holder.command != "bringup off"


def _found_on(role: ScpiSupply | ScpiLoad, ours: Sequence[int]) -> bool:
    """Whether one of them says that it is on. What does not answer that is switched off all the same."""
    try:
        if isinstance(role, ScpiLoad):
            return any(result(role.settings(each)).on for each in ours)
        return any(result(role.settings(each)).on for each in ours)
    except LinkError:
        return False
