"""Merging: what other logbook files have more than this one is taken in, piece by piece, each in one transaction.

The chain of hashes says what is here already and what is not, so that a kill, a repetition or another order of files
changes nothing about what is there in the end. Each logbook's chain goes on here as one of its own (an origin), and
audits as it did there. A copy that was written to becomes a branch of the logbook that it is of.
"""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from bringup.core.frozen import frozen
from bringup.errors import LogbookError
from bringup.logbook.additions import WAIT_MS, opened
from bringup.logbook.encoding import BRANCH, seed
from bringup.logbook.faults import explain
from bringup.logbook.merging_conflicts import WORKING, kept_out_of
from bringup.logbook.merging_rows import take_piece
from bringup.logbook.migrations import copy_up_to_date
from bringup.logbook.publishing_plan import Known, Plan, pieces, plan_of
from bringup.logbook.reading import read
from bringup.logbook.version import VERSION, version_of

PIECE = 20_000
"""Entries of a piece: some tenths of a second in which nobody else can write."""


@frozen
class Conflict:
    """What is here under the same name with other content, and was kept out."""

    table: str
    row: str
    serial: str
    why: str

    def as_json(self) -> dict[str, Any]:
        """Return every field."""
        return {"table": self.table, "row": self.row, "serial": self.serial, "why": self.why}


@frozen
class Merged:
    """What came of one file. `going`: ids of attempts that are going on in it, which wait for their end."""

    file: Path
    attempts: int = 0
    rows: int = 0
    conflicts: tuple[Conflict, ...] = ()
    going: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return what a program needs."""
        conflicts = [each.as_json() for each in self.conflicts]
        told = {"file": str(self.file), "attempts": self.attempts, "rows": self.rows}
        return {**told, "conflicts": conflicts, "going": list(self.going)}


def merge(
    path: Path, files: Sequence[Path], lasting: Path | None = None, told: Callable[[int, int], None] = lambda *_: None
) -> Iterator[Merged]:
    """Take in one file after the other, and yield what came of each. The logbook is made where there is none.

    `lasting`: the user's folder for rescue files; `told`: called with how many entries of a file are done, of how many.
    Every file is looked at before anything is written. Raises LogbookError; what was taken in by then stays.
    """
    for file in files:
        if file.exists() and path.exists() and file.samefile(path):
            raise LogbookError(f"{file} is the logbook itself", "Name other files, or another logbook with --logbook.")
        read(file, lambda connection: connection.execute("SELECT count(*) FROM origins").fetchone(), hashes=True)
    with opened(path, lasting, new=True) as logbook:
        going = logbook.connection.execute("SELECT id FROM attempts WHERE result IS NULL LIMIT 1").fetchone()
        if going is not None:
            raise LogbookError(
                f"attempt {going[0][:8]} is going on in {path}, and merging would keep its readings waiting",
                "Merge when it has ended.",
            )
        for file in files:
            yield _merge(path, file, told)


def _merge(path: Path, file: Path, told: Callable[[int, int], None]) -> Merged:
    try:
        with _at_rest(file) as copy:
            stamp = _stamp(copy)
            try:
                with closing(_both(copy, path)) as both:
                    return _take_in(both, file, told, lambda: _refuse_written(copy, stamp))
            except sqlite3.IntegrityError as error:
                raise LogbookError(
                    f"{file} cannot be merged: its rows break a rule of the tables ({error})",
                    "`bringup audit` says whether it was altered.",
                ) from error
    except sqlite3.Error as error:
        raise explain(error, file, "merged") from error
    except LogbookError as error:
        raise LogbookError(
            error.message if str(file) in error.message else f"{file}: {error.message}",
            f"{error.what_to_do} What was taken in by then stays; nothing is lost: merge again.".strip(),
        ) from error


@contextmanager
def _at_rest(file: Path) -> Iterator[Path]:
    """Give a file of today's version that nobody writes to: itself, or a copy of this moment.

    Somebody may write to it where a write-ahead file lies beside it.
    """
    at_rest = not file.with_name(file.name + "-wal").exists()
    where = f"{file.absolute().as_uri()}?mode=ro{'&immutable=1' if at_rest else ''}"
    with (
        closing(sqlite3.connect(where, uri=True)) as there,
        tempfile.TemporaryDirectory(prefix="bringup-merge-") as folder,
    ):
        if at_rest and version_of(there) == VERSION:
            there.close()
            yield file
            return
        copy = Path(folder, "copy.db")
        with closing(copy_up_to_date(there, file, copy)) as here:
            here.execute("PRAGMA journal_mode = DELETE")
        yield copy


def _stamp(file: Path) -> tuple[int, int, bool]:
    """Return what changes when somebody writes to a file: its time, its size, whether a write-ahead file is there."""
    found = file.stat()
    return found.st_mtime_ns, found.st_size, file.with_name(file.name + "-wal").exists()


def _refuse_written(file: Path, stamp: tuple[int, int, bool]) -> None:
    """Raise LogbookError where somebody has written to the file since: it is read as one that nobody writes to."""
    if _stamp(file) != stamp:
        raise LogbookError("somebody writes to it", "Merge when that is over.")


def _both(file: Path, path: Path) -> sqlite3.Connection:
    """Open the other file as `main`, which nothing is written to, and the logbook as `here`."""
    where = f"{file.absolute().as_uri()}?mode=ro&immutable=1"
    both = sqlite3.connect(where, uri=True, isolation_level=None, timeout=WAIT_MS / 1000)
    try:
        both.execute("ATTACH ? AS here", (f"{path.absolute().as_uri()}?mode=rw",))
        both.execute("PRAGMA here.synchronous = FULL")
        both.execute("PRAGMA foreign_keys = ON")
        both.execute("PRAGMA here.cache_size = -64000")
        for statement in WORKING:
            both.execute(statement)
    except BaseException:
        both.close()
        raise
    return both


def _take_in(
    both: sqlite3.Connection, file: Path, told: Callable[[int, int], None], still: Callable[[], None]
) -> Merged:
    """`still`: raises LogbookError where the other file is not at rest any more."""
    _find_strangers(both)
    known: dict[int, Known] = {}
    names: dict[int, tuple[str, str]] = {}
    for number, identity, made in both.execute("SELECT number, id, made FROM main.origins ORDER BY number").fetchall():
        name, known[number] = _where_it_goes_on(both, number, identity, made)
        names[number] = (name, made)
    plan = plan_of(both, known)
    numbers = _numbers(both, plan, names)
    both.executemany(
        "INSERT INTO temp.known VALUES (?, ?, ?)", [(each, numbers[each], plan.after[each]) for each in numbers]
    )
    attempts = rows = 0
    conflicts: list[Conflict] = []
    for begin, end in pieces(both, plan, PIECE):
        try:
            more = _take_piece(both, (begin, end), plan.resumed, still, careful=False)
        except sqlite3.IntegrityError:
            more = _take_piece(both, (begin, end), plan.resumed, still, careful=True)
        attempts, rows = attempts + more[0], rows + more[1]
        conflicts += [Conflict(*found) for found in kept_out_of(both)]
        told(end - plan.begin, plan.until - plan.begin)
    return Merged(file, attempts, rows, tuple(conflicts), plan.going)


def _take_piece(
    both: sqlite3.Connection,
    span: tuple[int, int],
    resumed: frozenset[int],
    still: Callable[[], None],
    *,
    careful: bool,
) -> tuple[int, int]:
    both.execute("BEGIN IMMEDIATE")
    try:
        taken = take_piece(both, {"begin": span[0], "end": span[1]}, resumed, careful=careful)
        still()
        both.execute("COMMIT")
    except BaseException:
        if both.in_transaction:
            both.execute("ROLLBACK")
        raise
    return taken


def _numbers(both: sqlite3.Connection, plan: Plan, names: Mapping[int, tuple[str, str]]) -> dict[int, int]:
    """Return the number here of each origin there that has something to take in; new ones are made with the rows."""
    here = dict(both.execute("SELECT id, number FROM here.origins"))
    last = max(here.values())
    numbers = {}
    for origin, (identity, made) in names.items():
        entries = "SELECT 1 FROM main.chain WHERE origin = ? AND seq > ? AND seq <= ? LIMIT 1"
        if both.execute(entries, (origin, plan.after[origin], plan.until)).fetchone() is None:
            continue
        if identity not in here:
            last += 1
            here[identity] = last
            both.execute("INSERT INTO temp.new_origins VALUES (?, ?, ?)", (last, identity, made))
        numbers[origin] = here[identity]
    return numbers


def _find_strangers(both: sqlite3.Connection) -> None:
    """Find the units whose serial number is that of a unit of another board here."""
    found = both.execute(
        "SELECT u.serial, u.simulated, u.board, h.board FROM main.units u JOIN here.units h"
        " ON h.serial = u.serial AND h.simulated = u.simulated WHERE u.board <> h.board"
    ).fetchall()
    others = [
        (serial, simulated, ours)
        for serial, simulated, theirs, ours in found
        if " ".join(theirs.split()).casefold() != " ".join(ours.split()).casefold()
    ]
    both.executemany("INSERT INTO temp.strangers VALUES (?, ?, ?)", others)


def _where_it_goes_on(both: sqlite3.Connection, number: int, identity: str, made: str) -> tuple[str, Known]:
    """Return an origin's id here, and how much of its chain is here: of a copy that went on otherwise, a branch's."""
    row = both.execute("SELECT number FROM here.origins WHERE id = ?", (identity,)).fetchone()
    there = min(_count(both, "here", row[0]), _count(both, "main", number)) if row is not None else 0
    if row is None or not there:
        return identity, Known(0, b"")
    last = _link(both, "here", row[0], there)
    if last == _link(both, "main", number, there):
        return identity, Known(there, last)
    ours, theirs = _links(both, "here", row[0]), _links(both, "main", number)
    common = next(place for place, pair in enumerate(zip(ours, theirs, strict=False)) if pair[0] != pair[1])
    before = ours[common - 1] if common else seed(identity, made)
    branch = f"{identity}{BRANCH}{before.hex()}:{theirs[common].hex()}"
    row = both.execute("SELECT number FROM here.origins WHERE id = ?", (branch,)).fetchone()
    if row is None:
        return branch, Known(common, before if common else b"")
    ours = _links(both, "here", row[0])
    there = min(len(ours), len(theirs) - common)
    if ours[:there] != theirs[common : common + there]:
        raise LogbookError(
            "it is a copy of a copy of a logbook, and each of the three went on otherwise",
            "`bringup audit` says whether it was altered; merge the two copies into a new logbook.",
        )
    return branch, Known(common + there, theirs[common + there - 1])


def _count(both: sqlite3.Connection, schema: str, origin: int) -> int:
    query = f"SELECT count(*) FROM {schema}.chain WHERE origin = ?"  # noqa: S608 - words of ours
    return int(both.execute(query, (origin,)).fetchone()[0])


def _link(both: sqlite3.Connection, schema: str, origin: int, nth: int) -> bytes:
    query = f"SELECT link FROM {schema}.chain WHERE origin = ? ORDER BY seq LIMIT 1 OFFSET ?"  # noqa: S608
    return bytes(both.execute(query, (origin, nth - 1)).fetchone()[0])


def _links(both: sqlite3.Connection, schema: str, origin: int) -> list[bytes]:
    query = f"SELECT link FROM {schema}.chain WHERE origin = ? ORDER BY seq"  # noqa: S608 - words of ours
    return [bytes(row[0]) for row in both.execute(query, (origin,))]
