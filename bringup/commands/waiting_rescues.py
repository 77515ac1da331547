"""Says what a logbook lacks while it is read: on standard error, and as a field of what is printed as JSON."""

from __future__ import annotations

from typing import Any

from bringup.commands.saying import say
from bringup.core.frozen import frozen
from bringup.logbook.server_address import AnyLogbook, Server

FIELD = "rescue_files"
"""In JSON: the files that hold records of that unit which the logbook lacks."""


@frozen
class Lacking:
    """Which units' records wait in which files."""

    files: tuple[tuple[str, str], ...] = ()
    """Serial number, '' where it cannot be read, and file."""

    def beside(self, data: dict[str, Any], serial: str) -> dict[str, Any]:
        """Return what is known of a unit with the files that tell more of it, or may."""
        return data | {FIELD: [file for whose, file in self.files if whose in ("", serial)]}


def say_what_waits(logbook: AnyLogbook) -> Lacking:
    """Tell of every rescue file that waits for this logbook, on standard error. Nothing is opened for writing.

    None waits for a server: `publish` takes them in before.
    """
    if isinstance(logbook, Server):
        return Lacking()
    from bringup.host.folder import lasting_folder
    from bringup.logbook.waiting import waiting

    lasting = lasting_folder(make=False)
    try:
        if next(waiting(logbook, lasting), None) is None:
            return Lacking()
    except OSError:
        return Lacking()
    from bringup.logbook.rescues import rescues

    found = rescues(logbook, lasting)
    for each in found:
        say(f"logbook: {each}", err=True)
    return Lacking(tuple((each.serial, str(each.file)) for each in found))
