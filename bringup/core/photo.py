"""A photo, recognised by what it holds, not by its name: JPEG, PNG, GIF or WebP, whole, with its size. Pure.

Formats, from memory: ITU-T T.81 annex B (JPEG: markers, frame header), W3C PNG (5.2, 11.2), GIF89a (screen descriptor,
trailer), the WebP container with VP8 (RFC 6386, 9.1), VP8L and VP8X.
"""

from __future__ import annotations

import struct
from zlib import crc32

from bringup.core.frozen import frozen

LARGEST = 16 * 1024 * 1024
"""Bytes of a photo that is kept: a telephone's have 2 to 8 MiB."""

_PNG = b"\x89PNG\r\n\x1a\n"
_JPEG_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_JPEG_ALONE = frozenset((0x01, *range(0xD0, 0xD9)))
"""Markers without a length."""
_MARKER, _START_OF_SCAN, _END_OF_IMAGE = 0xFF, 0xDA, 0xD9
_SUSPECTS = (
    (b"%PDF", "a PDF"),
    (b"PK\x03\x04", "a ZIP archive or office document"),
    (b"BM", "a BMP"),
    (b"II*\x00", "a TIFF or a raw photo"),
    (b"MM\x00*", "a TIFF or a raw photo"),
    (b"<svg", "an SVG drawing"),
    (b"<?xml", "XML, or an SVG drawing"),
)
_HEIF = (b"heic", b"heix", b"mif1", b"msf1", b"hevc", b"avif")


@frozen
class PhotoFound:
    """What a file is. `why` says in words what is wrong; empty for a picture."""

    kind: str = ""
    """'jpeg', 'png', 'gif', 'webp', or '' for none."""
    width: int = 0
    height: int = 0
    """In pixels."""
    why: str = ""


def read_photo(data: bytes) -> PhotoFound:
    """Say what picture this is. `data`: a whole file, or its first LARGEST + 1 bytes."""
    if len(data) > LARGEST:
        return PhotoFound(why=f"it is larger than the {LARGEST // 1024 // 1024} MiB that are kept: make it smaller")
    if not data:
        return PhotoFound(why="it is empty")
    found: PhotoFound | None = None
    try:
        if data.startswith(b"\xff\xd8\xff"):
            found = _jpeg(data)
        elif data.startswith(_PNG):
            found = _png(data)
        elif data.startswith((b"GIF87a", b"GIF89a")):
            found = _gif(data)
        elif data.startswith(b"RIFF") and data[8:12] == b"WEBP":
            found = _webp(data)
    except (struct.error, IndexError):
        return PhotoFound(why="it begins as a picture does, but is cut short")
    if found is None:
        return PhotoFound(why=f"it is {_suspect(data)}: JPEG, PNG, GIF and WebP are kept")
    if not found.why and (found.width < 1 or found.height < 1):
        return PhotoFound(why=f"its header says {found.width} by {found.height} pixels")
    return found


def _suspect(data: bytes) -> str:
    """Say what it is instead, as far as that shows."""
    if data[4:8] == b"ftyp":
        return "an HEIF picture, as telephones make them" if data[8:12] in _HEIF else "a film"
    return next((name for begins, name in _SUSPECTS if data.startswith(begins)), "no picture")


def _cut(kind: str, what: str) -> PhotoFound:
    return PhotoFound(why=f"the {kind} is cut short: {what}")


def _jpeg(data: bytes) -> PhotoFound:
    """Walk along the segments to the scan; the frame header among them has the size."""
    at, size = 2, (0, 0)
    while True:
        if data[at] != _MARKER:
            return PhotoFound(why=f"the JPEG is damaged: no marker at byte {at}")
        while data[at] == _MARKER:  # fill bytes
            at += 1
        marker = data[at]
        at += 1
        if marker in _JPEG_ALONE:
            continue
        if marker == _END_OF_IMAGE:
            return PhotoFound(why="the JPEG holds no picture")
        (length,) = struct.unpack_from(">H", data, at)
        if length < 2:  # noqa: PLR2004 - the length counts itself
            return PhotoFound(why=f"the JPEG is damaged: a segment of length {length} at byte {at}")
        if marker in _JPEG_FRAMES:
            height, width = struct.unpack_from(">HH", data, at + 3)
            size = width, height
        at += length
        if marker == _START_OF_SCAN:
            break
    # Cameras put more behind the end; thumbnails with an end of their own come before the scan.
    if data.find(b"\xff\xd9", at) < 0:
        return _cut("JPEG", "its end is missing")
    return PhotoFound("jpeg", *size)


def _png(data: bytes) -> PhotoFound:
    """Walk along the chunks to the last one; each one's checksum must be right."""
    at, size, pixels = len(_PNG), (0, 0), False
    while at < len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        body = data[at + 8 : at + 8 + length]
        if len(body) < length or len(data) < at + 12 + length:
            return _cut("PNG", f"a part of {length} bytes is not whole")
        if struct.unpack_from(">I", data, at + 8 + length)[0] != crc32(kind + body):
            return PhotoFound(why=f"the PNG is damaged: a checksum is wrong at byte {at}")
        if at == len(_PNG):
            if kind != b"IHDR":
                return PhotoFound(why="the PNG is damaged: it does not begin with its header")
            width, height = struct.unpack_from(">II", body)
            size = width, height
        pixels = pixels or kind == b"IDAT"
        at += 12 + length
        if kind == b"IEND":
            return PhotoFound("png", *size) if pixels else PhotoFound(why="the PNG holds no picture")
    return _cut("PNG", "its last part is missing")


def _gif(data: bytes) -> PhotoFound:
    width, height = struct.unpack_from("<HH", data, 6)
    if data.rstrip(b"\0")[-1:] != b";":
        return _cut("GIF", "its end is missing")
    return PhotoFound("gif", width, height)


def _webp(data: bytes) -> PhotoFound:
    (length,) = struct.unpack_from("<I", data, 4)
    if len(data) < length + 8:
        return _cut("WebP", f"it says {length + 8} bytes, {len(data)} are there")
    kind = data[12:16]
    if kind == b"VP8X":
        width, height = (1 + int.from_bytes(data[start : start + 3], "little") for start in (24, 27))
        return PhotoFound("webp", width, height) if len(data) >= 30 else _cut("WebP", "its header is not whole")  # noqa: PLR2004
    if kind == b"VP8L" and data[20] == 0x2F:  # noqa: PLR2004 - its signature
        (bits,) = struct.unpack_from("<I", data, 21)
        return PhotoFound("webp", 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF))
    if kind == b"VP8 " and data[23:26] == b"\x9d\x01\x2a":
        width, height = struct.unpack_from("<HH", data, 26)
        return PhotoFound("webp", width & 0x3FFF, height & 0x3FFF)
    return PhotoFound(why="the WebP is damaged: it does not begin with a picture")
