"""Plain records that pass between the runner and the edge: replies, looks at the supply, what opens an attempt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from datetime import date, datetime
from enum import StrEnum

from bringup.core.bench import Identity
from bringup.core.dialect import Message
from bringup.core.frozen import frozen


class LinkFault(StrEnum):
    """Why a message has no reply."""

    TIMEOUT = "no answer in time"
    LOST = "the link is lost"
    REFUSED = "the instrument refused it"
    """It says so at once, on a link that is sound; nothing that was to follow was sent."""
    NOT_SENT = "not sent"
    GAVE_WAY = "it gave way to switching off"
    """Something urgent followed: nothing is wrong with the link."""
    OTHER_INSTRUMENT = "another instrument answers"


class Interruption(StrEnum):
    """What can end an attempt from outside."""

    CTRL_C = "Ctrl-C"
    TERMINATE = "SIGTERM"
    HANG_UP = "terminal lost"
    SUSPEND = "Ctrl-Z"
    OFF_ASKED = "bringup off"


@frozen
class Reply:
    """What came of one message. `line` None with `fault` None: a message that asks for no answer, sent."""

    message: Message
    line: str | None
    sent: float
    received: float
    fault: LinkFault | None = None
    strays: tuple[str, ...] = ()
    """Lines that came but cannot be the answer to what was asked."""
    why: str = ""
    """The fault in more words, for people."""


@frozen
class InstrumentInfo:
    """An instrument as it took part in an attempt."""

    role: str
    resource: str
    dialect: str
    identity: Identity | None
    calibration_due: date | None
    simulated: bool
    by_hand: bool


@frozen
class SourceText:
    """A file as it was used."""

    kind: str
    """'procedure', 'board' or 'bench'."""
    path: str
    text: str


@frozen
class AttemptStart:
    """Everything known when an attempt begins."""

    serial: str
    procedure: str
    board: str
    revision: str
    bench: str
    operator: str
    simulated: bool
    started: datetime
    monotonic: float
    tool_version: str
    steps: tuple[tuple[str, str], ...] = ()
    """Kind and title of every step, in order."""
    variant: str = ""
    lot: str = ""
    attended: bool = True
    ambient: float | None = None
    fixture: str = ""
    instruments: tuple[InstrumentInfo, ...] = ()
    sources: tuple[SourceText, ...] = ()
    continues: str | None = None
    """Id of the attempt that this one goes on from."""
    carried: Mapping[int, str] = field(default_factory=dict)
    """Index of a step that is not done again -> id of the attempt in which it was done and passed."""


@frozen
class PollSample:
    """One look at the supply. None means no value: it is never 0 and never the last one."""

    monotonic: float
    output: int
    volts: float | None = None
    amps: float | None = None
    on: bool | None = None
    mode: str | None = None
    """'voltage', 'current', 'off', 'unregulated' or None if the dialect cannot tell."""
    set_volts: float | None = None
    set_amps: float | None = None
    tripped: str | None = None
    """Words of the supply's own protection that tripped; None if none or unknown."""
    fault: LinkFault | None = None
    over_range: bool = False
    """The supply's volts or amps came back as over range: `volts` or `amps` is None, but it is not silence."""
    volts_raw: str = ""
    amps_raw: str = ""
    """The replies as they came, from which the resolution is known; empty if unknown."""
    strays: tuple[str, ...] = ()
    """Lines that came but cannot be the answer to what was asked."""


@frozen
class ProgramOrder:
    """A program to be run, with everything settled: nothing of it goes through a shell."""

    arguments: tuple[str, ...]
    """The program's own file first, as a full path."""
    folder: str
    environment: Mapping[str, str]
    """Variables besides those that every program gets."""
    loads: str = ""
    """File whose SHA-256 is wanted; '' for none."""
    wanted: tuple[str, ...] = ()
    """Texts to look for in the whole of the output."""


@frozen
class ProgramEnd:
    """How a program ended."""

    exit_code: int | None
    """None where it could not be started or was ended by us; negative where a signal ended it (POSIX)."""
    output: str = ""
    """What it wrote, output and errors as they came; of very much only its beginning and its end."""
    written: int = 0
    """Bytes that it wrote in all."""
    found: tuple[str, ...] = ()
    """Those of the wanted texts that its output held."""
    digest: str = ""
    """SHA-256 of the file it loads, in hexadecimal digits."""
    why: str = ""
    """Why there is no exit code, or what else was odd, in words."""


@frozen
class Seen:
    """A file in a folder, as it was when it was looked at."""

    path: str
    size: int
    """Bytes."""
    changed: int
    """When it was changed last, in nanoseconds of the file system's clock: only differences count."""


@frozen
class PhotoFile:
    """A file that was read as a photo. `why` says in words why it is none; empty for one."""

    path: str
    data: bytes = b""
    digest: str = ""
    """SHA-256 in hexadecimal digits."""
    kind: str = ""
    """'jpeg', 'png', 'gif' or 'webp'."""
    size: tuple[int, int] = (0, 0)
    """Width and height in pixels."""
    why: str = ""


@frozen
class Heard:
    """Bytes that came on a serial line, or what became of the line."""

    monotonic: float
    """When the first of them came."""
    data: bytes = b""
    lost: int = 0
    """Bytes left out before these, which came faster than they could be taken."""
    news: str = ""
    """That the line is gone, or back, in words; '' where it is as it was."""


@frozen
class LineText:
    """What came on a serial line, as it is kept."""

    step: int | None
    """The step under way; None between steps."""
    line: str
    at: datetime
    monotonic: float
    content: str
    """As core.listening.readable writes it: nothing is lost, and nothing in it does anything to a screen."""


IRREVERSIBLE_BEGUN, IRREVERSIBLE_ENDED = "irreversible-begun", "irreversible-ended"
"""Kinds of events that tell of irreversible steps, with `name`, `what` and (at the end) `result` in their data."""


@frozen
class Once:
    """An irreversible step that was begun on a unit."""

    passed: bool
    """Whether it ended, and well."""
    said: str
    """When and in which attempt, in words."""


@frozen
class SisterQuestion:
    """Which readings of other units one can be compared with: same design, place of the leads, meter and range."""

    serial: str
    """Of the unit itself, which is not its own sister."""
    board: str
    revision: str
    variant: str
    bench: str
    """Counts only where the meter is read by hand: one of these is not known from another."""
    point: str
    aspect: str
    """Where the leads are beside that: '', 'reversed', 'to 5V0', 'to 5V0 reversed'."""
    meter: Identity | None
    """None: read by hand."""
    meter_range: float | None


@frozen
class UnitHistory:
    """What earlier attempts on a unit settle for this one."""

    known: bool = False
    first_power_passed: bool = False
    """An attended attempt with `apply` passed since the last trip and the last rework."""
    resistance_seen: frozenset[str] = frozenset()
    """Points whose resistance passed after the last trip and the last rework that touched them."""
    leads_seen: frozenset[tuple[str, str]] = frozenset()
    """Bench and input: where the free leads were good when they were read last on this unit, after the last trip."""
    irreversible: Mapping[str, Once] = field(default_factory=dict)
    """Irreversible steps that were ever begun on it, by what they are known by."""
    parts: Mapping[str, str] = field(default_factory=dict)
    """Part that the board house did not place -> what became of it, as it was said last."""
    reworked: str = ""
    """The last rework in words, '' if there was none: nothing from before it vouches for what it touched."""
    held: str = ""
    """That it is in quarantine or scrapped, in words; '' if it is not."""
    not_taken_in: tuple[str, ...] = ()
    """Files with records that the logbook could not take in: of this unit or another, a trip maybe."""

    @property
    def since(self) -> str:
        """What put an end to what was known of the unit, in words."""
        return f"since its last trip or rework ({self.reworked})" if self.reworked else "since its last trip"

    def against_unattended(self, serial: str) -> list[str]:
        """Say what of its history keeps the unit from being run with nobody there; nothing if nothing does."""
        wanted = (
            (self.first_power_passed, f"{serial} has not passed an attended first power {self.since}"),
            (not self.held, f"{serial} is {self.held}"),
            (not self.not_taken_in, f"not in the logbook, and maybe of a trip: {', '.join(self.not_taken_in)}"),
        )
        return [text for met, text in wanted if not met]
