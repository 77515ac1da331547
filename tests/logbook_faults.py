"""Faults of a logbook while `bringup run` writes it, and what became of supply and readings: shared with a benchmark.

Each fault is a context: on entering it strikes, on leaving it is over, so that the next opening can take in what was
rescued. One that this computer does not let us bring about raises Impossible, with the reason.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

from bringup.core.reading import Reading
from bringup.errors import LogbookError
from bringup.logbook.audit import audit
from bringup.logbook.opening import open_for_writing
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from tests.rig import BEFORE, UP, Rig, wait_for

STEPS = BEFORE + UP + "  - measure: [VIN, 12V0, 3V3]\n" * 60 + "  - power_off: {discharged_below: 1 V}\n"
Strike = Callable[[Path], AbstractContextManager[None]]


class Impossible(Exception):  # noqa: N818 - not an error of ours
    """This fault cannot be brought about here."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an attempt whose logbook failed. Readings are counted by what the screen had shown."""

    code: int
    output_on: bool
    off_verified: bool
    said: str
    shown: int
    in_logbook: int
    """Readings in the logbook once everything was taken in."""
    rescued: int
    """Of these, the ones that were only in a rescue file."""
    sound: bool

    @property
    def lost(self) -> int:
        """Readings that were on the screen and are in no logbook."""
        return max(0, self.shown - self.in_logbook)


def strike(rig: Rig, fault: Strike, disk: AbstractContextManager[Path]) -> Outcome:
    """Run an attempt in a process of its own, and let the fault strike while it measures."""

    def run(logbook: Path) -> tuple[int, str]:
        process = rig.start(STEPS, "--logbook", str(logbook))
        try:
            said = wait_for(process, "measure VIN")
            with fault(logbook):
                assert process.stdout is not None
                said += process.stdout.read()
                return process.wait(timeout=60), said
        finally:
            process.kill()
            process.communicate()

    return _outcome(rig, run, disk)


def strike_here(rig: Rig, fault: Strike, disk: AbstractContextManager[Path], at_reading: int = 16) -> Outcome:
    """Run an attempt in this process, which is quicker, and let the fault strike before a reading is recorded."""
    record = LogbookRecord.reading

    def run(logbook: Path) -> tuple[int, str]:
        with ExitStack() as struck:
            count = iter(range(1, 10_000))

            def reading(self: LogbookRecord, taken: Reading) -> None:
                if next(count) == at_reading:
                    struck.enter_context(fault(logbook))
                record(self, taken)

            with patch.object(LogbookRecord, "reading", reading):
                said = rig.run(STEPS, "--logbook", str(logbook))
            return said.returncode, said.stdout + said.stderr

    return _outcome(rig, run, disk)


def _outcome(rig: Rig, run: Callable[[Path], tuple[int, str]], disk: AbstractContextManager[Path]) -> Outcome:
    """Run, then take in what was rescued, as the next run would."""
    with disk as folder:
        logbook = folder / "bringup.db"
        code, said = run(logbook)
        on, before = rig.output_is_on(), taken(logbook)
        open_for_writing(logbook, rig.folder / "state" / "lasting").connection.close()
        shown = sum(line.rstrip().endswith((" pass", " recorded")) for line in said.splitlines())
        after = taken(logbook)
        return Outcome(code, on, off_verified(logbook), said, shown, after, after - before, sound(logbook))


def taken(logbook: Path) -> int:
    """Count the readings in a logbook; none where there is none."""
    try:
        return read(logbook, lambda connection: int(connection.execute("SELECT count(*) FROM readings").fetchone()[0]))
    except LogbookError:
        return 0


def off_verified(logbook: Path) -> bool:
    """Whether the logbook says of its last attempt that the outputs were verified off."""
    statement = "SELECT off_verified FROM attempts ORDER BY seq DESC LIMIT 1"
    return read(logbook, lambda connection: bool(connection.execute(statement).fetchone()[0]))


def sound(logbook: Path) -> bool:
    """Whether an audit finds nothing."""
    return read(logbook, audit).sound


@contextmanager
def ordinary(rig: Rig) -> Iterator[Path]:
    """The disk that the test's folder is on."""
    (rig.folder / "disk").mkdir()
    yield rig.folder / "disk"


@contextmanager
def small_disk(rig: Rig) -> Iterator[Path]:
    """A disk of 3 MiB in memory."""
    folder = rig.folder / "disk"
    folder.mkdir()
    _system("mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(folder))
    try:
        yield folder
    finally:
        _system("umount", "-l", str(folder))


@contextmanager
def failing_disk(rig: Rig) -> Iterator[Path]:
    """A disk whose system turns it read-only when it finds an error, as most are set up."""
    image, folder = rig.folder / "image", rig.folder / "disk"
    folder.mkdir()
    with image.open("wb") as file:
        file.truncate(16 * 1024 * 1024)
    _system("mkfs.ext4", "-q", str(image))
    _system("mount", "-o", "loop,errors=remount-ro", str(image), str(folder))
    try:
        yield folder
    finally:
        _system("umount", "-l", str(folder))


@contextmanager
def full(logbook: Path) -> Iterator[None]:
    """Something else fills the disk."""
    other = logbook.with_name("something else")
    descriptor = os.open(other, os.O_WRONLY | os.O_CREAT)
    os.write(descriptor, b"\1" * 4 * 1024 * 1024)
    os.close(descriptor)
    yield
    other.unlink()


@contextmanager
def read_only(logbook: Path) -> Iterator[None]:
    """The disk reports an error, and the system lets nobody write to it any more, until it is checked."""
    device = _system("findmnt", "-no", "SOURCE", str(logbook.parent)).strip()
    trigger = Path("/sys/fs/ext4", Path(device).name, "trigger_fs_error")
    if not trigger.exists():
        raise Impossible(f"this system has no {trigger}")
    trigger.write_text("test", encoding="ascii")
    yield
    _system("umount", str(logbook.parent))
    image = logbook.parent.with_name("image")
    subprocess.run(["e2fsck", "-fy", str(image)], capture_output=True, check=False)
    _system("mount", "-o", "loop", str(image), str(logbook.parent))


@contextmanager
def write_protected(logbook: Path) -> Iterator[None]:
    """Nobody may write to the files or make new ones, those who have them open included."""
    _system("chattr", "-R", "+i", str(logbook.parent))
    try:
        yield
    finally:
        _system("chattr", "-R", "-i", str(logbook.parent))


@contextmanager
def deleted(logbook: Path) -> Iterator[None]:
    """Somebody tidies up."""
    logbook.unlink()
    yield
    _put_copy_back(logbook)


@contextmanager
def deleted_with_all(logbook: Path) -> Iterator[None]:
    """Somebody deletes all that is in the folder, the rescue file too."""
    for file in logbook.parent.iterdir():
        file.unlink()
    yield
    _put_copy_back(logbook)


@contextmanager
def replaced(logbook: Path) -> Iterator[None]:
    """A synchronising program puts the file as it was before in its place."""
    other = logbook.with_name("earlier")
    open_for_writing(other).connection.close()
    other.replace(logbook)
    yield
    for ending in ("-wal", "-shm"):
        logbook.with_name(logbook.name + ending).unlink(missing_ok=True)


@contextmanager
def locked(logbook: Path) -> Iterator[None]:
    """A database browser with changes that nobody saves."""
    with closing(sqlite3.connect(logbook, isolation_level=None, timeout=10)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def _put_copy_back(logbook: Path) -> None:
    """Nothing but the rescue file is kept: the harder case for it."""
    for file in logbook.parent.glob("bringup-rescued-*"):
        file.unlink()
    for ending in ("", "-wal", "-shm"):
        logbook.with_name(logbook.name + ending).unlink(missing_ok=True)


def _system(*command: str) -> str:
    """Run a command of the system. Raises Impossible where it is missing or refuses."""
    if shutil.which(command[0]) is None:
        raise Impossible(f"there is no {command[0]} here")
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise Impossible(f"{' '.join(command)}: {done.stderr.strip()}")
    return done.stdout
