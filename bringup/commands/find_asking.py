"""Asking what was found who it is, one by one, each only after the person at the terminal has agreed to it.

Nothing goes out but `*IDN?`. Enter is a no: a key that is held down agrees to nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from enum import Enum
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from bringup.commands.find_text import Found, Suggested, answer_lines, tell, title
from bringup.core.bench import Identity
from bringup.core.dialect import Dialect
from bringup.core.models import pick
from bringup.core.serial_port import PortSettings
from bringup.errors import BenchError, BringupError

if TYPE_CHECKING:
    from bringup.instruments.traced import Note
    from bringup.instruments.wire import Wire

Prompt = Callable[[str], str]
"""Shows a question and returns the line that was typed, blanks around it taken off."""

BAUD = re.compile(r"[1-9][0-9]{2,6}")
USUAL_BAUD = 9600
CAUTION = (
    "A serial port may be the board itself, or a machine that starts when it is spoken to. Opening one moves its DTR "
    "and RTS lines, which resets some boards, and then *IDN? goes out. Agree only where you know what is plugged in: "
    f"y asks at {USUAL_BAUD} baud, a number at that baud rate."
)


class Dialects:
    """The dialects that a bench file in a folder may name; read once somebody says who it is."""

    def __init__(self, beside: Path) -> None:
        self._beside = beside

    @cached_property
    def every(self) -> list[Dialect]:
        """All of them."""
        from bringup.files.dialect_file import known_dialects

        return known_dialects(self._beside)

    def of(self, role: str) -> list[Dialect]:
        """Return those for a role."""
        return [each for each in self.every if each.role == role]

    def suggested(self, identity: Identity | None) -> tuple[Suggested, ...]:
        """Return those that are made for who that is."""
        if identity is None:
            return ()
        roles = ("supply", "meter", "load", "scanner", "scope")
        fitting = [each for role in roles for each in pick(identity.text, self.of(role))]
        return tuple(Suggested(each.name, each.role) for each in fitting)


def ask_each(found: Sequence[Found], prompt: Prompt, dialects: Dialects, note: Note | None) -> list[Found]:
    """Offer to ask each of them, and ask those that the person agrees to. Returns all of them with what came of it."""
    answered = {each.number: each for each in found}
    cautioned = False
    for each in found:
        if not each.resource or each.denied is not None:
            continue
        if each.seen.kind == "serial" and not cautioned:
            cautioned = True
            tell(["", CAUTION])
        tell(["", f"{each.number:>2}  {title(each)}"])
        agreement = agreed(prompt, serial=each.seen.kind == "serial")
        if agreement is Agreement.NOBODY_ELSE:
            break
        if agreement is not Agreement.NO:
            baud = agreement if isinstance(agreement, int) else None
            one = identified(replace(each, asked=True, baud=baud), note)
            one = replace(one, suggested=dialects.suggested(one.known))
            tell(answer_lines(one))
            answered[one.number] = one
    return list(answered.values())


class Agreement(Enum):
    """What the person says to one question; a serial port is agreed to with a baud rate instead of YES."""

    YES = "yes"
    NO = "no"
    NOBODY_ELSE = "nobody else"


def agreed(prompt: Prompt, *, serial: bool) -> Agreement | int:
    """Return whether this one may be asked, for a serial port at how many baud."""
    yes = "y or a baud rate" if serial else "y"
    while True:
        said = prompt(f"      May it be asked *IDN? ({yes}; q: ask nobody else; Enter: no)").lower()
        if said in ("", "n", "no"):
            return Agreement.NO
        if said == "q":
            return Agreement.NOBODY_ELSE
        if said in ("y", "yes"):
            return USUAL_BAUD if serial else Agreement.YES
        if serial and BAUD.fullmatch(said):
            return int(said)
        tell([f"      '{said}' is no answer to that"])


def identified(found: Found, note: Note | None = None) -> Found:
    """Ask one who it is, holding all of its locks: an attempt that uses it is not disturbed."""
    from bringup.host.lock import About, hold

    names = {*found.seen.resources, *(each.resource for each in found.named)}
    try:
        with hold(sorted(names), About("bringup bench --find")):
            return replace(found, identity=_identity(found, note))
    except BringupError as error:
        return replace(found, problem=error.message)


def wire_for(found: Found) -> Wire:
    """Return how `*IDN?` travels where no dialect is known."""
    from bringup.instruments.wire import Wire

    # IEEE 488.2 takes a carriage return for a blank; what listens on a serial port may want it all the same.
    serial = found.seen.kind == "serial"
    return Wire(write_end="\r\n" if serial else "\n", port=PortSettings(baud=found.baud))


def _identity(found: Found, note: Note | None) -> Identity:
    from bringup.instruments.opening import await_here
    from bringup.instruments.traced import TracedLink
    from bringup.instruments.visa_link import VisaLink

    wire = wire_for(found)
    name, backend = f"number {found.number}", found.seen.backend or "@py"
    if note is None:
        link = VisaLink(name, found.resource, wire, backend=backend)
    else:
        link = TracedLink(name, found.resource, wire, backend=backend, note=note)
    try:
        pending = link.open()
        if not await_here(pending):
            raise BenchError("no answer in time")
        return pending.value()
    finally:
        link.close()
