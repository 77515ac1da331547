"""Where rescue files lie and what they are called: known without reading one, for an opening seldom finds any."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path


def real(path: Path) -> Path:
    """Return a path as it is the same for each spelling: no links, no `..`."""
    return Path(os.path.realpath(path))


def name_for(logbook: Path) -> str:
    """Return a new name for a rescue file of a logbook."""
    return f"{logbook.name}.rescue-{os.urandom(4).hex()}.jsonl"


def names_of(logbook: Path, folder: Path) -> list[Path]:
    """Return the rescue files of logbooks of that name in a folder."""
    if not folder.is_dir():
        return []
    ahead = f"{logbook.name}.rescue-"
    return sorted(each for each in folder.iterdir() if each.name.startswith(ahead) and each.name.endswith(".jsonl"))


def anybodys(folder: Path) -> list[Path]:
    """Return the rescue files in a folder, of logbooks of any name; none where it cannot be listed."""
    try:
        return sorted(each for each in folder.iterdir() if ".rescue-" in each.name and each.name.endswith(".jsonl"))
    except OSError:
        return []


def waiting(path: Path, lasting: Path | None) -> Iterator[tuple[Path, bool]]:
    """Yield each rescue file of that name once, and whether it lies beside the logbook."""
    seen = set[Path]()
    places = [(real(path), real(path).parent, True), (path, path.absolute().parent, True)]
    if lasting is not None:
        places += [(real(path), lasting, False), (path, lasting, False)]
    for logbook, folder, beside in places:
        for file in names_of(logbook, folder):
            if real(file) not in seen:
                seen.add(real(file))
                yield file, beside
