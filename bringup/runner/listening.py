"""The serial lines of an attempt: all that comes is kept with its time, and looked through by the step that waits.

Lines are heard from before power to the attempt's end, so nothing that the board says is missed between steps. The
wait point takes what has come, a bounded amount at a time, so that no flood holds up looking at the supply.
"""

from __future__ import annotations

import codecs
import math
from collections.abc import Callable, Iterator, Mapping
from datetime import timedelta

from bringup.core.expression import Program, literal
from bringup.core.frozen import frozen
from bringup.core.listening import readable
from bringup.core.search import Found, Search
from bringup.runner.journal import Journal
from bringup.runner.pending import Pending
from bringup.runner.protocols import Line
from bringup.runner.records import Heard, InstrumentInfo, LineText

MOST_HELD = 32_768
"""Characters that are held for a step that begins to listen later."""
MOST_KEPT = 32 * 1024 * 1024
"""Characters of one line that an attempt keeps in the logbook."""
MOST_TURNS = 200
"""Turns in which what waits at the end is taken: more than a full queue needs."""
LAST_SHOWN = 80
"""Characters of the latest line that a time-out shows."""


@frozen
class Outcome:
    """What came of waiting for a text."""

    found: Found | None = None
    bad: str = ""
    """The text that must not come and did, which ended the wait."""
    bad_line: str = ""
    """The line it stood in, as far as it had come."""


class _Wish:
    """What a step waits for on one line."""

    def __init__(self, program: Program, bad: tuple[str, ...], before: str, wake: Callable[[], None]) -> None:
        self.pending: Pending[Outcome] = Pending(math.inf, wake)
        self._search = Search(program, before=before)
        self._bad = [(text, Search(literal(text))) for text in bad]
        self._line = ""
        """The latest that was looked through."""
        self._fed = 0
        self.begun = 0
        """Characters that came on the line before those that count."""

    def feed(self, text: str) -> Outcome | None:
        """Look through more text. Whichever text is complete first counts; of two at once the bad one."""
        found = self._search.feed(text)
        bad: tuple[str, Found] | None = None
        for word, search in self._bad:
            other = search.feed(text)
            if other is not None and (bad is None or other.certain < bad[1].certain):
                bad = word, other
        line, self._line = self._line, (self._line + text)[-LAST_SHOWN:]
        before, self._fed = self._fed, self._fed + len(text)
        if bad is not None and (found is None or bad[1].certain <= found.certain):
            return Outcome(bad=bad[0], bad_line=_line_at(line + text, len(line) + bad[1].certain - before))
        return None if found is None else Outcome(found)

    def give_up(self) -> Outcome:
        """Return what is found if nothing more comes."""
        return Outcome(self._search.finish())


def _line_at(text: str, place: int) -> str:
    """Return the line in which a text up to that place stands, as far as it has come."""
    before = text[:place].splitlines()[-1:]
    after = text[place:].splitlines()[:1]
    return "".join([*before, *after])[: 2 * LAST_SHOWN].strip()


def _latest(text: str) -> str:
    """Return the latest line of a text that has something in it, at most so much of it."""
    lines = [line for line in text.splitlines() if line.strip()]
    return lines[-1][-LAST_SHOWN:] if lines else ""


class HeardLine:
    """One line: its bytes decoded, kept, held for later, looked through."""

    def __init__(self, name: str, line: Line, journal: Journal, wake: Callable[[], None]) -> None:
        self.name, self.line = name, line
        self._journal, self._wake = journal, wake
        self._decoder = codecs.getincrementaldecoder("utf-8")("surrogateescape")
        self._held: list[str] = []
        self._length = 0
        self._from = 0
        """Characters that came before what is held."""
        self._before = ""
        """The character before what is held."""
        self._kept = self._lost = 0
        self._wish: _Wish | None = None
        self.also: Callable[[str, float], None] | None = None
        """What else is given each piece of text with the moment (monotonic seconds) at which it came."""
        self.characters = 0
        """So many have come."""
        self.last = ""
        """The latest of what came."""

    def take(self) -> None:
        """Take what has come."""
        for heard in self.line.take():
            if heard.lost:
                self._left_out(heard.lost)
            if heard.news:
                self._say(heard.news)
            if text := self._decoder.decode(heard.data):
                self._keep(heard, text)
                self._look_through(text)
                if self.also is not None:
                    self.also(text, heard.monotonic)

    def _keep(self, heard: Heard, text: str) -> None:
        self.characters += len(text)
        self.last = (self.last + text)[-4 * LAST_SHOWN :]
        before, self._kept = self._kept, self._kept + len(text)
        if self._kept > MOST_KEPT:
            if before <= MOST_KEPT:
                self._say(f"{MOST_KEPT} characters are kept; what more comes is looked through, not kept")
            return
        now, monotonic = self._journal.now()
        at = now - timedelta(seconds=monotonic - heard.monotonic)
        self._journal.line_text(LineText(self._journal.step, self.name, at, heard.monotonic, readable(text)))

    def _left_out(self, lost: int) -> None:
        if not self._lost:
            self._say("bytes come faster than they can be taken, and some are left out")
        self._lost += lost

    def _look_through(self, text: str) -> None:
        self._held.append(text)
        self._length += len(text)
        if self._length > 2 * MOST_HELD:
            self._drop(self._length - MOST_HELD)
        if self._wish is not None and (outcome := self._wish.feed(text)) is not None:
            self._settle(self._wish, outcome)

    def _drop(self, count: int) -> None:
        """Hold so many characters less, the oldest."""
        whole = "".join(self._held)
        if count:
            self._before = whole[count - 1]
        self._held, self._length, self._from = [whole[count:]], len(whole) - count, self._from + count

    def _settle(self, wish: _Wish, outcome: Outcome) -> None:
        self._wish = None
        if outcome.found is not None:
            # What came behind it is for the next step that listens.
            self._drop(max(0, wish.begun + outcome.found.end - self._from))
        wish.pending.settle(outcome)

    @property
    def passed(self) -> int:
        """Characters that came before those that a step looks through."""
        return self._from

    def forget(self) -> None:
        """Hold nothing of what came so far."""
        self._drop(self._length)

    def want(self, program: Program, bad: tuple[str, ...]) -> Pending[Outcome]:
        """Look for it in what is held and in all that comes, until it is found or `give_up`."""
        wish = self._wish = _Wish(program, bad, self._before, self._wake)
        wish.begun = self._from
        if (outcome := wish.feed("".join(self._held))) is not None:
            self._settle(wish, outcome)
        return wish.pending

    def give_up(self) -> Outcome:
        """Look for it no longer; returns what is found if nothing more comes."""
        wish, self._wish = self._wish, None
        if wish is None:
            return Outcome()
        outcome = wish.give_up()
        if outcome.found is not None:
            self._settle(wish, outcome)
        return outcome

    @property
    def latest(self) -> str:
        """The latest line that came, for people."""
        return readable(_latest(self.last))

    def sum_up(self) -> None:
        """Say how much was left out."""
        if self._lost:
            self._say(f"{self._lost} bytes were left out in all")

    def _say(self, text: str) -> None:
        say = self._journal.event_if_possible if self._journal.ending else self._journal.event
        say("line", f"{self.name}: {text}", {"line": self.name})


def taking_part(lines: Mapping[str, Line], *, simulated: bool) -> Iterator[InstrumentInfo]:
    """Yield the lines as they stand in the logbook beside the instruments; `simulated`: as these are."""
    for name, line in lines.items():
        yield InstrumentInfo(name, line.where, "", None, None, simulated=simulated, by_hand=False)


class Listening:
    """All lines of an attempt."""

    def __init__(self, lines: Mapping[str, Line], journal: Journal) -> None:
        self.lines = {name: HeardLine(name, line, journal, journal.clock.wake) for name, line in lines.items()}
        self._journal = journal

    def take(self) -> None:
        """Take what has come on every line, and write what is due."""
        for each in self.lines.values():
            each.take()
        self._journal.write_texts()

    @property
    def waiting(self) -> bool:
        """Whether more has come than was taken."""
        return any(each.line.waiting for each in self.lines.values())

    def restarting(self) -> None:
        """The board is about to start anew: what it said before is no answer to a later step."""
        self.take()
        for each in self.lines.values():
            each.forget()

    def lend(self) -> tuple[Pending[str], ...]:
        """Let go of the ports that programs of this computer need; each is settled once that is done."""
        return tuple(each.line.lend() for each in self.lines.values())

    def take_back(self) -> None:
        """Open again what was lent."""
        for each in self.lines.values():
            each.line.take_back()

    def finish(self) -> None:
        """Take and write the last of it, outputs being off: nothing raises."""
        for each in self.lines.values():
            for _ in range(MOST_TURNS):  # one that still floods is left at some time
                if not each.line.waiting:
                    break
                each.take()
            each.sum_up()
        self._journal.write_texts_if_possible()
