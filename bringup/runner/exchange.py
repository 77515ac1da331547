"""What instruments share that speak through a Dialect and a Link: telling, asking, and who complains.

A setting goes out with one look into the error queue and its read-back behind it, in one batch; only an error that is
found there costs further exchanges, until the queue is empty.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import date
from typing import Protocol, TypeVar

from bringup.core.bench import Expected, Identity
from bringup.core.dialect import Dialect, Message, can_ask
from bringup.core.frozen import frozen
from bringup.core.models import as_model
from bringup.core.replies import ScpiError, read_error
from bringup.core.spelling import ask, who_is_there
from bringup.errors import BenchError
from bringup.runner.pending import Pending
from bringup.runner.protocols import Link
from bringup.runner.records import InstrumentInfo, LinkFault, Reply
from bringup.runner.roles import Attached, Done, Trouble

T = TypeVar("T")
MOST_STRAYS = 3
"""Stray lines named in one sentence; the logbook has them all."""

MOST_ERRORS = 50
"""Error queues are shorter than this; one that never empties is reported."""
DRAIN_TIME = 4.0
"""Seconds allowed for emptying an error queue that turned out not to be empty."""


@frozen
class Told:
    """What came of telling: the replies to the checks, in order, and everything that went wrong."""

    checks: tuple[Reply, ...]
    troubles: tuple[Trouble, ...]
    first: tuple[Reply, ...] = ()
    """Replies to what had to be asked before the look for errors."""


def settled(value: T) -> Pending[T]:
    """Return a Pending that has its value already."""
    pending: Pending[T] = Pending(float("inf"))
    pending.settle(value)
    return pending


def taking_part(role: str, link: Link, dialect: Dialect, resource: str, calibration_due: date | None) -> InstrumentInfo:
    """Return how an instrument that is spoken to is named in the logbook; complete once it is identified."""
    identity = link.identity
    simulated = identity is not None and identity.simulated
    return InstrumentInfo(role, resource, dialect.name, identity, calibration_due, simulated, by_hand=False)


def error_queries(dialect: Dialect) -> tuple[Message, ...]:
    """Return what asks for errors: one queue, two registers, or nothing."""
    return tuple(ask(dialect, name) for name in ("error", "other_error") if can_ask(dialect, name))


def tell(
    link: Link,
    dialect: Dialect,
    sends: Sequence[Message],
    checks: Sequence[Message],
    *,
    first: Sequence[Message] = (),
    ignored: Sequence[int] = (),
) -> Pending[Told]:
    """Send settings, look into the error queue, ask the checks: one batch, more only for more errors.

    `first`: what has to be asked before the look for errors. `ignored`: errors that mean nothing after these settings.
    """
    looks = error_queries(dialect)
    sent = ", then ".join(message.text for message in sends)
    batch = link.submit((*sends, *first, *looks, *checks))

    def looked(replies: tuple[Reply, ...]) -> Pending[Told]:
        at = len(sends) + len(first)
        errors = errors_in(replies[at : at + len(looks)])
        answers, before = replies[at + len(looks) :], replies[len(sends) : at]
        if not errors:
            return settled(Told(answers, faults_in(replies), before))
        return more_errors(link, dialect, errors).then(
            lambda found: Told(answers, (*faults_in(replies), *complaints(sent, found, ignored)), before)
        )

    return batch.chain(looked, DRAIN_TIME)


def apart(
    link: Link, dialect: Dialect, parts: Sequence[tuple[Message, ...]]
) -> tuple[list[Pending[tuple[Reply, ...]]], tuple[Message, ...]]:
    """Send on their own all parts but the last where something is heard of each message; return what is left to send.

    What is refused or not answered ends its batch, and what was to follow in it is never sent: one output that does not
    take its off must not keep the next one's from being sent.
    """
    if not (dialect.acknowledge or dialect.echo != "none"):
        return [], tuple(message for part in parts for message in part)
    return [link.submit(part) for part in parts[:-1]], parts[-1] if parts else ()


def more_errors(link: Link, dialect: Dialect, found: tuple[ScpiError, ...]) -> Pending[tuple[ScpiError, ...]]:
    """Read the error queue until it is empty, does not answer, or MOST_ERRORS have come."""
    if len(found) >= MOST_ERRORS:
        return settled(found)

    def looked(replies: tuple[Reply, ...]) -> Pending[tuple[ScpiError, ...]]:
        errors = errors_in(replies)
        return more_errors(link, dialect, (*found, *errors)) if errors else settled(found)

    return link.submit(error_queries(dialect)).chain(looked, DRAIN_TIME)


def one_by_one(first: Pending[Done], steps: Sequence[Callable[[], Pending[Done]]], timeout: float) -> Pending[Done]:
    """Do each step after the one before went well, and return what came of all together.

    `timeout`: seconds that one answer may take; a step has four at most.
    """
    if not steps:
        return first

    def next_step(done: Done) -> Pending[Done]:
        if not done.faultless:
            return settled(done)
        return one_by_one(steps[0]().then(lambda new: joined(done, new)), steps[1:], timeout)

    return first.chain(next_step, len(steps) * (4 * timeout + DRAIN_TIME))


def joined(one: Done, other: Done) -> Done:
    """Return both as one: the later read-back where there is one, all troubles."""
    readback = one.readback if other.readback is None else other.readback
    on = one.on if other.on is None else other.on
    return Done(readback, on, (*one.troubles, *other.troubles))


def errors_in(replies: Iterable[Reply]) -> tuple[ScpiError, ...]:
    """Return the errors among replies to the error query; `0` is none, whatever its text."""
    entries = (read_error(reply.line) for reply in replies if reply.line is not None)
    return tuple(entry for entry in entries if entry is not None and entry.code != 0)


def complaints(sent: str, errors: tuple[ScpiError, ...], ignored: Sequence[int] = ()) -> tuple[Trouble, ...]:
    """Return the errors as a Trouble of what was sent before they were found; of `ignored` ones it is only a note."""
    if ignored and (passed := [error for error in errors if error.code in ignored]):
        text = f"the instrument reports {passed[0].raw}, which means nothing here, as the dialect says"
        rest = tuple(error for error in errors if error.code not in ignored)
        return (Trouble(sent, text), *complaints(sent, rest))
    if not errors:
        return ()
    text = "; ".join(error.raw for error in errors[:5])
    if len(errors) > len(errors[:5]):
        text += f"; and {len(errors) - 5} more"
    if len(errors) >= MOST_ERRORS:
        text += "; the error queue does not empty"
    return (Trouble(sent, f"the instrument reports {text}", errors),)


def listed(strays: Sequence[str]) -> str:
    """Return stray lines as they came, quoted; of many the first few."""
    more = f" and {len(strays) - MOST_STRAYS} more" if len(strays) > MOST_STRAYS else ""
    return ", ".join(map(repr, strays[:MOST_STRAYS])) + more


def faults_in(replies: Iterable[Reply]) -> tuple[Trouble, ...]:
    """Return a Trouble for every message that failed, and for lines that answered nothing."""
    troubles = []
    for reply in replies:
        if reply.fault is not None and reply.fault is not LinkFault.NOT_SENT:
            answered = f"; asked {reply.message.text}, it answered {listed(reply.strays)}" if reply.strays else ""
            text = (reply.why or reply.fault.value) + answered
            troubles.append(Trouble(reply.message.text, text, (), reply.fault, reply.strays))
        elif reply.strays:
            text = f"not an answer to what was asked: {listed(reply.strays)}"
            troubles.append(Trouble(reply.message.text, text, strays=reply.strays))
    return tuple(troubles)


class Speaker(Protocol):
    """Who attaches: told how the instrument that answers is spoken to, and what it said before its errors."""

    def adopt(self, model: Dialect) -> Sequence[Message]:
        """Take over the dialect of this model; return what has to be asked before its errors. Raises BenchError."""

    def heard(self, replies: tuple[Reply, ...]) -> tuple[Trouble, ...]:
        """Take note of the answers; return what is to be kept of them."""


def attach(link: Link, dialect: Dialect, expected: Expected, speaker: Speaker) -> Pending[Attached]:
    """Have the instrument say who it is and empty its error queue. The Pending raises BenchError for another one.

    Where nothing depends on the model and nothing has to be asked before the errors, that is one exchange.
    """
    looks = error_queries(dialect)
    at_once = bool(looks) and not dialect.variants and not speaker.adopt(dialect)
    question = looks if at_once else (who_is_there(dialect),)

    def answered(replies: tuple[Reply, ...]) -> Pending[Attached]:
        identity = _identity(link, replies)
        compare(link.name, identity, expected, dialect)
        model = as_model(dialect, identity.text)
        first = tuple(speaker.adopt(model))
        errors = error_queries(model)
        if at_once or not (first or errors):
            return _drained(link, model, identity, replies, replies if at_once else ())
        return link.submit((*first, *errors)).chain(lambda said: asked(identity, model, len(first), said), DRAIN_TIME)

    def asked(identity: Identity, model: Dialect, count: int, replies: tuple[Reply, ...]) -> Pending[Attached]:
        _identity(link, replies)
        notes = speaker.heard(replies[:count]) if count else ()
        found = _drained(link, model, identity, replies, replies[count:])
        return found.then(lambda one: replace(one, troubles=(*one.troubles, *notes)))

    return link.submit(question).chain(answered, 2 * DRAIN_TIME + 4 * dialect.timeout)


def _identity(link: Link, replies: tuple[Reply, ...]) -> Identity:
    """Return who answers. Raises BenchError where nobody does."""
    silent = next((reply for reply in replies if reply.fault is not None), None)
    if link.identity is None or silent is not None:
        why = "no identity" if silent is None else silent.why or silent.fault
        raise BenchError(
            f"{link.name} does not answer: {why}",
            "Nothing was powered. Check that it is on, its cable, and the resource string in the bench file.",
        )
    return link.identity


def _drained(
    link: Link, model: Dialect, identity: Identity, replies: tuple[Reply, ...], looks: tuple[Reply, ...]
) -> Pending[Attached]:
    errors = errors_in(looks)
    old = more_errors(link, model, errors) if errors else settled(errors)
    return old.then(lambda found: Attached(identity, found, faults_in(replies), model))


def compare(name: str, found: Identity, expected: Expected, dialect: Dialect) -> None:
    """Compare who answers with whom the bench file and the dialect expect. Raises BenchError naming both.

    A simulated instrument has a maker of its own and speaks any dialect: maker and pattern are not compared then.
    """
    pairs = [("model", expected.model, found.model), ("serial number", expected.serial, found.serial)]
    if not found.simulated:
        pairs.insert(0, ("maker", expected.maker, found.maker))
    for what, wanted, answered in pairs:
        if wanted and wanted.strip().casefold() != answered.strip().casefold():
            raise BenchError(
                f"{name}: the bench file expects {what} {wanted!r}, but {answered!r} answers ({found.text})",
                "Nothing was changed. Correct the bench file, or connect the instrument that it names.",
            )
    pattern = dialect.identity_pattern
    if pattern and not found.simulated and re.search(pattern, found.text, re.IGNORECASE) is None:
        raise BenchError(
            f"{name}: the dialect {dialect.name} is for instruments that answer like {pattern!r}, "
            f"but {found.text!r} answers",
            "Nothing was changed. Name the dialect of this instrument in the bench file; if its command list says the "
            "same, copy this one beside the bench file under another name, with an `identity_pattern` that fits.",
        )
