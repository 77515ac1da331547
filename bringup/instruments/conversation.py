"""The conversation with one instrument over one session: opening, identifying, asking, hearing, and starting anew.

Runs in the instrument's worker thread only and blocks there. It knows lines and messages, not pyvisa; whatever a
session throws reaches it as a Broken.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Sequence

from bringup.core.bench import Identity
from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind, read_identity
from bringup.core.understanding import can_be_answer
from bringup.instruments.batches import encoded, grouped, kept, unanswered
from bringup.instruments.hearing import Hearing
from bringup.instruments.wire import BLANK, MARGIN, WRITE_WITHIN, Broken, Refusal, Session, Wire
from bringup.runner.records import LinkFault, Reply

FAREWELL_WITHIN = 0.3
"""Seconds for the answer to what is said before closing: nobody waits longer for that."""


class Conversation:
    """What is said to one instrument and what it says. `identity` is what it last answered to `*IDN?`."""

    def __init__(
        self,
        connect: Callable[[], Session],
        wire: Wire,
        cancelled: threading.Event,
        identity: Identity | None = None,
        asked: Callable[[], None] = lambda: None,
    ) -> None:
        """`asked` is called each time who it is has been asked."""
        self.identity = identity
        self.trouble_at_close = ""
        """What went wrong while taking leave: it changes nothing, the session is gone either way."""
        self._connect = connect
        self._wire = wire
        self._cancelled = cancelled
        self._asked = asked
        self._session: Session | None = None
        self._hearing: Hearing | None = None
        self._ready_at = 0.0
        self._back_by = math.inf
        self._write_end = wire.write_end.encode("latin-1")

    @property
    def is_open(self) -> bool:
        """Whether there is a session that has answered to everything so far."""
        return self._session is not None

    def hangs(self, now: float) -> bool:
        """Whether a call that should have returned by now has not: for any thread to ask."""
        return now > self._back_by

    def open(self) -> None:
        """Connect and identify, unless that was done. Raises Broken."""
        known = self.identity is not None
        give_up = time.monotonic() + (self._wire.recovery if known else self._wire.patience)
        pause = 0.05
        while self._session is None:
            self._back_by = time.monotonic() + self._wire.identify.timeout + WRITE_WITHIN + MARGIN
            try:
                self._open_once()
            except Broken as broken:
                self.close()
                self._back_by = math.inf
                again = broken.fault is LinkFault.TIMEOUT or (known and broken.fault is LinkFault.LOST)
                if not again or time.monotonic() + pause > give_up or self._cancelled.wait(pause):
                    raise
                pause *= 2
        self._back_by = math.inf

    def close(self) -> None:
        """Close the session; the next exchange opens another one."""
        session, self._session, self._hearing = self._session, None, None
        if session is not None:
            session.close()

    def leave(self) -> None:
        """Close for good; one that works is told so first, where its dialect has words for that. Never raises."""
        session, hearing = self._session, self._hearing
        try:
            if session is not None and hearing is not None and self.identity is not None:
                for message in self._wire.closing:
                    sent = self._send(session, hearing, (message,))
                    self._hear(hearing, message, sent + min(FAREWELL_WITHIN, message.timeout), [])
        except (Broken, Refusal) as trouble:
            self.trouble_at_close = trouble.why
        finally:
            self._back_by = math.inf
            self.close()

    def exchange(self, messages: Sequence[Message], gives_way: Callable[[], bool] = lambda: False) -> tuple[Reply, ...]:
        """Send the messages and hear their answers, one Reply each. Never raises.

        Once it `gives_way`, what has not been sent is not sent: something urgent waits.
        """
        replies: list[Reply] = []
        try:
            self.open()
            assert self._session is not None
            joined = self._session.joins_writes and self._wire.gap == 0 and not self._wire.answers_what_is_told
            for group in grouped(messages, joined=joined):
                if gives_way():
                    replies += unanswered(messages[len(replies) :], LinkFault.GAVE_WAY, LinkFault.GAVE_WAY.value)
                    break
                self._exchange_group(group, replies)
        except Broken as broken:
            self.close()
            replies += unanswered(messages[len(replies) :], broken.fault, broken.why)
        except Refusal:
            replies += unanswered(messages[len(replies) :], LinkFault.NOT_SENT, "an earlier message was refused")
        finally:
            self._back_by = math.inf
        return tuple(replies)

    def _exchange_group(self, group: Sequence[Message], replies: list[Reply]) -> None:
        """Send messages of which only the last may be answered. Appends their replies; raises Broken after a fault."""
        session, hearing, last = self._session, self._hearing, group[-1]
        assert session is not None
        assert hearing is not None
        answered = last.expects is not None or self._wire.answers_what_is_told
        strays = hearing.stale() if answered else []
        if self._cancelled.is_set():
            raise Broken(LinkFault.LOST, "the link was given up")
        sent = self._send(session, hearing, group)
        replies += [Reply(message, None, sent, sent) for message in group[:-1]]
        try:
            line = self._hear(hearing, last, sent + last.timeout, strays)
        except Refusal as refusal:
            now = time.monotonic()
            replies.append(Reply(last, None, sent, now, LinkFault.REFUSED, kept(strays), refusal.why))
            raise
        except Broken as broken:
            replies.append(Reply(last, None, sent, time.monotonic(), broken.fault, kept(strays), broken.why))
            raise Broken(LinkFault.NOT_SENT, "an earlier message was not answered") from broken
        replies.append(Reply(last, line, sent, time.monotonic() if answered else sent, None, kept(strays)))

    def _send(self, session: Session, hearing: Hearing, group: Sequence[Message]) -> float:
        """Keep the gap, write, and return when."""
        rest = self._ready_at - time.monotonic()
        if rest > 0:
            time.sleep(rest)
        # Each message has its own time-out, so a call that never returns shows long before the batch's deadline.
        self._back_by = time.monotonic() + WRITE_WITHIN + MARGIN
        if self._wire.echo == "characters":
            for message in group:
                self._spell_out(session, hearing, message)
        else:
            session.write(b"".join(encoded(message) + self._write_end for message in group))
        sent = time.monotonic()
        self._rest_after(group[-1], sent)
        self._back_by = sent + group[-1].timeout + MARGIN
        return sent

    def _spell_out(self, session: Session, hearing: Hearing, message: Message) -> None:
        """Write character by character, each once the one before has come back: the next would be lost else.

        The last one makes the instrument act, which may take its time: what comes back of it is heard as an empty line.
        """
        until = time.monotonic() + WRITE_WITHIN
        for code in encoded(message) + self._write_end[:-1]:
            character = bytes((code,))
            session.write(character)
            if not hearing.echoed(character, until):
                raise Broken(LinkFault.TIMEOUT, f"it does not repeat {chr(code)!r}: the rest was not sent")
        if self._write_end:
            session.write(self._write_end[-1:])

    def _rest_after(self, message: Message, now: float) -> None:
        """Note when the next message may go out."""
        self._ready_at = now + self._wire.gap + message.gap

    def _hear(self, hearing: Hearing, message: Message, until: float, strays: list[str]) -> str | None:
        """Hear all that belongs to a message that was sent; return its answer. Raises Refusal and Broken."""
        wire = self._wire
        if wire.echo == "lines":
            self._hear_repeated(hearing, message, until, strays)
        elif wire.echo == "characters" and message.expects is None:
            self._hear_end_repeated(hearing, until, strays)
        line = None if message.expects is None else self._answer(hearing, message, until, strays)
        if wire.acknowledge and (message.expects is None or wire.acknowledges_everything):
            self._hear_acknowledged(hearing, until)
        if message.expects is not None or wire.answers_what_is_told:
            self._rest_after(message, time.monotonic())
        return line

    def _answer(self, hearing: Hearing, message: Message, until: float, strays: list[str]) -> str:
        """Return the first line that can be the answer; others become strays. Raises Broken after `until`."""
        while True:
            if message.expects is ReplyKind.BLOCK:
                line = hearing.definite_block(until)
            else:
                line = hearing.block(message.bytes, until) if message.bytes else hearing.line(until)
            if line is None:
                raise Broken(LinkFault.TIMEOUT, "no answer in time")
            if line != (self._wire.acknowledge or None) and can_be_answer(message, line):
                return line
            if line:
                strays.append(line)
            if time.monotonic() > until:
                raise Broken(LinkFault.TIMEOUT, "no answer in time, only lines that answer something else")

    def _hear_repeated(self, hearing: Hearing, message: Message, until: float, strays: list[str]) -> None:
        """Hear our own line come back."""
        ours = encoded(message).decode("latin-1").strip(BLANK)
        while (line := hearing.line(until)) is not None:
            if line == ours:
                return
            if line:
                strays.append(line)
        raise Broken(LinkFault.TIMEOUT, "it does not repeat what was sent")

    def _hear_end_repeated(self, hearing: Hearing, until: float, strays: list[str]) -> None:
        """Hear the end of our line come back, while the instrument acts; one that keeps it to itself is waited for."""
        if line := hearing.line(until):
            strays.append(line)

    def _hear_acknowledged(self, hearing: Hearing, until: float) -> None:
        """Hear the line that says that all is well. Raises Refusal with any other."""
        while (line := hearing.line(until)) is not None:
            if line == self._wire.acknowledge:
                return
            if line:
                raise Refusal(f"it was refused: the answer is {line!r}, not {self._wire.acknowledge!r}")
        raise Broken(LinkFault.TIMEOUT, f"it does not answer {self._wire.acknowledge!r} in time")

    def _open_once(self) -> None:
        """Connect and ask who it is. Nothing that sets anything goes out before it has answered."""
        self._session = session = self._connect()
        self._hearing = hearing = Hearing(session, self._wire)
        if self._cancelled.is_set():
            raise Broken(LinkFault.LOST, "the link was given up")
        self._tell(session, hearing, self._wire.greeting)
        sent = self._send(session, hearing, (self._wire.identify,))
        self._asked()
        until = sent + self._wire.identify.timeout
        self.identity = self._identified(hearing, until)
        if self._wire.acknowledges_everything:
            try:
                self._hear_acknowledged(hearing, until)
            except Refusal as refusal:
                raise Broken(LinkFault.REFUSED, f"{self._wire.identify.text}: {refusal.why}") from refusal
        self._tell(session, hearing, self._wire.opening)

    def _identified(self, hearing: Hearing, until: float) -> Identity:
        """Hear who it is; of another instrument than before, only that. Raises Broken."""
        other: Identity | None = None
        question = self._wire.identify
        while (line := hearing.line(until)) is not None and time.monotonic() < until:
            if line in (question.text, self._wire.acknowledge) or not can_be_answer(question, line):
                continue
            identity = read_identity(line)
            if self.identity is None or same_instrument(identity, self.identity):
                return identity
            other = identity
        if other is not None and self.identity is not None:
            raise Broken(LinkFault.OTHER_INSTRUMENT, f"{other.text!r} answers where {self.identity.text!r} did before")
        raise Broken(
            LinkFault.TIMEOUT,
            f"it takes the connection but does not answer {question.text}: "
            "another program may hold it, or it is not a SCPI instrument",
        )

    def _tell(self, session: Session, hearing: Hearing, messages: Sequence[Message]) -> None:
        """Say what belongs to opening. What is refused there ends the opening: nothing would work after it."""
        for message in messages:
            sent = self._send(session, hearing, (message,))
            try:
                self._hear(hearing, message, sent + message.timeout, [])
            except Refusal as refusal:
                raise Broken(LinkFault.REFUSED, f"{message.text}: {refusal.why}") from refusal
            except Broken as broken:
                raise Broken(broken.fault, f"{message.text}: {broken.why}") from broken


def same_instrument(one: Identity, other: Identity) -> bool:
    """Whether maker, model and serial number agree (firmware may be worded anew after a restart)."""
    return (one.maker, one.model, one.serial) == (other.maker, other.model, other.serial)
