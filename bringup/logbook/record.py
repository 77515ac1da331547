"""The logbook as the runner sees it: each call returns once what it was given is on the disk.

An attempt is written through one LogbookRecord, in one thread, with the standard library's sqlite3. How what it is
given gets onto the disk, whatever happens to the logbook, is keeping.py.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from bringup.core.deviations import Observation, Photo, Rework
from bringup.core.reading import Reading, new_id
from bringup.core.words import AttemptResult, StepOutcome
from bringup.errors import LogbookError
from bringup.logbook import statements
from bringup.logbook.deviation_statements import (
    Entered,
    observation_statements,
    photo_statement,
    rework_statement,
)
from bringup.logbook.faults import explain
from bringup.logbook.keeping import Keeper
from bringup.logbook.opening import OpenLogbook, open_for_writing
from bringup.logbook.past import check_same_board, unit_history
from bringup.logbook.pictures import to_store
from bringup.logbook.processes import this_process
from bringup.logbook.statements import Statement, place
from bringup.runner.records import AttemptStart, LineText, PhotoFile, PollSample, SisterQuestion, UnitHistory


class LogbookRecord:
    """Implements runner.protocols.Record. Use as a context manager, or `close` it."""

    def __init__(self, logbook: OpenLogbook, *, simulated: bool) -> None:
        """`simulated`: which kind of earlier attempts `history` looks at; `begin` settles it for good."""
        self._connection = logbook.connection
        self._keeper = Keeper(logbook)
        self._path = logbook.path
        self._simulated = simulated
        self._attempt: str | None = None
        self._going = False
        self._serial = self._operator = ""
        self._design = ("", "")
        """Board and revision of the attempt."""
        self._steps: set[int] = set()
        self._not_taken_in = tuple(map(str, logbook.not_taken_in))
        self.left_open = logbook.left_open
        """Attempts of dead processes that opening closed as broken off."""

    @classmethod
    def open(cls, path: Path, *, simulated: bool) -> LogbookRecord:
        """Open (or create) the logbook for an attempt. Raises LogbookError before anything is powered."""
        return cls(open_for_writing(path), simulated=simulated)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file, and of the rescue file; that one is removed if it holds nothing."""
        self._keeper.close()

    @property
    def attempt(self) -> str | None:
        """Id of the attempt that was begun last."""
        return self._attempt

    @property
    def unwritten(self) -> list[str]:
        """What is neither in the logbook nor in a rescue file, one line each: to be shown, else it is lost for good."""
        return self._keeper.unwritten

    @property
    def rescue_file(self) -> Path | None:
        """The file that holds what the logbook lacks, until the next opening takes it in; None: it lacks nothing."""
        return self._keeper.rescue_file

    @property
    def warnings(self) -> list[str]:
        """What went wrong without losing anything."""
        return self._keeper.warnings

    def begin(self, start: AttemptStart) -> str:
        """Open an attempt; returns its id. Raises LogbookError also for a serial number of another board."""
        attempt = new_id()
        made = statements.attempt_statements(attempt, start, this_process())
        try:
            check_same_board(self._connection, start)
        except sqlite3.Error as error:
            raise explain(error, self._path, "read") from error
        self._keeper.begin(attempt, start.serial, made)
        self._attempt, self._serial, self._operator = attempt, start.serial, start.operator
        self._simulated, self._going = start.simulated, True
        self._design = start.board, start.revision
        self._steps = set(range(len(start.steps)))
        return attempt

    def step_begun(self, index: int, at: datetime, monotonic: float) -> None:
        """A step begins: its outcome is open from here."""
        attempt = self._open_attempt()
        self._keep(
            lambda: f"step {place(index)} begun at {at.isoformat()}",
            lambda: statements.step_begun_statement(attempt, index, at, monotonic),
            step=index,
        )

    def step_ended(
        self, index: int, outcome: StepOutcome, result: str, *, at: datetime, why: str = "", who: str = ""
    ) -> None:
        """A step ended. `result`: 'pass', 'fail' or ''."""
        attempt = self._open_attempt()
        self._keep(
            lambda: f"step {place(index)} {outcome} {result} {why} {who} at {at.isoformat()}",
            lambda: statements.step_ended_statement(attempt, index, outcome, result, at, why, who),
            step=index,
        )

    def reading(self, reading: Reading) -> None:
        """Keep a reading."""
        attempt = self._open_attempt()
        self._keep(
            lambda: (
                f"step {place(reading.step)} {reading.point or ''} {reading.kind} {reading.aspect} {reading.value!r}"
                f" {reading.unit} {reading.result} at {reading.at.isoformat()} by {reading.instrument}, {reading.how}:"
                f" {reading.raw!r}"
            ),
            lambda: statements.reading_statement(attempt, reading),
            step=reading.step,
        )

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
        attempt = self._open_attempt()
        self._keep(
            lambda: f"step {place(step)} sample of {channel} {value!r} {unit} at {at.isoformat()}: {raw!r}",
            lambda: statements.sample_statement(attempt, step, channel, unit, at, monotonic, value, raw),
            step=step,
        )

    def polls(self, samples: Sequence[PollSample]) -> None:
        """Keep a batch of the supply's poll trace, in one commit."""
        attempt = self._open_attempt()
        if samples:
            self._keep(
                lambda: f"{len(samples)} polls of the supply",
                lambda: [statements.poll_statement(attempt, sample) for sample in samples],
            )

    def line_texts(self, texts: Sequence[LineText]) -> None:
        """Keep a batch of what came on serial lines, in one commit."""
        attempt = self._open_attempt()
        if texts:
            self._keep(
                lambda: f"{len(texts)} pieces of text from {texts[0].line}, from {texts[0].at.isoformat()} on",
                lambda: [statements.line_text_statement(attempt, text) for text in texts],
            )

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
        """Keep something that happened. After the kind 'trip' nothing of the unit's history carries over."""
        attempt = self._open_attempt()
        self._keep(
            lambda: f"event {kind} at {at.isoformat()}: {text}",
            lambda: statements.event_statement(attempt, step, kind, text, at, monotonic, data),
        )

    def note(self, text: str, *, at: datetime, step: int | None = None) -> None:
        """Keep a note in the unit's history."""
        unit = (self._serial, self._simulated, self._open_attempt())
        self._keep(
            lambda: f"note at {at.isoformat()}: {text}",
            lambda: statements.note_statement(unit, step, at, self._operator, text),
        )

    def rework(self, rework: Rework, *, at: datetime, monotonic: float, step: int | None = None) -> None:
        """Keep what was changed on the unit."""
        attempt, entered = self._open_attempt(), self._entered(at, step)
        self._keep(
            lambda: f"rework at {at.isoformat()}: {rework.change} ({rework.why})",
            lambda: rework_statement(entered, rework, follows=attempt, monotonic=monotonic),
        )

    def observation(self, observation: Observation, *, at: datetime, step: int | None = None) -> None:
        """Keep what was observed on the unit."""
        entered = self._entered(at, step)
        self._keep(
            lambda: f"observation at {at.isoformat()}: {observation.text}",
            lambda: observation_statements(entered, observation, *self._design),
        )

    def photo(self, photo: Photo, found: PhotoFile, *, at: datetime, step: int | None = None) -> Iterator[None]:
        """Keep a photo, one commit at each step: its picture's parts are not put aside where that fails."""
        entered = self._entered(at, step)
        try:
            for made in to_store(self._connection, found):
                self._keeper.store(made)
                yield
        except sqlite3.Error as error:
            raise explain(error, self._path, "read") from error
        self._keep(
            lambda: f"photo at {at.isoformat()}: {found.path}, SHA-256 {found.digest}",
            lambda: photo_statement(entered, photo, found.digest),
        )

    def _entered(self, at: datetime, step: int | None) -> Entered:
        return Entered(self._serial, self._simulated, at, self._operator, self._open_attempt(), step)

    def end(self, result: AttemptResult, cause: str, *, at: datetime, off_verified: bool | None) -> None:
        """Close the attempt, and fold the write-ahead file into the logbook: it is one file again."""
        attempt = self._open_attempt()
        made = statements.end_statement(attempt, result, cause, at, off_verified)
        self._keeper.keep_last(
            lambda: f"attempt {result} at {at.isoformat()}: {cause}", [made], off=off_verified is not False
        )
        self._going = False
        try:
            busy = self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        except sqlite3.Error as error:
            self.warnings.append(
                f"everything is written, but the file {self._path}-wal could not be folded into the logbook"
                f" ({error}): keep the two together"
            )
            return
        if busy:
            self.warnings.append(
                f"another program is reading the logbook: keep {self._path}-wal together with it until that ends"
            )

    def history(self, serial: str) -> UnitHistory:
        """What earlier attempts on this unit settle; real and simulated ones apart."""
        under_way = self._attempt if self._going else None
        try:
            found = unit_history(self._connection, serial, simulated=self._simulated, leave_out=under_way)
        except sqlite3.Error as error:
            raise explain(error, self._path, "read") from error
        return replace(found, not_taken_in=self._not_taken_in)

    def sisters(self, question: SisterQuestion) -> tuple[float, ...]:
        """Ohms of other units at the same place, by the same meter on the same range, in attempts that passed."""
        from bringup.logbook.sister_ohms import sister_ohms

        try:
            return sister_ohms(self._connection, question, simulated=self._simulated)
        except sqlite3.Error as error:
            raise explain(error, self._path, "read") from error

    def _open_attempt(self) -> str:
        assert self._attempt is not None, "begin() comes first"
        return self._attempt

    def _keep(
        self, words: Callable[[], str], make: Callable[[], Statement | list[Statement]], *, step: int | None = None
    ) -> None:
        """Write one thing, after everything that is still waiting. Returns after commit or raises LogbookError.

        `words`: says it in a line, which is asked for only where it could not be written.
        """
        try:
            made = make()
        except LogbookError:
            self._keeper.refuse(words)
            raise
        made = made if isinstance(made, list) else [made]
        if step is not None and step not in self._steps:
            made.insert(0, statements.step_statement(self._open_attempt(), step, "", "", "not reached"))
        self._keeper.keep(words, made)
        if step is not None:
            self._steps.add(step)
