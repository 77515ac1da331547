"""Batches of messages: what goes out in one write, and the replies of those that were not answered."""

from __future__ import annotations

import time
from collections.abc import Sequence

from bringup.core.dialect import Message
from bringup.runner.records import LinkFault, Reply

MOST_STRAYS = 20
"""Stray lines kept of one reply: an instrument gone mad must not fill the memory."""


def encoded(message: Message) -> bytes:
    """Return the bytes of a message, without its end."""
    return message.text.encode("latin-1", "replace")


def grouped(messages: Sequence[Message], *, joined: bool) -> list[Sequence[Message]]:
    """Split into what goes out in one write: each message alone, or, `joined`, up to and with the next query."""
    if not joined:
        return [(message,) for message in messages]
    groups: list[Sequence[Message]] = []
    start = 0
    for index, message in enumerate(messages, 1):
        if message.expects is not None or message.gap > 0 or index == len(messages):
            groups.append(messages[start:index])
            start = index
    return groups


def unanswered(messages: Sequence[Message], fault: LinkFault, why: str) -> list[Reply]:
    """Return a Reply for each: the first with `fault`, the others not sent."""
    now = time.monotonic()
    replies = []
    for message in messages:
        replies.append(Reply(message, None, now, now, fault, why=why))
        fault = LinkFault.NOT_SENT
    return replies


def kept(strays: list[str]) -> tuple[str, ...]:
    """Return the strays, of very many only the first."""
    if len(strays) <= MOST_STRAYS:
        return tuple(strays)
    return (*strays[:MOST_STRAYS], f"... and {len(strays) - MOST_STRAYS} more lines")
