"""A Link in memory: it answers from a table at once, notes what was sent, and fails where a test says so."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bringup.core.bench import Identity
from bringup.core.dialect import Message
from bringup.core.replies import read_identity
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault, Reply

Answer = str | list[str] | LinkFault
"""A line, lines to be given one after the other (the last one for ever), or a fault."""


class FakeLink:
    """`answers`: message -> answer. Errors wait in `errors` (oldest first) until they are read by `SYST:ERR?`."""

    name = "supply at nowhere"

    def __init__(self, answers: dict[str, Answer] | None = None, identity: str = "MAKER,MODEL,SN1,1.0") -> None:
        self.answers = dict(answers or {})
        self.errors: list[str] = []
        self.obey: Callable[[str], None] = lambda _text: None
        """Called with every message that goes out."""
        self.batches: list[list[str]] = []
        self.timeouts: dict[str, float] = {}
        self.strays: dict[str, tuple[str, ...]] = {}
        self.identity: Identity | None = read_identity(identity)
        self.closed = False

    @property
    def sent(self) -> list[str]:
        """Every message, in order."""
        return [text for batch in self.batches for text in batch]

    def submit(self, messages: Sequence[Message]) -> Pending[tuple[Reply, ...]]:
        self.batches.append([])
        replies: list[Reply] = []
        broken = False
        for message in messages:
            reply = self._reply(message, broken=broken)
            broken = broken or reply.fault is not None
            replies.append(reply)
        pending: Pending[tuple[Reply, ...]] = Pending(1.0)
        pending.settle(tuple(replies))
        return pending

    def hurry(self) -> None:
        """Everything was answered at once."""

    def close(self) -> None:
        self.closed = True

    def _reply(self, message: Message, *, broken: bool) -> Reply:
        if broken:
            return Reply(message, None, 0.0, 0.0, LinkFault.NOT_SENT)
        self.batches[-1].append(message.text)
        self.timeouts[message.text] = message.timeout
        self.obey(message.text)
        answer = self.answers.get(message.text, "" if message.expects is None else "1")
        if message.text == "SYST:ERR?" and message.text not in self.answers:
            answer = self.errors.pop(0) if self.errors else '+0,"No error"'
        if isinstance(answer, list):
            answer = answer.pop(0) if len(answer) > 1 else answer[0]
        if isinstance(answer, LinkFault):
            return Reply(message, None, 0.0, 0.5, answer, self.strays.get(message.text, ()), "as scripted")
        line = None if message.expects is None else answer
        return Reply(message, line, 0.0, 0.5, None, self.strays.get(message.text, ()))
