"""Gets what an attempt records onto the disk: into the logbook, else into a rescue file, else it is kept to be shown.

What the logbook did not take waits, in order, and is tried again with whatever comes next, so that a short lock or a
disk that is cleared loses nothing. Meanwhile it stands in the rescue file. A logbook that was deleted or replaced, or
whose disk takes no more writes, is left alone from then on; of one that is gone, the rescue file gets the whole
attempt, by portions, and everything else is copied once the outputs are off (remains.py).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from itertools import chain as joined
from pathlib import Path

from bringup.errors import LogbookError
from bringup.logbook.ahead import take_room
from bringup.logbook.chain import Chain
from bringup.logbook.faults import explain
from bringup.logbook.lines import Line, line_of
from bringup.logbook.opening import BUSY_SECONDS, OpenLogbook
from bringup.logbook.remains import Remains
from bringup.logbook.rescue_file import RescueFile
from bringup.logbook.statements import Statement
from bringup.logbook.waiting import real
from bringup.logbook.watched import WatchedFile

AGAIN_SECONDS = 0.05
"""How long to wait for another writer who did not let go before: the attempt is ending, each record tries."""

AT_THE_END_SECONDS = 3.0
"""How long the last record waits: the outputs are off, nothing else is held up."""


Words = Callable[[], str]
"""Says a record in one line: asked for only where the record could not be kept."""


class Keeper:
    """Writes one attempt's records, one commit each. Raises LogbookError with words for whatever was not written."""

    def __init__(self, logbook: OpenLogbook) -> None:
        self._logbook = logbook
        self._connection = logbook.connection
        self._path = logbook.path
        self._folder = real(logbook.path).parent
        """Where SQLite keeps the write-ahead file, and we the rescue file."""
        self._lasting = logbook.lasting
        self._chain = Chain(logbook.connection)
        self._file = WatchedFile(logbook.path)
        self._lost: LogbookError | None = None
        """Why the logbook is not touched any more."""
        self._remains: Remains | None = None
        """The logbook is not where it was: what it holds will not be found there."""
        self._waiting: list[tuple[Words, list[Statement]]] = []
        self._aside = 0
        """How many of those that wait are in the rescue file."""
        self._refused: list[str] = []
        self._attempt = self._serial = ""
        self._start: list[Statement] = []
        self._began = False
        """The rescue file has the beginning of what a lost logbook held of the attempt."""
        self._rescue: RescueFile | None = None
        self._beside = False
        """The rescue file is on the logbook's disk."""
        self.warnings: list[str] = []

    @property
    def unwritten(self) -> list[str]:
        """What is nowhere but here, one line each."""
        return [*self._refused, *(_line(words) for words, _ in self._waiting[self._aside :])]

    @property
    def rescue_file(self) -> Path | None:
        """The file that holds what the logbook lacks, if there is such."""
        return self._rescue.path if self._rescue is not None and self._rescue.records else None

    def begin(self, attempt: str, serial: str, made: list[Statement]) -> None:
        """Write the beginning of an attempt, or nothing; then reserve room for what the logbook may not take."""
        self._busy_after(BUSY_SECONDS)
        try:
            self._commit(made, attempt)
        except sqlite3.Error as error:
            raise explain(error, self._path, "written to") from error
        self._attempt, self._serial, self._start = attempt, serial, made
        self._let_go()
        refused = []
        for folder in (self._folder, self._lasting):
            if folder is not None and self._rescue is None:
                refused += self._make_rescue(folder)
        if self._rescue is None:
            self.warnings.append(
                f"no rescue file can be made ({'; '.join(refused)}): what the logbook cannot take will only be shown"
            )
        self._take_room()

    def keep(self, words: Words, made: list[Statement]) -> None:
        """Write one record, after everything that still waits. `words`: what is shown of it if nothing takes it."""
        self._waiting.append((words, made))
        try:
            self._write_waiting()
        except LogbookError as error:
            raise self._put_aside(error) from error

    def store(self, made: list[Statement]) -> None:
        """Write what also stands elsewhere, such as a picture: where it fails, nothing is put aside."""
        self._write_waiting()
        try:
            self._commit(made, self._attempt)
        except sqlite3.Error as error:
            raise explain(error, self._path, "written to") from error

    def refuse(self, words: Words) -> None:
        """Remember what cannot be stored at all."""
        self._refused.append(_line(words))

    def keep_last(self, words: Words, made: list[Statement], *, off: bool) -> None:
        """Write the last record; another writer is waited for longer. `off`: no output is on for all that is known."""
        self._busy_after(AT_THE_END_SECONDS)
        try:
            self.keep(words, made)
        finally:
            self._busy_after(BUSY_SECONDS)
            if off:
                self._save_remains()

    def close(self) -> None:
        """Let go of logbook and rescue file; one that holds nothing is removed."""
        self._save_remains()
        self._let_go()
        self._logbook.close()

    def _let_go(self) -> None:
        if self._rescue is not None:
            try:
                self._rescue.close()
            except OSError as error:
                self.warnings.append(f"the empty rescue file {self._rescue.path} cannot be removed ({error.strerror})")
            self._rescue = None

    def _make_rescue(self, folder: Path) -> list[str]:
        """Make the rescue file there; else return why not."""
        head = {"attempt": self._attempt, "serial": self._serial, "made": datetime.now(UTC).isoformat()}
        try:
            self._rescue = RescueFile.make(folder, self._path, head)
            self._beside = folder == self._folder
        except OSError as error:
            return [f"{folder}: {error.strerror}"]
        return []

    def _take_room(self) -> None:
        """Have the write-ahead file as long as it will be, where the disk has room for that."""
        try:
            take_room(self._connection, self._path)
        except (sqlite3.Error, OSError) as error:
            self.warnings.append(
                f"2 MiB could not be reserved for the logbook {self._path} ({error}): see that its disk has room"
            )

    def _write_waiting(self) -> None:
        """Write what waits, oldest first, one commit each. What breaks a rule of the tables is not tried again."""
        if self._lost is not None:
            raise self._lost
        broken: sqlite3.IntegrityError | None = None
        while self._waiting:
            words, made = self._waiting[0]
            try:
                self._commit(made, self._attempt)
            except sqlite3.IntegrityError as error:
                self._refused.append(_line(words))
                broken = error
            except sqlite3.Error as error:
                self._busy_after(AGAIN_SECONDS)
                raise explain(error, self._path, "written to") from error
            self._waiting.pop(0)
            self._aside = max(0, self._aside - 1)
        self._all_written()
        if broken is not None:
            raise explain(broken, self._path, "written to") from broken

    def _all_written(self) -> None:
        """The logbook has everything again: the rescue file need hold nothing."""
        if self._rescue is None or not self._rescue.records:
            return
        self._busy_after(BUSY_SECONDS)
        try:
            self._rescue.clear()
        except OSError as error:
            # It says nothing new, and taking it in will change nothing.
            self.warnings.append(f"the rescue file {self._rescue.path} cannot be cleared ({error.strerror})")

    def _commit(self, made: Sequence[Statement], attempt: str) -> None:
        """Execute all or none, and see that it went into the file that bears the logbook's name."""
        self._probe()
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            self._chain.write(made, attempt)
            self._connection.execute("COMMIT")
        except sqlite3.Error:
            self._chain.forget()
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        try:
            self._file.check()
        except LogbookError as error:
            # Nothing that takes long now: outputs may be on.
            self._remains = Remains(self._connection, self._path, self._attempt)
            told = f"All that it held is copied to {self._remains.copy} once the outputs are off."
            self._lost = LogbookError(error.message, f"{told} {error.what_to_do}")
            raise self._lost from error

    def _probe(self) -> None:
        """See that the disk takes writes; once it does not, the logbook is not touched any more.

        SQLite writes its index beside the write-ahead file through mapped memory, where a disk's refusal is no error
        that it could report but kills the process (SIGBUS).
        """
        if self._rescue is None or not self._beside:
            return
        try:
            self._rescue.probe()
        except OSError as error:
            self._logbook.untouchable = True
            self._lost = LogbookError(
                f"the logbook {self._path} cannot be written to: its disk takes no more writes ({error.strerror})",
                "Check the disk and its cable, or name a logbook on another disk with --logbook.",
            )
            raise self._lost from error

    def _save_remains(self) -> None:
        """Save what is left of a logbook that is gone: the attempt into its rescue file, then all into a copy."""
        if self._remains is None:
            return
        try:
            while self._rescue is not None and (rows := self._portion()):
                self._rescue.append(rows)
        except OSError as error:
            self.warnings.append(f"the rescue file lacks a part of what was recorded before ({error.strerror})")
        if said := self._remains.copy_all():
            self.warnings.append(f"the logbook was lost; {said}")

    def _portion(self) -> list[Line]:
        try:
            return self._remains.portion() if self._remains is not None else []
        except sqlite3.Error as error:
            self.warnings.append(f"a part of what was recorded before cannot be read any more ({error})")
            return []

    def _put_aside(self, error: LogbookError) -> LogbookError:
        """Put what waits into the rescue file, in the folder of the user if need be; say where it is now."""
        if len(self._waiting) == self._aside:
            return error
        refused = []
        for folder in (None, self._folder, self._lasting):
            if folder is not None:
                self._start_anew()
                refused += self._make_rescue(folder)
            if self._rescue is None:
                continue
            try:
                self._append_missing(self._rescue)
            except OSError as failed:
                refused.append(f"{self._rescue.path}: {failed.strerror}")
                continue
            self._aside = len(self._waiting)
            where = f"what it lacks is kept in {self._rescue.path}"
            what_to_do = f"{error.what_to_do} The next `bringup run` with this logbook takes that file in.".strip()
            return LogbookError(f"{error.message}; {where}", what_to_do)
        why = "; ".join(refused)
        return LogbookError(f"{error.message}; no rescue file takes it either ({why})", error.what_to_do)

    def _start_anew(self) -> None:
        """The rescue file takes nothing more: the next one begins from the beginning."""
        if self._rescue is not None:
            self._let_go()
        self._aside = 0
        self._began = False

    def _append_missing(self, file: RescueFile) -> None:
        """Append what the file lacks: first the attempt itself, then what waits. Raises OSError."""
        pending = [line_of(each) for _, made in self._waiting[self._aside :] for each in made]
        head: Iterable[Line] = () if file.records else map(line_of, self._start)
        if self._remains is not None and not self._began:
            try:
                head = self._remains.begin()
            except sqlite3.Error as error:
                self.warnings.append(f"what was recorded before cannot be read any more ({error})")
        file.append(joined(head, self._portion(), pending))
        self._began = self._remains is not None

    def _busy_after(self, seconds: float) -> None:
        self._connection.execute(f"PRAGMA busy_timeout = {int(seconds * 1000)}")


def _line(words: Words) -> str:
    return " ".join(words().split())
