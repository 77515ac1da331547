"""Pictures of a simulated scope's screen: a grid, and the wave from one peak to the other, as PNG or BMP."""

from __future__ import annotations

import math
import struct
import zlib

WIDTH, HEIGHT, ACROSS = 240, 160, 12
# The background holds both ends of lines, as the data of a real picture may.
BACKGROUND, GRID, WAVE = (10, 13, 20), (60, 68, 76), (240, 200, 60)

Rows = list[list[tuple[int, int, int]]]


def rows(peak_to_peak: float, scale: float, divisions: int) -> Rows:
    """Return the screen's points from the top: a wave of so many volts at `scale` volts per division."""
    down, across = HEIGHT // divisions, WIDTH // ACROSS
    points = [[GRID if x % across == 0 or y % down == 0 else BACKGROUND for x in range(WIDTH)] for y in range(HEIGHT)]
    for x in range(WIDTH):
        volts = peak_to_peak / 2.0 * math.sin(2.0 * math.pi * x / (2 * across))
        y = HEIGHT // 2 - round(volts / scale * down)
        points[min(HEIGHT - 1, max(0, y))][x] = WAVE
    return points


def png(points: Rows) -> bytes:
    """Write them as PNG (W3C PNG, clauses 5 and 11, from memory): 8 bits of red, green and blue each."""
    head = struct.pack(">IIBBBBB", len(points[0]), len(points), 8, 2, 0, 0, 0)
    data = b"".join(b"\0" + bytes(part for point in row for part in point) for row in points)
    parts = ((b"IHDR", head), (b"IDAT", zlib.compress(data)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body)) for name, body in parts
    )


def bmp(points: Rows) -> bytes:
    """Write them as BMP (from memory): 24 bits a point, the lowest row first; WIDTH keeps rows whole words."""
    data = b"".join(bytes(part for point in row for part in reversed(point)) for row in reversed(points))
    head = struct.pack("<IiiHHIIiiII", 40, len(points[0]), len(points), 1, 24, 0, len(data), 2835, 2835, 0, 0)
    return b"BM" + struct.pack("<IHHI", 54 + len(data), 0, 0, 54) + head + data
