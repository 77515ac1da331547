"""What the guardian keeps and says of what it did: the logbook, a message for the next start, the tool's terminal.

The outputs have been seen to by then. Each of the three is tried whatever became of the others.
"""

from __future__ import annotations

import os
import sys
import time
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from bringup.commands.guardian_spec import GuardianSpec
from bringup.core.bench import LoadRole
from bringup.core.harmless import harmless_lines
from bringup.errors import BringupError, LogbookError
from bringup.host.left_messages import at_words, leave_message
from bringup.host.programs import end_left_over
from bringup.host.vigil import Vigil
from bringup.logbook.breaking_off import mark_broken_off
from bringup.logbook.several_guardians import OneOf
from bringup.runner.emergency import UNKNOWN
from bringup.runner.sinking import UNKNOWN as LOAD_UNKNOWN

LOGBOOK_TRIES = 5
BETWEEN_LOGBOOK_TRIES = 2.0
FRAME = "=" * 76
NOT_VERIFIED = "off could not be verified"
BY_HAND = "The supply is set by hand: nobody but you can switch it off, or see that it is off"
_SHOW_CURSOR = "\x1b[?25h"


class Account:
    """The account of one duty. `why` says what ended the tool; `restore`: its terminal was left as it was set."""

    def __init__(self, spec: GuardianSpec, vigil: Vigil, why: str, *, restore: bool) -> None:
        self._spec, self._vigil, self._why, self._restore = spec, vigil, why, restore
        self.relays = ""
        """What became of the scanner's relays, in words; '' where nobody had to open them."""
        self._unseen = False

    def slow(self, why: str) -> None:
        """Tell the person at the terminal that it takes time: their hand is quicker."""
        self._to_terminal(self._framed(f"bringup guardian{self._spec.of}: trying on; {why}"))

    def _framed(self, text: str) -> str:
        """Set it under large words that say what is not known, and which switch is left."""
        role = self._spec.role
        words = LOAD_UNKNOWN if isinstance(role, LoadRole) else UNKNOWN.replace("the supply", f"the {role.name}")
        return "\n".join((FRAME, *words.split(": ", 1), FRAME, text))

    def settle(self, verified: bool | None, trouble: str) -> None:
        """Keep and say what became of the outputs (None: none had been on, or none is left to be asked)."""
        self._unseen = self._vigil.unseen(time.monotonic())
        vigil, program = self._vigil, self._end_program()
        if not vigil.attempt or (vigil.closed and verified is not False and not (vigil.on or vigil.load_left)):
            # Nothing was begun, or all was done but the last word: nothing that anybody has to know.
            return
        self._say(self._what(), verified, trouble, program)

    def _end_program(self) -> str:
        """End the host program that a dead tool left behind, outputs being off by now: nothing else would.

        In words what came of it. Whoever holds the supply's lock still does, so no other attempt starts a second one.
        """
        if not self._restore or self._vigil.program is None:
            return ""
        pid, started = self._vigil.program
        words = end_left_over(pid, started)
        return f"; the program that was under way (process {pid}) {words}" if words else ""

    def came_on_again(self, verified: bool, trouble: str) -> None:
        """Keep and say that an output was on though off had been verified."""
        what = "the load" if self._spec.load_alone else "an output"
        self._say(f"{what} came on again after off was verified, by what was still on its way", verified, trouble)

    def not_off(self, trouble: str) -> None:
        """Keep and say that off was asked for once more and could not be verified."""
        self._say("off was asked for once more", False, trouble)

    def _say(self, what: str, verified: bool | None, trouble: str, program: str = "") -> None:
        outputs = "; ".join(filter(None, (self._outputs(verified, trouble), self.relays))) + program
        kept = self._keep(f"{what}; {outputs}", verified)
        stamp = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
        said = (
            f"bringup guardian{self._spec.of}, {stamp}: {self._spec.serial} on {self._spec.bench}: {what}.\n"
            f"{outputs[:1].upper()}{outputs[1:]}. {kept}"
        )
        if verified is False:
            said = self._framed(said)
        self._to_terminal(said)
        with suppress(OSError, BringupError):
            # A full disk: it has been said, and is in the logbook if that could be written.
            leave_message(said)

    def _what(self) -> str:
        if self._vigil.load_left and not self._vigil.on:
            before = "" if self._why == NOT_VERIFIED else f"{self._why}; "
            return f"{before}the load could not be verified off"
        what = "the load" if self._spec.load_alone else "an output"
        on = f" with {what} on" if self._vigil.on else ""
        if self._vigil.silent_until is not None and "hung" in self._why:
            return f"{self._why}: no sign of life for {self._spec.hang_bound:g} s{on}"
        return f"{self._why}{on}"

    def _outputs(self, verified: bool | None, trouble: str) -> str:
        if isinstance(self._spec.role, LoadRole):
            return f"{_of_the_load(verified, trouble)}. {BY_HAND}"
        if self._spec.own_child and self._vigil.was_on:
            return "the simulated bench ended with the tool, so its outputs were not asked"
        if verified is None:
            return "no output had been on"
        if verified:
            spared = self._spec.role.leave_alone
            but = f" but {', '.join(map(str, spared))}, which was left alone" if spared else ""
            load = "every channel of the load is OFF, verified by asking" if self._vigil.load_left else ""
            return "; ".join(
                filter(None, (f"every output{self._spec.of} is OFF, verified by asking{but}", trouble or load))
            )
        return f"the output state{self._spec.of} is UNKNOWN: {trouble}"

    def _keep(self, cause: str, verified: bool | None) -> str:
        """Mark the attempt in the logbook, which may be locked for a while. Returns words for the person."""
        if not self._spec.logbook:
            return "Nothing of it is kept in a logbook."
        for attempt in range(LOGBOOK_TRIES):
            if attempt:
                time.sleep(BETWEEN_LOGBOOK_TRIES)
            try:
                mark_broken_off(
                    Path(self._spec.logbook),
                    self._vigil.attempt,
                    cause,
                    off_verified=verified,
                    at=datetime.now(UTC),
                    asked=not self._spec.load_alone,
                    unseen=self._unseen,
                    one_of=OneOf(self._spec.of, self._spec.guardians) if self._spec.of else None,
                )
            except LogbookError as error:
                trouble = error.message
            else:
                on = f" To go on with it:\n  {self._spec.to_go_on}" if self._spec.to_go_on else ""
                return f"Attempt {self._vigil.attempt[:8]} is marked broken off.{on}"
        return f"The logbook does not know it yet: {trouble}."

    def _to_terminal(self, text: str) -> None:
        """Write to the tool's terminal if it is still there; nothing may wait for it."""
        if not self._spec.terminal or sys.platform == "win32":
            return
        try:
            descriptor = os.open(self._spec.terminal, os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError:
            return
        try:
            if self._restore:
                self._give_back(descriptor)
            # What an instrument answered must not be obeyed by the terminal.
            ends = at_words(harmless_lines(text)).replace("\n", "\r\n")
            os.write(descriptor, f"\r\n{ends}\r\n".encode())
        except OSError:
            return
        finally:
            os.close(descriptor)

    def _give_back(self, descriptor: int) -> None:
        """Set the terminal as it was before the tool took its keys, and show the cursor."""
        if self._spec.terminal_modes:
            import termios

            with suppress(termios.error):
                termios.tcsetattr(descriptor, termios.TCSANOW, self._spec.terminal_modes)
        os.write(descriptor, _SHOW_CURSOR.encode())


def _of_the_load(verified: bool | None, trouble: str) -> str:
    if verified is None:
        return "the load had not been on"
    if verified:
        return "every channel of the load is OFF, verified by asking" + (f"; {trouble}" if trouble else "")
    return f"the state of the load is UNKNOWN: {trouble}"
