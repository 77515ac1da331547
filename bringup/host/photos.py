"""Photos as files: read, recognised and hashed in threads of their own, so that no disk or folder holds anybody up.

Implements runner.protocols.Photos. A thread that never comes back is left behind; its Pending has a deadline.
"""

from __future__ import annotations

import hashlib
import stat
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from bringup.core.photo import LARGEST, read_photo
from bringup.runner.pending import Pending
from bringup.runner.records import PhotoFile, Seen

T = TypeVar("T")

PATIENCE = 20.0
"""Seconds after which a folder or a file counts as not answering."""
MOST_FILES = 10_000
"""Files of a folder that are looked at; a folder with more is the wrong one."""


class HostPhotos:
    """Looks into folders and reads files. `wake` ends the runner's wait when something has come of it."""

    def __init__(self, wake: Callable[[], None] = lambda: None) -> None:
        self._wake = wake

    def look(self, folder: str) -> Pending[tuple[Seen, ...] | str]:
        """Return the files in a folder, oldest first, or why it cannot be looked into."""
        return self._carried(lambda: files_in(Path(folder).expanduser()))

    def read(self, path: str) -> Pending[PhotoFile]:
        """Read a file and say what picture it is; `why` says what is wrong with it."""
        return self._carried(lambda: photo_file(Path(path).expanduser()))

    def _carried(self, work: Callable[[], T]) -> Pending[T]:
        pending: Pending[T] = Pending(time.monotonic() + PATIENCE, self._wake)

        def carry() -> None:
            try:
                pending.settle(work())
            except Exception as bug:  # noqa: BLE001 - raised where the value is read, in the main thread
                pending.fail(bug)

        threading.Thread(target=carry, name="photos", daemon=True).start()
        return pending


def files_in(folder: Path) -> tuple[Seen, ...] | str:
    """Return the ordinary files in a folder, oldest first, or why it cannot be looked into."""
    found = []
    try:
        for path in folder.iterdir():
            try:
                status = path.stat()
            except OSError:
                continue  # gone again, or a link to nothing
            if stat.S_ISREG(status.st_mode) and not path.name.startswith("."):
                found.append(Seen(str(path), status.st_size, status.st_mtime_ns))
            if len(found) > MOST_FILES:
                return f"the folder {folder} holds more than {MOST_FILES} files: name one for the photos alone"
    except (OSError, ValueError) as error:
        return f"the folder {folder} cannot be looked into: {getattr(error, 'strerror', None) or error}"
    return tuple(sorted(found, key=lambda seen: (seen.changed, seen.path)))


def photo_file(path: Path) -> PhotoFile:
    """Read a file; of one in a folder's place, the newest in it."""
    try:
        if path.is_dir():
            files = files_in(path)
            if isinstance(files, str):
                return PhotoFile(str(path), why=files)
            if not files:
                return PhotoFile(str(path), why=f"the folder {path} holds no file")
            path = Path(files[-1].path)
        elif path.exists() and not path.is_file():
            return PhotoFile(str(path), why=f"{path} is no ordinary file")
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
    except FileNotFoundError:
        return PhotoFile(str(path), why=f"there is no file {path}")
    except (OSError, ValueError) as error:
        return PhotoFile(str(path), why=f"{path} cannot be read: {getattr(error, 'strerror', None) or error}")
    found = read_photo(data)
    if found.why:
        return PhotoFile(str(path), why=f"{path.name} was not taken: {found.why}")
    digest = hashlib.sha256(data).hexdigest()
    return PhotoFile(str(path), data, digest, found.kind, (found.width, found.height))
