"""The guardian's process: waits beside the tool, and switches the supply off when the tool dies, hangs or gives up.

Started by `bringup run` for itself, never by a person. It says `ready` once everything it may need is loaded, answers
every line it is told, and leaves when it is told to stand down. What comes from the terminal, and a polite request to
end, do not end it while an output is on.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from contextlib import ExitStack
from enum import Enum
from queue import Empty

from bringup.commands.guardian_afterwards import Afterwards
from bringup.commands.guardian_duty import LOOK_PATIENCE, SwitchingOff
from bringup.commands.guardian_spec import GuardianSpec, read_spec
from bringup.commands.guardian_words import NOT_VERIFIED, Account
from bringup.commands.load_off import UNKNOWN as LOAD_UNKNOWN
from bringup.commands.reaching import guardian_lock
from bringup.errors import BringupError
from bringup.host.bell import Letters
from bringup.host.control import ControlServer
from bringup.host.lock import About, hold
from bringup.host.tool_process import ToolProcess
from bringup.host.vigil import LastWord, Vigil
from bringup.instruments.visa_library import load

PREDECESSOR_LEAVES = 2.0
"""Seconds allowed for the guardian of an attempt that has just ended."""
DYING = 0.3
"""Seconds between the end of the pipe and the end of the process: the system closes what a dead process had open, one
after the other. A tool that closed the pipe and lives on is out of its mind."""
KILLED_WITHIN = 2.0
"""Seconds for a killed process to be gone; one that the system does not let go holds the supply no longer than that."""
GONE_AFTER_WORD = 5.0
"""Seconds for the tool to be gone after its last word."""
OVERSLEPT = 1.0
"""So many seconds too late mean that this process itself was not running."""


class Why(Enum):
    """Why the vigil is over."""

    STOOD_DOWN = ""
    LOOK = "a call to the supply never came back before it was closed"
    TAKE_OVER = NOT_VERIFIED
    DIED = "bringup was killed or crashed"
    HUNG = "bringup hung and was ended"
    ASKED = "bringup did not answer `bringup off` and was ended"


class Happened(Enum):
    """What ends a wait, beside a line from the tool."""

    PIPE_ENDED = "pipe ended"
    GONE = "gone"
    ASKED = "asked"
    TERMINATED = "terminated"


class Guardian:
    """One tool, one supply."""

    def __init__(self, spec: GuardianSpec, vigil: Vigil, tool: ToolProcess) -> None:
        self._spec, self._vigil, self._tool = spec, vigil, tool
        self._events: Letters[object] = Letters()
        self.asked = threading.Event()
        self._asked_at: float | None = None

    def put(self, event: str | Happened) -> None:
        """Wake the wait. Callable from any thread and from a signal handler."""
        if event is Happened.ASKED:
            self.asked.set()
        self._events.put(event)

    def watch(self) -> Why:
        """Wait until there is something to do, or nothing any more."""
        pipe_ended = terminated = False
        while True:
            vigil = self._vigil
            if vigil.last_word is not None:
                return {
                    LastWord.STAND_DOWN: Why.STOOD_DOWN,
                    LastWord.STAND_DOWN_AND_LOOK: Why.LOOK,
                    LastWord.TAKE_OVER: Why.TAKE_OVER,
                }[vigil.last_word]
            if terminated and not vigil.on:
                return Why.STOOD_DOWN
            event = self._next()
            if event is Happened.GONE:
                if not pipe_ended:
                    self._rest()
                if vigil.last_word is None:
                    return Why.DIED
            elif event is Happened.PIPE_ENDED:
                pipe_ended = True
            elif event is Happened.TERMINATED:
                terminated = True
            elif event is Happened.ASKED and self._asked_at is None:
                self._asked_at = time.monotonic()
            if self._finished():
                return Why.ASKED
            if (pipe_ended and vigil.on and not self._tool.gone.wait(DYING)) or vigil.hangs(time.monotonic()):
                return Why.HUNG

    def _finished(self) -> bool:
        """Whether a tool that did not answer `bringup off` has had the time to obey it, and has not ended well."""
        if self._asked_at is None or time.monotonic() < self._vigil.finishing_until(self._asked_at):
            return False
        self._rest()
        if self._vigil.last_word is not None:
            return False
        return self._tool.gone.is_set() or time.monotonic() >= self._vigil.finishing_until(self._asked_at)

    def _next(self) -> Happened | None:
        """Wait for the next event, take in a line by itself. None: a line, or time has passed."""
        vigil = self._vigil
        finishing = None if self._asked_at is None else vigil.finishing_until(self._asked_at)
        bounds = [bound for bound in (vigil.silent_until, finishing) if bound is not None]
        try:
            event = self._events.get(max(0.0, min(bounds) - time.monotonic()) if bounds else None)
        except Empty:
            if vigil.silent_until is not None and time.monotonic() - vigil.silent_until > OVERSLEPT:
                vigil.overslept(time.monotonic())
            return None
        if isinstance(event, Happened):
            return event
        if isinstance(event, str):
            self._hear(event)
        return None

    def _rest(self) -> None:
        """Take in what the tool said before it was gone."""
        while True:
            try:
                event = self._events.get(0.05)
            except Empty:
                return
            if event is Happened.PIPE_ENDED:
                return
            if isinstance(event, str):
                self._hear(event)

    def _hear(self, line: str) -> None:
        self._vigil.heard(line, time.monotonic())
        _say("heard")

    def act(self, why: Why, control: ControlServer) -> None:
        """Do what has to be done, then keep and say it."""
        if why in (Why.HUNG, Why.ASKED):
            self._tool.kill()
            self._tool.gone.wait(KILLED_WITHIN)
        elif why is Why.LOOK:
            self._tool.gone.wait(GONE_AFTER_WORD)
        account = Account(self._spec, self._vigil, why.value, restore=why in (Why.DIED, Why.HUNG, Why.ASKED))
        duty = SwitchingOff(self._spec, control.address, self.asked, armed=self._vigil.was_on)
        afterwards = Afterwards(self._spec, control, self._events, duty, account)
        try:
            asks = control.asks
            verified, trouble = self._switch_off(why, duty, account, asked=asks > 0)
            afterwards.report(verified, asks)
            if why in (Why.DIED, Why.HUNG, Why.ASKED):
                account.relays = duty.open_relays()
            trouble = "; ".join(filter(None, (trouble, duty.load.trouble())))
            look = bool(verified) and (self._vigil.on or why in (Why.LOOK, Why.ASKED))
            afterwards.go_through(verified, trouble, look=look)
        finally:
            duty.let_go()

    def _switch_off(self, why: Why, duty: SwitchingOff, account: Account, *, asked: bool) -> tuple[bool | None, str]:
        """Return whether the outputs are off (None: none had been on), and what stood in the way.

        Who asks for off means every output, whatever was believed of it.
        """
        vigil, spec = self._vigil, self._spec
        if vigil.load_left and not spec.own_child:
            # The tool has tried for seconds, and nothing else is left to do.
            duty.load.try_for = spec.try_for
            if why is Why.TAKE_OVER and not (vigil.on or asked):
                self._tool.gone.wait(GONE_AFTER_WORD)
                if not duty.take_lock_of_load():
                    return True, f"{LOAD_UNKNOWN}: another program holds it now"
                duty.load.begin()
                return True, ""
        if spec.own_child:
            # Nobody can be asked any more: the outputs ended with the tool that simulated them.
            return None, ""
        if vigil.on or asked or why is Why.ASKED:
            off = duty.until_off(spec.try_for, account.slow)
            return off.verified, off.why
        if not vigil.was_on:
            return None, ""
        # Off was verified before. Told and asked anew, but only while nobody else has the supply.
        duty.take_lock()
        if not duty.holds:
            return True, ""
        off = duty.once(LOOK_PATIENCE, look_first=True)
        if off.reached and not off.verified:
            off = duty.until_off(spec.try_for, account.slow)
            return off.verified, off.why
        if off.found_on:
            account.came_on_again(True, off.why)
        return True, off.why if off.verified else ""


def _say(line: str) -> None:
    try:
        os.write(1, f"{line}\n".encode())
    except OSError:
        return  # nobody listens any more; the end of the tool is noticed otherwise


def _read_line() -> str:
    """Read one line of standard input, byte by byte: what follows belongs to the thread that reads on."""
    data = bytearray()
    while not data.endswith(b"\n"):
        if not (piece := os.read(0, 1)):
            break
        data += piece
    return data.decode("ascii").strip()


def _listen(guardian: Guardian) -> None:
    """Pass on every line until the pipe ends."""
    buffer = b""
    while data := os.read(0, 4096):
        *lines, buffer = (buffer + data).split(b"\n")
        for line in lines:
            guardian.put(line.decode("ascii", "replace"))
    guardian.put(Happened.PIPE_ENDED)


def _hold_off_signals(guardian: Guardian) -> None:
    for name in ("SIGINT", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGTTIN", "SIGTTOU", "SIGBREAK"):
        if (number := getattr(signal, name, None)) is not None:
            signal.signal(number, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: guardian.put(Happened.TERMINATED))


def main() -> int:
    """Read the spec, load, watch, act."""
    spec = read_spec(_read_line())
    tool = ToolProcess(spec.tool)
    vigil = Vigil(spec.hang_bound)
    guardian = Guardian(spec, vigil, tool)
    _hold_off_signals(guardian)
    with ExitStack() as leave:
        control = leave.enter_context(ControlServer(lambda: guardian.put(Happened.ASKED)))
        try:
            load(spec.backend)
            _hold_our_name(leave, spec, control)
        except BringupError as error:
            _say(error.message)
            return 1
        tool.watch(lambda: guardian.put(Happened.GONE))
        threading.Thread(target=_listen, args=(guardian,), name="lines", daemon=True).start()
        _say("ready")
        why = guardian.watch()
        if why is not Why.STOOD_DOWN:
            guardian.act(why, control)
    return 0


def _hold_our_name(leave: ExitStack, spec: GuardianSpec, control: ControlServer) -> None:
    """Be found as this supply's guardian. Raises BenchError while another one is at work."""
    about = About("bringup guardian", spec.serial, control.address)
    until = time.monotonic() + PREDECESSOR_LEAVES
    while True:
        try:
            leave.enter_context(hold((guardian_lock(spec.lock),), about))
        except BringupError:
            if time.monotonic() > until:
                raise
            time.sleep(0.05)
        else:
            return


def entry() -> None:
    """Run and leave at once: nothing here needs Python's own way of ending, which takes its time."""
    code = 1
    try:
        code = main()
    except BaseException:  # noqa: BLE001 - the last line: it is shown to whoever started us
        sys.excepthook(*sys.exc_info())
    finally:
        sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    entry()
