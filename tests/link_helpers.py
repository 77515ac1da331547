"""Links with short time-outs, and waiting for what they promise, for tests on real sockets."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.instruments.opening import await_here
from bringup.instruments.visa_link import VisaLink
from bringup.instruments.wire import Wire
from bringup.runner.pending import Pending
from bringup.runner.records import Reply

PATIENT = 30.0
"""Seconds for what does come: on a busy machine the thread that answers may have to wait for the processor."""
WIRE = Wire(identify=Message("*IDN?", ReplyKind.IDENTITY, PATIENT), recovery=PATIENT)
READ = Message("READ?", ReplyKind.NUMBER, PATIENT)
ERROR = Message("SYST:ERR?", ReplyKind.ERROR, PATIENT)
READING = b"+3.30600000E+00\n"


@contextmanager
def linked(resource: str, wire: Wire = WIRE, **options: Any) -> Iterator[VisaLink]:
    link = VisaLink("meter", resource, wire, **options)
    try:
        yield link
    finally:
        link.close()


def done(pending: Pending[Any]) -> Any:
    assert await_here(pending), "past its deadline"
    return pending.value()


def ask(link: VisaLink, *messages: Message) -> tuple[Reply, ...]:
    replies: tuple[Reply, ...] = done(link.submit(messages))
    return replies
