"""The wire to one instrument, as the runner holds it. Its worker thread alone opens, uses and closes the session."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

from bringup.core.bench import Identity
from bringup.core.dialect import Message
from bringup.errors import LinkError
from bringup.instruments.batches import unanswered
from bringup.instruments.conversation import Conversation
from bringup.instruments.visa_open import open_session
from bringup.instruments.wire import MARGIN, WRITE_WITHIN, Broken, Session, Wire
from bringup.instruments.worker import Worker
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault, Reply


class VisaLink:
    """The wire to one instrument (runner.protocols.Link)."""

    def __init__(
        self,
        role: str,
        resource: str,
        wire: Wire,
        *,
        backend: str = "@py",
        wake: Callable[[], None] = lambda: None,
        connect: Callable[[], Session] | None = None,
    ) -> None:
        """`connect` makes another Session than one of pyvisa (for whoever carries messages differently)."""
        self.name = f"{role} at {resource}"
        self.resource = resource
        self._wire = wire
        self._wake = wake
        self._connect = connect or (lambda: open_session(resource, backend, wire))
        self._lock = threading.Lock()
        self._hurried = 0
        self._closed = False
        self._farewell = True
        self.left_behind = False
        """Whether a call never came back: it may still be carried out when its session is closed."""
        self.asked = threading.Event()
        """Set once `*IDN?` is on its way."""
        self._start(None)

    def _start(self, identity: Identity | None) -> None:
        """Put a worker to work on a session of its own."""
        conversation: Conversation | None = None

        def finish() -> None:
            if conversation is None:
                return
            if self._closed and self._farewell and conversation is self._conversation:
                conversation.leave()
            else:  # It was left behind: another session speaks to the instrument now.
                conversation.close()

        self._worker = Worker(self.name, finish)
        self._conversation = conversation = Conversation(
            self._connect, self._wire, self._worker.cancelled, identity, self.asked.set
        )

    @property
    def identity(self) -> Identity | None:
        """What it last answered to `*IDN?`; None before that."""
        return self._conversation.identity

    def open(self) -> Pending[Identity]:
        """Connect and ask who it is, sending nothing else. The Pending raises LinkError where nobody answers."""

        def job(conversation: Conversation, pending: Pending[Identity]) -> None:
            try:
                conversation.open()
            except Broken as broken:
                pending.fail(
                    LinkError(f"{self.name}: {broken.why}", instrument=self.name, sent=self._wire.identify.text)
                )
                return
            assert conversation.identity is not None
            pending.settle(conversation.identity)

        return self._put(job, 0.0)

    def submit(self, messages: Sequence[Message]) -> Pending[tuple[Reply, ...]]:
        """Exchange these in order, with nothing in between. One Reply per message; after a fault, NOT_SENT."""
        batch, before = tuple(messages), self._hurried

        def job(conversation: Conversation, pending: Pending[tuple[Reply, ...]]) -> None:
            pending.settle(conversation.exchange(batch, lambda: self._hurried != before))

        if self._closed:
            closed: Pending[tuple[Reply, ...]] = Pending(time.monotonic(), self._wake)
            closed.settle(tuple(unanswered(batch, LinkFault.LOST, "the link was closed")))
            return closed
        return self._put(job, sum(self._longest(message) for message in batch))

    def hurry(self) -> None:
        """Send nothing more of what was submitted so far: something urgent follows."""
        self._hurried += 1

    def close(self, within: float = 1.0, *, farewell: bool = True) -> None:
        """Close for good, waiting that many seconds at most: a worker that hangs is left behind.

        `farewell`: say what the dialect has to be said before closing.
        """
        self._closed, self._farewell = True, farewell
        self.left_behind = not self._worker.stop(within) or self.left_behind

    def _longest(self, message: Message) -> float:
        """Seconds that a message may take."""
        answered = message.expects is not None or self._wire.answers_what_is_told
        spelt_out = WRITE_WITHIN if self._wire.echo == "characters" else 0.0
        return (message.timeout if answered else 0.0) + spelt_out + self._wire.gap + message.gap + 0.01

    def _longest_opening(self) -> float:
        """Seconds that connecting, identifying and what belongs to it may take, tried until it is given up."""
        wire = self._wire
        once = wire.identify.timeout + sum(self._longest(message) for message in (*wire.greeting, *wire.opening))
        return max(wire.recovery, wire.patience) + 2 * once

    def _put(self, job: Callable[[Conversation, Pending[Any]], None], budget: float) -> Pending[Any]:
        """Queue a job; its Pending is due when all before it and the job itself should be done."""
        with self._lock:
            now = time.monotonic()
            if self._worker.overdue(now) or self._conversation.hangs(now):
                # A call that does not return: leave it behind and speak to the instrument anew.
                self.left_behind = True
                self._worker.stop(None)
                self._start(self._conversation.identity)
            busy_until = self._worker.busy_until(now)
            conversation = self._conversation
            if not conversation.is_open or busy_until > now:
                budget += self._longest_opening()
            pending: Pending[Any] = Pending(busy_until + budget + MARGIN, self._wake)

            def work() -> None:
                try:
                    job(conversation, pending)
                except BaseException as error:  # noqa: BLE001 - a bug of ours: whoever waits must hear of it
                    pending.fail(error)

            self._worker.put(work, pending.deadline)
            return pending
