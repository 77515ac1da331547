"""Messages that a process which nobody watches leaves for whoever uses the tool next: one small file each."""

from __future__ import annotations

import os
import textwrap
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from bringup.host.folder import state_folder

_ENDING = ".message"
_LONGEST = 4096
COLUMNS = 80


def at_words(text: str) -> str:
    """Return the text with its lines broken at words where they are longer than a terminal of 80 columns."""
    lines = (textwrap.wrap(line, COLUMNS, break_long_words=False, break_on_hyphens=False) for line in text.split("\n"))
    return "\n".join("\n".join(each) for each in lines)


def leave_message(text: str) -> Path:
    """Leave a message; returns its file. Raises OSError or BenchError where it cannot be written."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    path = state_folder() / f"{stamp}-{os.urandom(4).hex()}{_ENDING}"
    unfinished = path.with_suffix(".unfinished")
    with unfinished.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    unfinished.rename(path)
    return path


def take_messages() -> list[str]:
    """Return what was left, oldest first, and remove it. Raises BenchError as `state_folder` does."""
    texts = []
    folder = state_folder()
    with os.scandir(folder) as found:
        names = sorted(each.name for each in found if each.name.endswith(_ENDING))
    for path in (folder / name for name in names):
        # Two commands that start together must not both show it: only one of them renames it.
        ours = path.with_suffix(f".taken-{os.getpid()}")
        with suppress(OSError):
            path.rename(ours)
            texts.append(ours.read_text(encoding="utf-8", errors="replace")[:_LONGEST])
            ours.unlink()
    return texts
