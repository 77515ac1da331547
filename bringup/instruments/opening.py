"""Opening the links of a bench side by side, and saying who does not answer.

Used by every command that speaks to instruments. Nothing is sent but `*IDN?`; nothing is changed.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import field, replace
from typing import Any, TypeVar

from bringup.core.dialect import Dialect, can_ask
from bringup.core.frozen import frozen
from bringup.core.spelling import ask
from bringup.errors import BenchError, LinkError
from bringup.instruments.conversation import IDENTIFY, Wire
from bringup.instruments.visa_link import VisaLink
from bringup.runner.pending import Pending

T = TypeVar("T")


@frozen
class Wanted:
    """One instrument to be opened."""

    role: str
    resource: str
    dialect: Dialect


@frozen
class Opened:
    """What came of opening: links by role, and per role why there is none."""

    links: Mapping[str, VisaLink]
    missing: Mapping[str, str] = field(default_factory=dict)

    def close(self) -> None:
        """Close every link."""
        for link in self.links.values():
            link.close()


def wire_of(dialect: Dialect) -> Wire:
    """Return how messages of that dialect travel."""
    identify = ask(dialect, "identify") if can_ask(dialect, "identify") else IDENTIFY
    # The first answer after connecting takes longer than others on many instruments.
    patient = replace(identify, timeout=max(identify.timeout, IDENTIFY.timeout))
    return Wire(dialect.write_end, dialect.read_end, dialect.gap, patient)


def make_link(wanted: Wanted, *, backend: str = "@py", wake: Callable[[], None] = lambda: None) -> VisaLink:
    """Return a link that opens itself when it is first used."""
    return VisaLink(wanted.role, wanted.resource, wire_of(wanted.dialect), backend=backend, wake=wake)


def try_connect(wanted: Sequence[Wanted], *, backend: str = "@py", wake: Callable[[], None] = lambda: None) -> Opened:
    """Open all of them at once and wait for each, up to its deadline. Who does not answer is in `missing`."""
    links = {each.role: make_link(each, backend=backend, wake=wake) for each in wanted}
    missing: dict[str, str] = {}
    opening = {role: link.open() for role, link in links.items()}
    for role, pending in opening.items():
        try:
            if await_here(pending):
                pending.value()
            else:
                missing[role] = f"{links[role].name}: no answer in time"
        except Exception as error:  # noqa: BLE001 - whatever stopped it: this instrument is missing, others may do
            missing[role] = str(error)
    for role in missing:
        links.pop(role).close(within=0.0)
    return Opened(links, missing)


def connect(
    wanted: Sequence[Wanted], *, backend: str = "@py", wake: Callable[[], None] = lambda: None
) -> dict[str, VisaLink]:
    """Open all of them; role -> link. Raises BenchError naming every one that does not answer."""
    opened = try_connect(wanted, backend=backend, wake=wake)
    if opened.missing:
        opened.close()
        raise BenchError(
            "\n".join(opened.missing.values()),
            "Nothing was powered. Check that it is switched on, its cable, and the resource string in the bench file; "
            "only one program at a time can speak to most instruments.",
        )
    return dict(opened.links)


def await_here(pending: Pending[Any]) -> bool:
    """Wait in this thread until it is done or past its deadline (for commands that have no wait point)."""
    done = threading.Event()
    pending.when_done(done.set)
    done.wait(max(0.0, pending.deadline - time.monotonic()))
    return pending.done


def result(pending: Pending[T]) -> T:
    """Wait in this thread and return the value, or raise its error; LinkError once it is past its deadline."""
    if not await_here(pending):
        raise LinkError("an instrument did not answer in time", instrument="instrument")
    return pending.value()
