"""A picture of an instrument's screen, recognised by what it holds, not by what was asked for. Pure; nothing raises.

Formats: PNG (W3C PNG, 5.2 and 11.2.5: signature, and IEND as the last chunk) and BMP (file header of 14 bytes, its
length little-endian at byte 2), both from memory.
"""

from __future__ import annotations

from bringup.core.frozen import frozen
from bringup.core.response import read_block

PNG_BEGINS = b"\x89PNG\r\n\x1a\n"
PNG_ENDS = b"\x00\x00\x00\x00IEND\xaeB\x60\x82"
BMP_BEGINS = b"BM"
BMP_HEADER = 54
"""Bytes of a BMP's two headers; a shorter one holds no picture."""


@frozen
class Picture:
    """What came in the place of a picture. `data` is b"" where it is none, `why` says then what it is."""

    kind: str = ""
    """'png', 'bmp', or '' for none."""
    data: bytes = b""
    why: str = ""


def read_picture(line: str | None) -> Picture:
    """Read the reply to a query for the screen: a definite block (IEEE 488.2, 8.7.9) around a whole PNG or BMP.

    `line`: one character per byte. A block or a file that is cut short is no picture.
    """
    body = None if line is None else read_block(line)
    if body is None:
        return Picture(why="the reply is no whole block")
    data = body.encode("latin-1", "replace")
    if data.startswith(PNG_BEGINS):
        end = data.rfind(PNG_ENDS)
        if end < 0 or data[end + len(PNG_ENDS) :].strip(b"\0\r\n"):
            return Picture(why="the PNG is cut short: its last part is missing")
        return Picture("png", data[: end + len(PNG_ENDS)])
    if data.startswith(BMP_BEGINS):
        length = int.from_bytes(data[2:6], "little")
        if not BMP_HEADER < length <= len(data):
            return Picture(why=f"the BMP is cut short: it says {length} bytes, {len(data)} came")
        return Picture("bmp", data[:length])
    return Picture(why=f"the block holds neither PNG nor BMP, but begins with {data[:8]!r}")
