"""THE wait point: the only place in the runner where time passes.

Every wait wakes for the awaited result, the next look at the supply, a key and an interruption. In an emergency
nothing may hold up switching off: no looks, no keys, interruptions stay latched, and a hard end bounds every wait.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol, TypeVar

from bringup.core.frozen import frozen
from bringup.errors import LinkError, LogbookError
from bringup.runner.endings import Ending, Interrupted, MissingEvidence, NobodyAnswered
from bringup.runner.journal import Journal
from bringup.runner.patience import WARNED_AT, Patience
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.protocols import Ask, Clock
from bringup.runner.reasons import not_a_reason
from bringup.runner.records import Interruption
from bringup.runner.wakefulness import Wakefulness
from bringup.runner.watch import Watch

T = TypeVar("T")

WAY_OUT = "q"
"""Typed instead of a reason it calls off, as the key does."""


@frozen
class Offer:
    """A question that was put without waiting for its answer."""

    pending: Pending[Answer]
    number: int
    text: str = ""


def take_off_asked(clock: Clock) -> bool:
    """Forget every interruption that is latched; return whether `bringup off` was among them."""
    asked = False
    while (interruption := clock.interruption()) is not None:
        clock.acknowledge()
        asked = asked or interruption is Interruption.OFF_ASKED
    return asked


class Lines(Protocol):
    """Where text comes from while nobody waits for it (runner.listening)."""

    def take(self) -> None:
        """Take a bounded amount of what has come."""

    @property
    def waiting(self) -> bool:
        """Whether there is more."""


class WaitPoint:
    """Where the main thread waits. `on_key` may raise, or ask something itself."""

    def __init__(self, clock: Clock, ask: Ask, journal: Journal, watch: Watch) -> None:
        self.clock = clock
        self.on_key: Callable[[str], None] = lambda _key: None
        self._ask = ask
        self._journal = journal
        self._watch = watch
        self.wakefulness = Wakefulness(clock, journal, lambda: watch.busy)
        self.lines: Lines | None = None
        """The serial lines that are heard."""
        self._hard_end: float | None = None
        self._handling_key = False
        self._unheard_since = -math.inf
        """When keys and interruptions were looked at last in a `pause`."""
        self.patience = Patience()
        self._questions = 0
        """How many questions were put; a new one takes an older one off the screen."""
        self.somebody = True
        """Whether questions get an answer at all. Otherwise a question ends the attempt, incomplete."""
        self.may_ask = True
        """Whether a key may put a question of its own. Not while a role waits for a person: its question would be
        lost, and only the role can put it again."""

    def result(self, pending: Pending[T], role: str = "instrument", doing: str = "") -> T:
        """Return the value, or raise its error. A pending past its deadline is lost: LinkError.

        `role` and `doing` say who is waited for and what for. Without a deadline it is a person, whose question is
        taken off the screen if anything ends the wait.
        """
        of_a_person = math.isinf(pending.deadline)
        before = self.may_ask
        self.may_ask = before and not of_a_person
        try:
            if of_a_person:
                self.while_somebody_is_there(lambda: pending.done, doing)
            else:
                self._until(lambda: pending.done, pending.deadline)
        finally:
            self.may_ask = before
            if of_a_person and not pending.done:
                self._ask.withdraw()
        if not pending.done and pending.known_by_then is not None:
            return pending.known_by_then()
        if not pending.done:
            what = f": {doing}" if doing else ""
            role = pending.whose or role
            raise LinkError(f"the {role} did not answer in time{what}", instrument=role)
        return pending.value()

    def until(self, pending: Pending[T], until: float, text: str = "") -> bool:
        """Wait for it until that monotonic moment, watching the supply. Returns whether it has come."""
        if text and math.isfinite(until):
            self._journal.show("going", text, until=until, seconds=max(0.0, until - self.clock.monotonic()))
        return self._until(lambda: pending.done, until)

    def sleep(self, seconds: float, text: str = "") -> None:
        """Let so many seconds pass, watching the supply. `text` says what for."""
        until = self.clock.monotonic() + seconds
        self.sleep_until(until, text)

    def sleep_until(self, until: float, text: str = "") -> None:
        """Let time pass until that monotonic moment, watching the supply."""
        if text:
            self._journal.show("going", text, until=until, seconds=max(0.0, until - self.clock.monotonic()))
        self._until(lambda: False, until)

    def answer(self, prompt: Prompt, *, within: float = math.inf) -> Answer:
        """Put a question and return its answer. Whatever ends the wait takes the question off the screen.

        If a key puts another question meanwhile (a note), this one is put again afterwards. Raises NobodyAnswered after
        `within` seconds, or where the procedure bounds how long an output may be on meanwhile.
        """
        if not self.somebody:
            raise MissingEvidence(f"nobody is here to answer: {prompt.text}")
        try:
            answer = self._answered(prompt, within)
        except BaseException:
            self._ask.withdraw()
            raise
        self._journal.show(
            "prompt-answered", prompt.text, kind=str(prompt.kind), answer=answer.text, by_itself=answer.by_itself
        )
        return answer

    def put(self, prompt: Prompt) -> Offer:
        """Put a question that nothing waits for: what happens meanwhile may take it back."""
        self._questions += 1
        return Offer(self._ask.ask(prompt), self._questions, prompt.text)

    def stands(self, offer: Offer) -> bool:
        """Whether it is the question on the screen, or was answered there: no other one took its place."""
        return self._questions == offer.number

    def while_somebody_is_there(self, done: Callable[[], bool], text: str, within: float = math.inf) -> None:
        """Wait for a person until it is done. Raises NobodyAnswered, after a warning, where that takes too long."""
        left = self.patience.left(within)
        if math.isinf(left):
            self._until(done, math.inf)
            return
        now = self.clock.monotonic()
        if not self._until(done, now + WARNED_AT * left):
            self.warn(left)
            if not self._until(done, now + left):
                raise NobodyAnswered(left, text)

    def warn(self, within: float) -> None:
        """Say that a person has not answered for most of the time that there is."""
        self._journal.show("event", self.patience.warning(within), kind="due")

    def until_answered(self, offer: Offer, until: float) -> None:
        """Wait until it was answered, another question took its place, or that monotonic moment has come.

        Without such a moment it is bounded as `answer` is.
        """
        if math.isinf(until):
            self.while_somebody_is_there(lambda: offer.pending.done or not self.stands(offer), offer.text)
        else:
            self._until(lambda: offer.pending.done or not self.stands(offer), until)

    def take_back(self, offer: Offer) -> None:
        """Take the question off the screen, unless it is gone already."""
        if self.stands(offer) and not offer.pending.done:
            self._ask.withdraw()

    def _answered(self, prompt: Prompt, within: float) -> Answer:
        while True:
            self._questions += 1
            mine, pending = self._questions, self._ask.ask(prompt)
            if math.isinf(pending.deadline):
                done = lambda p=pending, m=mine: p.done or self._questions != m  # noqa: E731
                self.while_somebody_is_there(done, prompt.text, within)
            else:
                self._until(lambda p=pending, m=mine: p.done or self._questions != m, pending.deadline)  # type: ignore[misc]
            if pending.done and (prompt.kind is not PromptKind.GO or self._questions == mine):
                return pending.value()  # a go that was given before another question is asked for anew after it
            if self._questions == mine:
                raise LinkError("nobody answered in time", instrument="person")

    def reason(self, text: str, *, suggestion: str = "", lines: tuple[str, ...] = ()) -> Answer:
        """Ask for a typed reason until one is given; `q` alone is what it is as a key."""
        remark: tuple[str, ...] = ()
        while True:
            answer = self.answer(Prompt(PromptKind.REASON, text, lines=(*lines, *remark), suggestion=suggestion))
            if answer.text.strip() == WAY_OUT:
                self.on_key(WAY_OUT)
            elif not (why := not_a_reason(answer.text)):
                return answer
            else:
                remark = (why,)

    @contextmanager
    def emergency(self, seconds: float) -> Iterator[None]:
        """Within, nothing but the awaited result counts, and no wait goes beyond `seconds` from now."""
        before, end = self._hard_end, self.clock.monotonic() + seconds
        self._hard_end = end if before is None else min(before, end)
        try:
            yield
        finally:
            self._hard_end = before

    @property
    def attended(self) -> bool:
        """Whether a person is at the bench, who could end something with a key."""
        return self._ask.attended

    def forget_pressed(self) -> None:
        """Forget whatever was pressed or came so far: it was no answer to what is said next."""
        self._unheard_since = self.clock.monotonic()
        while self.clock.interruption() is not None:
            self.clock.acknowledge()
        while self._ask.key() is not None:
            pass

    def pause(self, seconds: float, stop_key: str, *, ctrl_c_from: float) -> str:
        """Let time pass where nothing is left but to try again. Returns what ended it early: the key, or a Ctrl-C.

        A Ctrl-C counts only if it certainly came after that monotonic moment. Other keys and interruptions are dropped:
        they are nobody's word that anything is done. '' says that the time has passed.
        """
        until = self.clock.monotonic() + seconds
        while True:
            # What is found here came after we looked last; on waking from a wait it has come just now.
            while (interruption := self.clock.interruption()) is not None:
                self.clock.acknowledge()
                if interruption is Interruption.CTRL_C and self._unheard_since >= ctrl_c_from:
                    return interruption.value
            while (key := self._ask.key()) is not None:
                if key == stop_key:
                    return key
            self._unheard_since = self.clock.monotonic()
            if self._unheard_since >= until:
                return ""
            self.clock.wait(until)
            self._unheard_since = self.clock.monotonic()

    def look_around(self) -> None:
        """Do what every wait does on waking. Raises an Ending if something calls for it."""
        self._watch.raise_owed()
        try:
            self.wakefulness.look()
        except Ending as error:
            self._watch.unless_spared(error)
        interruption = self.clock.interruption()
        if interruption is Interruption.HANG_UP:
            self.clock.acknowledge()
            self._watch.unless_spared(Interrupted(interruption))  # a terminal that is lost is no person's word
        elif interruption is not None:
            self.clock.acknowledge()
            raise Interrupted(interruption)
        self._watch.service()
        if self.lines is not None:
            self.lines.take()
        if not self._handling_key:
            self._take_keys()

    def _take_keys(self) -> None:
        """Act on every key that is there: one that means something must not wait behind others for the next waking."""
        self._handling_key = True
        try:
            while (key := self._ask.key()) is not None:
                self.on_key(key)
        except LogbookError as error:
            self._watch.unless_spared(error)
        finally:
            self._handling_key = False

    def _until(self, done: Callable[[], bool], deadline: float) -> bool:
        """Wait until `done` or the deadline; returns whether it is done."""
        while True:
            if self._hard_end is None:
                self.look_around()
                wake_at = min(deadline, self._watch.next_due())
                if self.lines is not None and self.lines.waiting:
                    wake_at = self.clock.monotonic()
            else:
                wake_at = deadline = min(deadline, self._hard_end)
            if done():
                return True
            now = self.clock.monotonic()
            if now >= deadline:
                return False
            self.wakefulness.due(wake_at)
            self.clock.wait(wake_at)
