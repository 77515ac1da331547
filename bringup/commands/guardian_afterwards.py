"""What the guardian does after its first report: keeps and says it, looks again, and obeys whoever asks for off.

Keeping may take its time in a logbook that somebody else holds, so it goes on beside the rest; nobody who asks is
answered from memory, since a hand may have been at the supply's panel meanwhile.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from queue import Empty

from bringup.commands.guardian_duty import LOOK_PATIENCE, LOOKS_AGAIN, SwitchingOff
from bringup.commands.guardian_spec import GuardianSpec
from bringup.commands.guardian_words import Account
from bringup.host.bell import Letters
from bringup.host.control import ControlServer, Outcome


class Afterwards:
    """The end of one duty. `events`: whatever is put there ends a wait."""

    def __init__(
        self, spec: GuardianSpec, control: ControlServer, events: Letters[object], duty: SwitchingOff, acc: Account
    ) -> None:
        self._spec, self._control, self._events, self._duty, self._account = spec, control, events, duty, acc
        self._words = ThreadPoolExecutor(1)
        self._said: list[Future[None]] = []
        self._looks: list[float] = []
        """Monotonic seconds of the looks still to come."""

    def report(self, verified: bool | None, asks: int) -> None:
        """Tell the first `asks` who asked for off what asking supply and load has shown; None is no knowledge."""
        known = Outcome.OFF if verified is True and not self._duty.load.trouble() else Outcome.UNKNOWN
        self._control.report(Outcome.NONE if self._spec.own_child else known, asks)

    def go_through(self, verified: bool | None, trouble: str, *, look: bool) -> None:
        """Keep and say what became of the outputs, look again if wanted, and leave when nothing is left to do."""
        settled = self._say(lambda: self._account.settle(verified, trouble))
        begun = time.monotonic()
        self._looks = [begun + after for after in LOOKS_AGAIN] if look else []
        last = look
        while self._looks or self._control.waiting or not all(each.done() for each in self._said):
            if self._control.waiting:
                self._obey()
            if last and settled.done():
                last = False
                self._looks[-1:] = [time.monotonic() + LOOKS_AGAIN[-1]]
            if self._looks and time.monotonic() >= self._looks[0]:
                self._looks.pop(0)
                self._look_again()
            self._wait()
        for each in self._said:
            each.result()

    def _wait(self) -> None:
        """Wait for the next look, for somebody who asks, or for something to be kept."""
        if self._control.waiting:
            return
        if self._looks or not all(each.done() for each in self._said):
            try:
                self._events.get(max(0.0, self._looks[0] - time.monotonic()) if self._looks else None)
            except Empty:
                return

    def _say(self, words: Callable[[], None]) -> Future[None]:
        """Have something kept and said beside the rest, in order."""
        said = self._words.submit(words)
        self._said.append(said)
        said.add_done_callback(lambda _: self._events.put(None))
        return said

    def _obey(self) -> None:
        """Switch off and ask anew for whoever asks now."""
        asks = self._control.asks
        if self._spec.own_child:
            self.report(None, asks)
            return
        self._duty.load.forget()
        off = self._duty.until_off(self._spec.try_for, self._account.slow)
        self.report(off.verified, asks)
        if not off.verified:
            self._say(lambda: self._account.not_off(off.why))

    def _look_again(self) -> None:
        """See to it that off stays off, while nobody else has the supply. One that is gone by now was verified off."""
        self._duty.take_lock()
        if not self._duty.holds:
            self._looks.clear()
            return
        off = self._duty.once(LOOK_PATIENCE, look_first=True)
        if off.reached and not off.verified:
            off = self._duty.until_off(self._spec.try_for, self._account.slow)
            self._say(lambda: self._account.came_on_again(off.verified, off.why))
        elif off.found_on:
            self._say(lambda: self._account.came_on_again(True, off.why))
