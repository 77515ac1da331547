"""Which resource strings the bench files of a folder name. Files with faults count as far as they can be read."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from bringup.core.frozen import frozen
from bringup.errors import FileError
from bringup.files.nodes import Pairs, Scalar
from bringup.files.source import kind_of, open_file

MOST_FILES = 200
"""Files of a folder that are looked into."""
ROLES = ("supply", "meter", "load")


@frozen
class Named:
    """A resource string that a bench file gives to a role."""

    path: Path
    role: str
    resource: str


def named_in(folder: Path) -> list[Named]:
    """Return what the bench files of a folder name; whatever is no bench file is passed over."""
    found: list[Named] = []
    for path in sorted(folder.glob("*.yaml"))[:MOST_FILES]:
        try:
            found += named_by(path)
        except FileError:
            continue  # it can be no bench of anybody as it is
    return found


def named_by(path: Path) -> Iterator[Named]:
    """Yield what one file names, nothing where it is no bench file. Raises FileError where there is no text at all."""
    root = open_file(path).root
    if kind_of(root) != "bench" or not isinstance(root, Pairs):
        return
    more = root.get("more_supplies")
    others = {f"supply {key.text}": inner for key, inner in more.pairs} if isinstance(more, Pairs) else {}
    for role, section in ({role: root.get(role) for role in ROLES} | others).items():
        resource = section.get("resource") if isinstance(section, Pairs) else None
        if isinstance(resource, Scalar) and not resource.empty:
            yield Named(path, role, resource.text)
