"""The pictures of photos: stored once by their SHA-256, in parts of a commit each, and put together again.

Parts are small, so that nobody who writes beside it waits for long, least of all an attempt with its outputs on. One
that was broken off is completed by the next photo of the same picture.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

from bringup.core.frozen import frozen
from bringup.errors import CommandError, LogbookError
from bringup.logbook.database import Database
from bringup.logbook.deviation_statements import part_statement, picture_statement
from bringup.logbook.filters import like
from bringup.logbook.statements import Statement
from bringup.runner.records import PhotoFile

PART = 128 * 1024
"""Bytes that are written in one commit."""

_WHOLE = (
    "SELECT 1 FROM pictures p WHERE p.sha256 = :picture AND p.bytes ="
    " (SELECT sum(length(c.content)) FROM picture_parts c WHERE c.sha256 = p.sha256)"
)
_PHOTO = (
    "SELECT x.id, x.file, x.serial, x.picture, p.kind FROM photos x LEFT JOIN pictures p ON p.sha256 = x.picture"
    " WHERE x.id LIKE :pattern ESCAPE '\\' ORDER BY x.seq"
)
_PARTS = "SELECT c.content FROM picture_parts c WHERE c.sha256 = :picture ORDER BY c.part"


@frozen
class StoredPhoto:
    """A photo with its picture, as it is written out."""

    id: str
    file: str
    serial: str
    kind: str
    data: bytes


def to_store(connection: Database, photo: PhotoFile) -> Iterator[list[Statement]]:
    """Yield what stores the picture, one commit's worth at a time; nothing where it is there already."""
    if connection.execute(_WHOLE, {"picture": photo.digest}).fetchone() is not None:
        return
    first = [picture_statement(photo.digest, photo.kind, photo.size, len(photo.data))]
    for index, start in enumerate(range(0, len(photo.data), PART)):
        yield [*first, part_statement(photo.digest, index, photo.data[start : start + PART])]
        first = []


def stored_photo(connection: Database, beginning: str) -> StoredPhoto:
    """Return the one photo whose id begins so.

    Raises CommandError for none or several, LogbookError for one that is not as it was stored.
    """
    plain = beginning.strip().lower()
    rows = connection.execute(_PHOTO, {"pattern": like(plain) + "%"}).fetchall() if plain else []
    if len(rows) != 1:
        many = f"{len(rows)} photos have" if rows else "no photo has"
        raise CommandError(
            f"{many} an id that begins with '{beginning}'", "`bringup history SN` names those of a unit."
        )
    identity, file, serial, picture, kind = rows[0]
    if picture is None:
        raise CommandError(
            f"the picture of the photo {identity[:8]} ({file}) is not in this logbook",
            "It came in from a rescue file: look in the logbook that the attempt began with, or for that file.",
        )
    data = b"".join(row[0] for row in connection.execute(_PARTS, {"picture": picture}))
    if hashlib.sha256(data).hexdigest() != picture:
        raise LogbookError(
            f"the picture of the photo {identity[:8]} ({file}) is not as it was stored",
            "`bringup audit` says whether the logbook was altered.",
        )
    return StoredPhoto(identity, file, serial, kind, data)
