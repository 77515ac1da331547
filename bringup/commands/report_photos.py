"""Photos of a report as part of its page, scaled down: the one door to Pillow, which comes with the extra `report`."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator, Mapping

from bringup.core.frozen import frozen
from bringup.logbook.deviation_rows import LoggedPhoto
from bringup.logbook.pictures import StoredPhoto

LONGEST = 1400
"""Pixels of a scaled photo's longer side: sharp on half an A4 page at 200 dots an inch."""
SMALL = 400_000
"""Bytes up to which a photo is left as it is."""
QUALITY = 80
EXIF, HEAD = b"Exif\0\0", 65_536
"""How a camera's notes begin (Exif 2.3, 4.7.2, from memory), and within how many bytes of a JPEG they do."""


@frozen
class Shown:
    """A photo as a page shows it. `address`: of its picture; '' where there is none, and `why` says so."""

    photo: LoggedPhoto
    address: str
    why: str

    @property
    def said(self) -> str:
        """What it shows, as far as somebody said."""
        return f"Photo of {self.photo.origin.serial}: {self.photo.caption or self.photo.file}"


def shown(photos: tuple[LoggedPhoto, ...], pictures: Mapping[str, StoredPhoto | str]) -> Iterator[Shown]:
    """Yield the photos with their pictures."""
    for photo in photos:
        found = pictures[photo.origin.id]
        if isinstance(found, str):
            yield Shown(photo, "", found)
        else:
            kind, data = scaled(found.kind, found.data)
            yield Shown(photo, f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}", "")


def scaled(kind: str, data: bytes) -> tuple[str, bytes]:
    """Return the picture no larger than a page shows it, with its format; as it is if small or if nothing scales it.

    It is turned the way the camera was held, and nothing else that the camera noted (such as where) is kept, be it
    small or large: a page is made to be sent.
    """
    if len(data) <= SMALL and EXIF not in data[:HEAD]:
        return kind, data
    try:
        from PIL import Image, ImageOps, UnidentifiedImageError
    except ImportError:
        return kind, data
    try:
        with Image.open(io.BytesIO(data)) as opened:
            upright = ImageOps.exif_transpose(opened)
            upright.thumbnail((LONGEST, LONGEST))
            out = io.BytesIO()
            upright.convert("RGB").save(out, format="JPEG", quality=QUALITY, optimize=True)
    except (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombError):
        return kind, data  # the browser may still know it; core/photo has seen that it is whole
    return "jpeg", out.getvalue()
