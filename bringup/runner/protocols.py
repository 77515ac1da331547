"""What the runner needs of the world: a Link, a Clock, a Record, an Ask, and somebody to tell.

The edge implements these; the tests implement them again. Nothing here does anything by itself. What they pass to
each other stands in pending.py, prompts.py and records.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import field
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from bringup.core.bench import Identity
from bringup.core.dialect import Message
from bringup.core.frozen import frozen
from bringup.core.words import AttemptResult, StepOutcome
from bringup.runner.pending import Pending
from bringup.runner.records import (
    AttemptStart,
    Heard,
    Interruption,
    LineText,
    PhotoFile,
    PollSample,
    ProgramEnd,
    ProgramOrder,
    Reply,
    Seen,
    SisterQuestion,
    UnitHistory,
)

if TYPE_CHECKING:  # the clock is wanted early, these are not
    from bringup.core.deviations import Observation, Photo, Rework
    from bringup.core.reading import Reading
    from bringup.runner.prompts import Answer, Prompt


class Clock(Protocol):
    """Time, and everything that can end a wait early."""

    def monotonic(self) -> float:
        """Seconds since some fixed moment; never jumps."""

    def utc(self) -> datetime:
        """Wall time, aware."""

    def asleep(self) -> float:
        """Seconds that `monotonic` missed because the computer slept. Only differences count; they never shrink.

        A wall clock that somebody sets is not sleep, as far as the system can tell the two apart.
        """

    def wait(self, until: float) -> None:
        """Return at monotonic time `until`, or earlier if something called `wake` (or was scheduled)."""

    def wake(self) -> None:
        """End the wait now. Callable from any thread and from a signal handler."""

    def interruption(self) -> Interruption | None:
        """The interruption that has come, if any; it stays until `acknowledge`."""

    def acknowledge(self) -> None:
        """Forget the interruption: the runner has acted on it."""


class Guard(Protocol):
    """Somebody outside this process who switches off when it dies or hangs. Every call returns at once, none raises."""

    @property
    def lost(self) -> str:
        """Why it cannot be relied upon any more; empty while it can."""

    def ready(self) -> Pending[None]:
        """Done once it could act at once. Raises LinkError where it cannot be had."""

    def attempt(self, attempt: str) -> None:
        """Tell the id of the attempt in the logbook."""

    def on(self) -> Pending[None]:
        """Tell that an output is about to go on. Done when it was heard: switch on only then."""

    def beat(self) -> None:
        """Tell that the supply has just been seen doing what it should, by whoever decides. Never from a timer."""

    def ending(self, seconds: float) -> None:
        """Tell that switching off is under way, and may take that long without a sign of life."""

    def off(self) -> None:
        """Tell that every output is off, verified by asking."""

    def load_left(self) -> None:
        """Tell that the load beside a supply that speaks could not be verified off."""

    def closed(self) -> None:
        """Tell that the attempt is closed in the logbook."""

    def program(self, pid: int, started: str) -> None:
        """Tell which program of this computer is under way and when it started, 0: none. Callable from any thread."""


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

    def hurry(self) -> None:
        """Send nothing more of what was submitted so far (GAVE_WAY): something urgent follows.

        What was sent is still heard to its answer: a message sent before that may be lost, or the answer be taken for
        another's. So what follows waits for one answer at most, however much was to be asked.
        """

    def close(self) -> None:
        """Close for good. Waits a bounded time."""


class Running(Protocol):
    """A program of this computer that was started."""

    @property
    def ended(self) -> Pending[ProgramEnd]:
        """How it ended; also where it could not be started at all. Without a deadline."""

    def stop(self) -> None:
        """End it and its children: ask them first, then force them. Returns at once; `ended` tells the rest."""


class Programs(Protocol):
    """Where programs of this computer are run. They have no terminal, no input, and none of our sockets."""

    def start(self, order: ProgramOrder) -> Running:
        """Start one. Returns at once, whatever becomes of it."""


class Photos(Protocol):
    """Where photos come from. Every call returns at once, whatever the disk does."""

    def look(self, folder: str) -> Pending[tuple[Seen, ...] | str]:
        """The files in a folder, oldest first, or why it cannot be looked into."""

    def read(self, path: str) -> Pending[PhotoFile]:
        """A file, read and recognised; `why` says what is wrong with it."""


class Line(Protocol):
    """A serial line of the board, heard and spoken to by a thread of its own. Every call returns at once."""

    @property
    def where(self) -> str:
        """Where it is, for people."""

    @property
    def gone(self) -> str:
        """Why nothing can be heard at the moment, in words; '' where it is there."""

    @property
    def waiting(self) -> bool:
        """Whether `take` would return anything."""

    def take(self) -> Sequence[Heard]:
        """Return what has come, oldest first; of very much only a part, and `waiting` says that there is more."""

    def send(self, data: bytes) -> Pending[str]:
        """Send these bytes. The Pending gives '' once they are out, else why they are not."""

    def lend(self) -> Pending[str]:
        """Let go of the port if its bench file says that programs need it. Settled once that is done."""

    def take_back(self) -> None:
        """Open again what was lent."""


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

    def line_texts(self, texts: Sequence[LineText]) -> None:
        """Keep a batch of what came on serial lines."""

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

    def rework(self, rework: Rework, *, at: datetime, monotonic: float, step: int | None = None) -> None:
        """Keep what was changed on the unit."""

    def observation(self, observation: Observation, *, at: datetime, step: int | None = None) -> None:
        """Keep what was observed on the unit."""

    def photo(self, photo: Photo, found: PhotoFile, *, at: datetime, step: int | None = None) -> Iterator[None]:
        """Keep a photo and its picture, one commit at each step of the iteration; kept once that has ended."""

    def end(self, result: AttemptResult, cause: str, *, at: datetime, off_verified: bool | None) -> None:
        """Close the attempt. `off_verified` None: nothing was ever switched on."""

    def history(self, serial: str) -> UnitHistory:
        """What earlier attempts on this unit settle."""

    def sisters(self, question: SisterQuestion) -> tuple[float, ...]:
        """Ohms that other units read there in attempts that passed, the latest of each."""


@frozen
class Told:
    """Something to show. `kind` is one of the words below; the rest depends on it.

    attempt-begun, step-begun, step-ended, reading, sample, poll, going (progress of a wait), prompt-answered,
    event (a warning or an instrument's error), hint (why something is asked), trip,
    power (an output went on or off), off-unknown, attempt-ended.
    """

    kind: str
    text: str = ""
    step: int | None = None
    reading: Reading | None = None
    poll: PollSample | None = None
    data: Mapping[str, object] = field(default_factory=dict)


Tell = Callable[[Told], None]
"""Never blocks, may drop."""
