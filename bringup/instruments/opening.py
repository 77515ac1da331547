"""Opening the links of a bench side by side, and saying who does not answer.

Used by every command that speaks to instruments. Nothing is sent but `*IDN?`; nothing is changed.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import field, replace
from typing import TYPE_CHECKING, Any, TypeVar

from bringup.core.dialect import Dialect, Message
from bringup.core.frozen import frozen
from bringup.core.replies import ReplyKind
from bringup.core.serial_port import PortSettings
from bringup.core.spelling import filled, holes, who_is_there
from bringup.errors import BenchError, BringupError, LinkError
from bringup.instruments.visa_link import VisaLink
from bringup.instruments.wire import IDENTIFY, Wire
from bringup.runner.pending import Pending

if TYPE_CHECKING:
    from bringup.instruments.traced import Note

T = TypeVar("T")

POWER_UP = 12.0
"""Seconds for which an instrument that was only just switched on may take connections and say nothing (10 s and
more are seen; common practice, no source)."""
ASKED_WITHIN = 0.5
"""Seconds that asking them all who they are may take before something else is done meanwhile."""
ANSWERED_WITHIN = 1.0
"""Seconds that they have to answer where that something went wrong: who has answered can be taken leave of."""
UNSTATED = PortSettings()
TELL_AFTER = 4.0
"""Seconds after which whoever waits for an instrument to start up hears of it."""
KINDS = {"ASRL": "serial", "TCPIP": "lan", "GPIB": "gpib", "USB": "usb"}
"""How a resource string begins -> the kind of link (dialect.LINK_KINDS)."""


@frozen
class Wanted:
    """One instrument to be opened."""

    role: str
    resource: str
    dialect: Dialect
    port: PortSettings = UNSTATED
    """What the bench file says of its serial port."""
    address: int | None = None
    """What the bench file says that it is greeted by."""
    in_traces: str = ""
    """What it is called in a trace; '' by its role."""


@frozen
class Opened:
    """What came of opening: links by role, and per role why there is none."""

    links: Mapping[str, VisaLink]
    missing: Mapping[str, str] = field(default_factory=dict)
    failed: BringupError | None = None
    """What went wrong with what was done meanwhile."""

    def check(self) -> None:
        """Raise what went wrong meanwhile, else BenchError naming every one that does not answer."""
        if self.failed is not None:
            raise self.failed
        if self.missing:
            raise BenchError(
                "\n".join(self.missing.values()),
                "Nothing was powered. Check that it is switched on, its cable, and the resource string in the bench "
                "file; only one program at a time can speak to most instruments.",
            )

    def close(self, *, farewell: bool = True) -> None:
        """Close every link."""
        for link in self.links.values():
            link.close(farewell=farewell)


def wire_of(dialect: Dialect, resource: str = "", *, port: PortSettings = UNSTATED, address: int | None = None) -> Wire:
    """Return how messages of that dialect travel to that resource. Raises BenchError where an address is missing."""
    identify = who_is_there(dialect)
    if address is None and any("address" in holes(text) for text in dialect.greeting):
        raise BenchError(
            f"the dialect {dialect.name} speaks to an instrument by its address, and the bench file names none",
            "Write `address:` where the bench file names the instrument.",
        )
    kind = link_kind(resource)
    return Wire(
        dialect.write_end,
        dialect.read_end,
        dialect.quiet,
        dialect.gap,
        # The first answer after connecting takes longer than others on many instruments.
        replace(identify, timeout=max(identify.timeout, IDENTIFY.timeout)),
        acknowledge=dialect.acknowledge,
        acknowledges_everything=dialect.acknowledge_scope == "everything",
        echo=dialect.echo,
        prompt=dialect.prompt,
        greeting=_said(dialect, (filled(text, address=address) for text in dialect.greeting)),
        # Remote control comes before all else, and local after it.
        opening=_said(dialect, (*dialect.opening.get(kind, ()), *dialect.opening.get("any", ()))),
        closing=_said(dialect, (*dialect.closing.get("any", ()), *dialect.closing.get(kind, ()))),
        port=port.over(dialect.port),
    )


def link_kind(resource: str) -> str:
    """Return what a resource string goes over, '' where that is none of KINDS."""
    return next((kind for start, kind in KINDS.items() if resource.upper().startswith(start)), "")


def _said(dialect: Dialect, texts: Iterable[str]) -> tuple[Message, ...]:
    """Return messages whose answers, if any, are heard and mean nothing."""
    return tuple(Message(text, ReplyKind.TEXT if "?" in text else None, dialect.timeout) for text in texts)


def make_link(
    wanted: Wanted,
    *,
    backend: str = "@py",
    wake: Callable[[], None] = lambda: None,
    patience: float = 0.0,
    note: Note | None = None,
) -> VisaLink:
    """Return a link that opens itself when it is first used. `patience`: see Wire; `note`: see `connect`.

    Raises BenchError.
    """
    wire = wire_of(wanted.dialect, wanted.resource, port=wanted.port, address=wanted.address)
    wire = replace(wire, patience=patience)
    if note is None:
        return VisaLink(wanted.role, wanted.resource, wire, backend=backend, wake=wake)
    from bringup.instruments.traced import TracedLink

    who = wanted.in_traces
    return TracedLink(wanted.role, wanted.resource, wire, backend=backend, wake=wake, note=note, who=who)


def try_connect(
    wanted: Sequence[Wanted],
    *,
    backend: str = "@py",
    wake: Callable[[], None] = lambda: None,
    patience: float = 0.0,
    waiting: Callable[[str], None] = lambda _text: None,
    note: Note | None = None,
    meanwhile: Callable[[], None] | None = None,
) -> Opened:
    """Open all of them at once and wait for each, up to its deadline. Who does not answer is in `missing`.

    `patience`: seconds for which one that takes the connection and says nothing is asked again: it may be starting up.
    `waiting` is told so once that takes long. `note` hears everything that is said on the links. `meanwhile` is called
    while they answer; a BringupError of it is `failed`, and ends the waiting soon. Raises BenchError.
    """
    links = {each.role: make_link(each, backend=backend, wake=wake, patience=patience, note=note) for each in wanted}
    missing: dict[str, str] = {}
    opening = {role: link.open() for role, link in links.items()}
    failed = None if meanwhile is None else _while_they_answer(links, opening, meanwhile)
    begun = time.monotonic()
    give_up = math.inf if failed is None else begun + ANSWERED_WITHIN
    for role, pending in opening.items():
        if not await_here(pending, until=min(begun + TELL_AFTER, give_up)) and failed is None:
            waiting(f"{links[role].name} does not answer yet; if it was only just switched on, it may be starting up")
        try:
            if await_here(pending, until=give_up):
                pending.value()
            else:
                missing[role] = f"{links[role].name}: no answer in time"
        except Exception as error:  # noqa: BLE001 - whatever stopped it: this instrument is missing, others may do
            from bringup.instruments.finding.access import told

            missing[role] = told(str(error), links[role].resource)
    for role in missing:
        links.pop(role).close(within=0.0)
    return Opened(links, missing, failed)


def _while_they_answer(
    links: Mapping[str, VisaLink], opening: Mapping[str, Pending[Any]], meanwhile: Callable[[], None]
) -> BringupError | None:
    """Call `meanwhile` once each has been asked who it is or cannot be, or that takes long. Returns what it raises."""
    until = time.monotonic() + ASKED_WITHIN
    for role, link in links.items():
        opening[role].when_done(link.asked.set)
        link.asked.wait(max(0.0, until - time.monotonic()))
    try:
        meanwhile()
    except BringupError as error:
        return error
    except BaseException:
        for link in links.values():
            link.close()
        raise
    return None


def connect(
    wanted: Sequence[Wanted], *, backend: str = "@py", wake: Callable[[], None] = lambda: None
) -> dict[str, VisaLink]:
    """Open all of them as `try_connect` does; role -> link. Raises BenchError naming every one that does not answer."""
    opened = try_connect(wanted, backend=backend, wake=wake)
    if opened.missing:
        opened.close()
    opened.check()
    return dict(opened.links)


def await_here(pending: Pending[Any], until: float = math.inf) -> bool:
    """Wait in this thread until it is done, past its deadline or `until` (for commands that have no wait point)."""
    done = threading.Event()
    pending.when_done(done.set)
    done.wait(max(0.0, min(pending.deadline, until) - time.monotonic()))
    return pending.done


def result(pending: Pending[T]) -> T:
    """Wait in this thread and return the value, or raise its error; LinkError once it is past its deadline."""
    if not await_here(pending):
        raise LinkError("an instrument did not answer in time", instrument="instrument")
    return pending.value()
