"""The file beside a logbook that takes what the logbook cannot: room for it is reserved before anything is powered.

Its first line says what it is for; each further one is a record (lines.py). What is not used yet is zero bytes. It is
locked while its attempt goes on; without a record in it, it is removed at the end.
"""

from __future__ import annotations

import errno
import json
import os
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from bringup.core.frozen import frozen
from bringup.logbook.file_lock import try_lock
from bringup.logbook.lines import Line
from bringup.logbook.waiting import name_for, real

SIZE = 1024 * 1024
"""Bytes that are reserved: some two thousand readings."""

FORM = 1
"""Version of what the lines say."""

_AT_ONCE = 1000
"""Lines that are written together: a long attempt is never in memory as a whole."""

_BINARY = getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
_CANNOT_RESERVE = {errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL}


class RescueFile:
    """An open rescue file of one attempt. Everything raises OSError for what the system refuses."""

    def __init__(self, path: Path, descriptor: int, size: int) -> None:
        self.path = path
        self._size = size
        self.records = 0
        self._descriptor = descriptor
        self._used = self._first = 0
        self._broken = False

    @classmethod
    def make(cls, folder: Path, logbook: Path, head: Line, *, size: int | None = None) -> RescueFile:
        """Make one in a folder, its blocks reserved and its first line on the disk."""
        size = SIZE if size is None else size
        path = folder / name_for(real(logbook))
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | _BINARY, 0o600)
        made = cls(path, descriptor, size)
        try:
            _lock(descriptor, path)
            _reserve(descriptor, size)
            made._write(json.dumps({"rescue": FORM, "logbook": str(real(logbook)), **head}) + "\n")
            sync_folder(folder)
        except BaseException:
            os.close(descriptor)
            path.unlink(missing_ok=True)
            raise
        made._first = made._used
        return made

    def append(self, lines: Iterable[Line]) -> None:
        """Write records; returns once they are on the disk. After an OSError nothing more can be appended."""
        if self._broken or not self.still_there():
            raise OSError(errno.ENOENT, "the rescue file is not there any more", str(self.path))
        begun = self._used
        batch: list[str] = []
        try:
            for line in lines:
                batch.append(json.dumps(line, ensure_ascii=False, allow_nan=False) + "\n")
                if len(batch) >= _AT_ONCE:
                    self._write("".join(batch))
                    batch.clear()
            self._write("".join(batch))
        except OSError:
            self._broken = True
            raise
        except BaseException:
            # Whoever gave the lines failed: nothing of them stays.
            self._erase(begun)
            raise
        self.records += 1

    def probe(self) -> None:
        """Write one byte of what is reserved, which costs microseconds: OSError where the disk takes no more writes."""
        if self._used >= self._size:
            return
        if hasattr(os, "pwrite"):
            os.pwrite(self._descriptor, b"\0", self._size - 1)
            return
        os.lseek(self._descriptor, self._size - 1, os.SEEK_SET)
        os.write(self._descriptor, b"\0")

    def still_there(self) -> bool:
        """Whether the file still bears its name."""
        ours = os.fstat(self._descriptor)
        try:
            named = self.path.stat()
        except OSError:
            return False
        return (ours.st_dev, ours.st_ino) == (named.st_dev, named.st_ino)

    def clear(self) -> None:
        """Take the records out again: they are in the logbook now."""
        self._erase(self._first)
        self.records = 0

    def close(self) -> None:
        """Let go of it; without a record in it, remove it."""
        if self._descriptor < 0:
            return
        remove = not self.records and self.still_there()
        os.close(self._descriptor)
        self._descriptor = -1
        if remove:
            self.path.unlink(missing_ok=True)

    def _erase(self, begin: int) -> None:
        os.lseek(self._descriptor, begin, os.SEEK_SET)
        _all(self._descriptor, b"\0" * (self._used - begin))
        sync(self._descriptor)
        self._used = begin

    def _write(self, text: str) -> None:
        data = text.encode("utf-8", "backslashreplace")
        os.lseek(self._descriptor, self._used, os.SEEK_SET)
        _all(self._descriptor, data)
        sync(self._descriptor)
        self._used += len(data)


@frozen
class Found:
    """What a rescue file holds. `head` None: nothing was ever written into it."""

    head: dict[str, Any] | None
    lines: Sequence[Line] = ()
    torn: bool = False
    """The last record is not whole: it was being written when the computer or the process went."""


def open_found(path: Path) -> int:
    """Open a rescue file that is there, to be locked, read and removed; returns its descriptor. Raises OSError."""
    return os.open(path, os.O_RDWR | _BINARY)


def read_found(descriptor: int) -> Found:
    """Read an open rescue file from its beginning. Raises OSError, and ValueError as `parse` does."""
    os.lseek(descriptor, 0, os.SEEK_SET)
    with os.fdopen(os.dup(descriptor), "rb") as opened:
        return parse(opened.read())


def parse(data: bytes) -> Found:
    """Read a rescue file. Raises ValueError for what none of ours holds."""
    used, _, _ = data.partition(b"\0")
    *whole, rest = used.split(b"\n")
    if not whole:
        return Found(None, torn=bool(rest))
    try:
        head, *lines = [json.loads(line) for line in whole]
    except RecursionError as error:
        raise ValueError("a line is nested too deeply") from error
    if not isinstance(head, dict) or not all(isinstance(line, dict) for line in lines):
        raise ValueError("a line is no JSON object")
    if head.get("rescue") != FORM:
        raise ValueError(f"it is of form {head.get('rescue')!r}, not {FORM}")
    return Found(head, lines, torn=bool(rest))


def _lock(descriptor: int, path: Path) -> None:
    if not try_lock(descriptor):
        raise OSError(errno.EAGAIN, "another process holds it", str(path))


def _reserve(descriptor: int, size: int) -> None:
    """Have the blocks set aside on the disk; where the system cannot, write zeros."""
    if hasattr(os, "posix_fallocate"):
        try:
            os.posix_fallocate(descriptor, 0, size)
        except OSError as error:
            if error.errno not in _CANNOT_RESERVE:
                raise
        else:
            return
    os.lseek(descriptor, 0, os.SEEK_SET)
    _all(descriptor, b"\0" * size)
    sync(descriptor)


def _all(descriptor: int, data: bytes) -> None:
    left = memoryview(data)
    while left:
        left = left[os.write(descriptor, left) :]


def sync(descriptor: int) -> None:
    """Have it on the disk; on macOS fsync alone leaves it in the drive's cache."""
    if sys.platform == "darwin":
        import fcntl

        fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
    else:
        os.fsync(descriptor)


def sync_folder(folder: Path) -> None:
    """Have a new name on the disk; Windows has no such call."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
