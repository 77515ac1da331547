"""The user's configuration file: which bench is meant where a command names none."""

from __future__ import annotations

from pathlib import Path

from bringup.errors import FileError
from bringup.files.bench_fields import CONFIGURATION
from bringup.files.nodes import in_order
from bringup.files.sections import Values
from bringup.files.source import open_file


def bench_of(path: str | Path) -> Path | None:
    """Return the bench file that the configuration file names (relative to it), None if none. Raises FileError."""
    opened = open_file(Path(path))
    values = CONFIGURATION.read(opened.root, opened.problems) if opened.root is not None else None
    if opened.problems.found:
        raise FileError(in_order(opened.problems.found))
    named = values.get("bench") if isinstance(values, Values) else None
    if named is None:
        return None
    try:
        return Path(path).parent / Path(named).expanduser()
    except RuntimeError:
        assert opened.root is not None, "a file that names a bench was read"
        home = Path(named).parts[0]
        opened.problems.add(opened.root, f"`bench: {named}` begins with {home}, and there is no such home folder")
        raise FileError(in_order(opened.problems.found)) from None
