"""What the runner needs of the world: a Link, a Clock, a Record, an Ask, and somebody to tell.

The edge implements these; the tests implement them again. Nothing here does anything by itself except Pending,
the promise that everything asynchronous is expressed in.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Generic, Protocol, TypeVar

from bringup.core.bench import Identity
from bringup.core.dialect import Message
from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, StepOutcome

T = TypeVar("T")
U = TypeVar("U")


class Pending(Generic[T]):
    """A value on its way. Settled once, from any thread; read at the wait point by the main thread only."""

    def __init__(self, deadline: float, wake: Callable[[], None] = lambda: None) -> None:
        """`deadline`: monotonic seconds after which the other side counts as lost."""
        self.deadline = deadline
        self._wake = wake
        self._lock = threading.Lock()
        self._done = False
        self._value: T | None = None
        self._error: BaseException | None = None
        self._then: list[Callable[[], None]] = []
        self._relayed = False
        """Whether a Pending made of this one has called the same `wake` already: waking twice costs a turn."""

    @property
    def done(self) -> bool:
        """Whether a value or an error has come."""
        return self._done

    def settle(self, value: T) -> None:
        """Give the value. A second call is ignored: the first outcome stands."""
        self._finish(value, None)

    def fail(self, error: BaseException) -> None:
        """Give an error, which `value` will raise."""
        self._finish(None, error)

    def value(self) -> T:
        """Return the value or raise the error. Call only when done."""
        assert self._done, "value() of a pending that is not done"
        if self._error is not None:
            raise self._error
        return self._value  # type: ignore[return-value]

    def then(self, read: Callable[[T], U]) -> Pending[U]:
        """Return a Pending of `read(value)`. `read` may run in the thread that settles: keep it pure."""
        mapped: Pending[U] = Pending(self.deadline, self._wake)

        def carry() -> None:
            try:
                mapped.settle(read(self.value()))
            except Exception as error:  # noqa: BLE001 - carried to whoever reads the value
                mapped.fail(error)
            self._relayed = True

        self.when_done(carry)
        return mapped

    def chain(self, step: Callable[[T], Pending[U]], allowance: float = 0.0) -> Pending[U]:
        """Return a Pending of what `step(value)` in turn promises, due `allowance` seconds after this one.

        `step` may run in the thread that settles: it may submit to a Link and nothing else.
        """
        outer: Pending[U] = Pending(self.deadline + allowance, self._wake)

        def carry() -> None:
            try:
                inner = step(self.value())
            except Exception as error:  # noqa: BLE001 - carried to whoever reads the value
                outer.fail(error)
                return
            inner.when_done(lambda: outer.copy(inner))
            self._relayed = outer.done

        self.when_done(carry)
        return outer

    def when_done(self, call: Callable[[], None]) -> None:
        """Call once this is done: now if it is already, else in the thread that settles it."""
        with self._lock:
            if not self._done:
                self._then.append(call)
                return
        call()

    def copy(self, other: Pending[T]) -> None:
        """Take over the outcome of another Pending that is done."""
        self._finish(other._value, other._error)

    def _finish(self, value: T | None, error: BaseException | None) -> None:
        with self._lock:
            if self._done:
                return
            self._value, self._error, self._done = value, error, True
            followers, self._then = self._then, []
        for follower in followers:
            follower()
        if not self._relayed:
            self._wake()


class Interruption(StrEnum):
    """What can end an attempt from outside."""

    CTRL_C = "Ctrl-C"
    TERMINATE = "SIGTERM"
    HANG_UP = "terminal lost"
    SUSPEND = "Ctrl-Z"
    OFF_ASKED = "bringup off"


class Clock(Protocol):
    """Time, and everything that can end a wait early."""

    def monotonic(self) -> float:
        """Seconds since some fixed moment; never jumps."""

    def utc(self) -> datetime:
        """Wall time, aware."""

    def wait(self, until: float) -> None:
        """Return at monotonic time `until`, or earlier if something called `wake` (or was scheduled)."""

    def wake(self) -> None:
        """End the wait now. Callable from any thread and from a signal handler."""

    def interruption(self) -> Interruption | None:
        """The interruption that has come, if any; it stays until `acknowledge`."""

    def acknowledge(self) -> None:
        """Forget the interruption: the runner has acted on it."""


class LinkFault(StrEnum):
    """Why a message has no reply."""

    TIMEOUT = "no answer in time"
    LOST = "the link is lost"
    NOT_SENT = "not sent"
    OTHER_INSTRUMENT = "another instrument answers"


@dataclass(frozen=True, slots=True)
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


class Link(Protocol):
    """The wire to one instrument. Every call returns at once."""

    @property
    def name(self) -> str:
        """Role and resource, for messages to people."""

    @property
    def identity(self) -> Identity | None:
        """What it last answered to `*IDN?`; None before that."""

    def submit(self, messages: Sequence[Message]) -> Pending[tuple[Reply, ...]]:
        """Exchange these in order, with nothing in between. One Reply per message; after a fault, NOT_SENT.

        After a time-out the link is closed, reopened and identified again before anything else goes out.
        """

    def close(self) -> None:
        """Close for good. Waits a bounded time."""


class PromptKind(StrEnum):
    """What sort of answer is wanted."""

    GO = "go"
    """Enter (or the go key) goes on."""
    CHECKLIST = "checklist"
    """One key for all good, or the numbers of the exceptions."""
    CHOICE = "choice"
    TEXT = "text"
    VALUE = "value"
    """A reading, typed: the line as it was typed."""
    REASON = "reason"
    """A typed reason; empty is refused."""
    CAUTION = "caution"
    """Shown before something that can hurt; acknowledged."""


@dataclass(frozen=True, slots=True)
class Prompt:
    """One question to the person."""

    kind: PromptKind
    text: str
    lines: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()
    unit: str = ""
    suggestion: str = ""
    """What a simulated person answers; also shown as an example for VALUE."""
    danger: bool = False
    """Asked although it was asked before in this sitting (high voltage)."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The person's answer. CHECKLIST: `exceptions` holds indexes from 0, `text` the remark."""

    text: str = ""
    exceptions: tuple[int, ...] = ()
    by_itself: bool = False
    """Answered by the simulated bench, not by a person."""


class Ask(Protocol):
    """The person at the bench."""

    @property
    def attended(self) -> bool:
        """Whether a person can answer."""

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        """Put the question; the answer comes whenever it comes (deadline infinite)."""

    def withdraw(self) -> None:
        """Take the open question off the screen: something overtook it."""

    def key(self) -> str | None:
        """A key that was pressed while no question was open, oldest first; None if there is none."""


@dataclass(frozen=True, slots=True)
class InstrumentInfo:
    """An instrument as it took part in an attempt."""

    role: str
    resource: str
    dialect: str
    identity: Identity | None
    calibration_due: date | None
    simulated: bool
    by_hand: bool


@dataclass(frozen=True, slots=True)
class SourceText:
    """A file as it was used."""

    kind: str
    """'procedure', 'board' or 'bench'."""
    path: str
    text: str


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
class UnitHistory:
    """What earlier attempts on a unit settle for this one."""

    known: bool = False
    first_power_passed: bool = False
    """An attended attempt with `apply` passed since the last trip."""
    resistance_seen: frozenset[str] = frozenset()
    """Points whose resistance passed after the last trip."""
    leads_seen: frozenset[str] = frozenset()


class Record(Protocol):
    """The logbook as the runner sees it. Each call returns after commit, or raises LogbookError."""

    def begin(self, start: AttemptStart) -> str:
        """Open an attempt; returns its id."""

    def step_begun(self, index: int, at: datetime, monotonic: float) -> None:
        """A step begins."""

    def step_ended(
        self, index: int, outcome: StepOutcome, result: str, *, at: datetime, why: str = "", who: str = ""
    ) -> None:
        """A step ended. `result`: 'pass', 'fail' or ''."""

    def reading(self, reading: Reading) -> None:
        """Keep a reading."""

    def sample(
        self,
        step: int,
        channel: str,
        unit: str,
        at: datetime,
        monotonic: float,
        value: float | None,
        raw: str,
    ) -> None:
        """Keep one sample of a `log`."""

    def polls(self, samples: Sequence[PollSample]) -> None:
        """Keep a batch of the supply's poll trace."""

    def event(
        self,
        kind: str,
        text: str,
        *,
        at: datetime,
        monotonic: float,
        step: int | None = None,
        data: Mapping[str, str] | None = None,
    ) -> None:
        """Keep something that happened: a trip, an instrument's error, an override, a stray line."""

    def note(self, text: str, *, at: datetime, step: int | None = None) -> None:
        """Keep a note in the unit's history."""

    def end(self, result: AttemptResult, cause: str, *, at: datetime, off_verified: bool | None) -> None:
        """Close the attempt. `off_verified` None: nothing was ever switched on."""

    def history(self, serial: str) -> UnitHistory:
        """What earlier attempts on this unit settle."""


@dataclass(frozen=True, slots=True)
class Told:
    """Something to show. `kind` is one of the words below; the rest depends on it.

    attempt-begun, step-begun, step-ended, reading, sample, poll, going (progress of a wait), prompt-answered,
    event (a warning or an instrument's error), trip, power (an output went on or off), off-unknown, attempt-ended.
    """

    kind: str
    text: str = ""
    step: int | None = None
    reading: Reading | None = None
    poll: PollSample | None = None
    data: Mapping[str, object] = field(default_factory=dict)


Tell = Callable[[Told], None]
"""Never blocks, may drop."""
