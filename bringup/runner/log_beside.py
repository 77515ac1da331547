"""What goes on beside the samples of a `log`: marks set at their moments or by a key, temperatures read or typed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from bringup.core.marks import Marks
from bringup.core.procedure import Log
from bringup.runner.key_words import MARK, TEMPERATURE
from bringup.runner.temperatures import Temperatures
from bringup.runner.work import Work


@dataclass(slots=True)
class Beside:
    """Marks and temperatures of one log."""

    work: Work
    marks: Marks
    temperatures: Temperatures

    def wait_until(self, due: float) -> None:
        """Wait for the next sample; meanwhile do what is due: the person may have to act on a mark."""
        while True:
            until = min(due, self.marks.next_due, self.temperatures.next_due)
            self.temperatures.wait_until(until)
            for text in self.marks.take_due(self.work.waits.clock.monotonic()):
                tell_mark(self.work, text)
            self.temperatures.serve()
            if self.work.waits.clock.monotonic() >= due:
                return

    def press(self) -> None:
        """Set a mark by the key."""
        if text := self.marks.press(self.work.waits.clock.monotonic()):
            tell_mark(self.work, text)


def tell_mark(work: Work, text: str) -> None:
    """Keep a mark."""
    work.journal.event("mark", f"mark: {text}", {"mark": text})


@contextmanager
def meanwhile(work: Work, action: Log, begun: float) -> Iterator[Beside]:
    """Have the keys of a log do what they do while it goes on."""
    marks = Marks(begun, [(text, after.number) for text, after in action.marks])
    beside = Beside(work, marks, Temperatures(work, action, begun, marks))
    work.of_log[MARK] = beside.press
    work.evidence.beside = [beside.temperatures]
    if action.temperatures:
        work.of_log[TEMPERATURE] = beside.temperatures.press
    try:
        yield beside
    finally:
        work.of_log.clear()
        beside.temperatures.close()
