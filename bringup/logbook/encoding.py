"""The canonical bytes of a row, its SHA-256, and how the hashes are linked: documented so that anybody can recompute.

A row is written as netstrings (`LENGTH:BYTES,`): its table's name, then for every column that is not NULL, in the
order of their names, the column's name and its value. A value is one letter for its type and its bytes: `i` and
decimal digits, `r` and the eight bytes of the IEEE 754 double (big-endian; zero without a sign), `t` and UTF-8, `b`
and the bytes.
NULL columns are left out, so that a column added later leaves the hashes of older rows as they are. `seq` is left out
too: it numbers rows within one file, and the order of the chain stands for it.

A link is the SHA-256 of netstrings: the link before it, the table, the key, the attempt's id, `0` or `1` (a row from
before the chain), the row's hash. Before an origin's first link stands `seed(...)`.
"""

from __future__ import annotations

import hashlib
import json
import struct
from collections.abc import Sequence
from functools import lru_cache

Cell = str | int | float | bytes | None

BRANCH = "@"
"""In an origin's id: ID@LINK:NEXT, the id of the logbook, its last link that the copy has, the copy's first own one."""

LEFT_OUT = "seq"
"""The one column that is not hashed."""

_DOUBLE = struct.Struct(">d").pack


def netstring(content: bytes) -> bytes:
    """Return the bytes with their length in front: no two sequences of them look alike."""
    return b"%d:%s," % (len(content), content)


def encode_row(table: str, names: tuple[str, ...], row: Sequence[Cell]) -> bytes:
    """Return the canonical bytes of a row. `names`: the columns of `row`, in its order."""
    parts = [_table(table)]
    add = parts.append
    for index, name in _order(names):
        cell = row[index]
        if cell is None:
            continue
        if isinstance(cell, str):
            content = cell.encode() if cell.isascii() else cell.encode("utf-8", "surrogatepass")
            add(b"%b%d:t%b," % (name, len(content) + 1, content))
        elif isinstance(cell, float):
            # SQLite does not keep the sign of a zero.
            add(b"%b9:r%b," % (name, _DOUBLE(cell or 0.0)))
        elif isinstance(cell, int):
            content = b"%d" % cell
            add(b"%b%d:i%b," % (name, len(content) + 1, content))
        else:
            add(b"%b%d:b%b," % (name, len(cell) + 1, cell))
    return b"".join(parts)


def row_hash(table: str, names: tuple[str, ...], row: Sequence[Cell]) -> bytes:
    """Return the SHA-256 of the canonical bytes."""
    return hashlib.sha256(encode_row(table, names, row)).digest()


def link_hash(before: bytes, table: str, key: str | None, attempt: str | None, digest: bytes, *, old: bool) -> bytes:
    """Return the link that follows `before`. `old`: the row is from before the chain."""
    subject, name, owner = table.encode(), (key or "").encode(), (attempt or "").encode()
    parts = (before, len(subject), subject, len(name), name, len(owner), owner, b"1" if old else b"0", digest)
    return hashlib.sha256(b"32:%b,%d:%b,%d:%b,%d:%b,1:%b,32:%b," % parts).digest()


def seed(origin: str, made: str) -> bytes:
    """Return what stands before an origin's first link. `made`: time text of when its chain began.

    Of a copy that went on otherwise than the logbook it is of (an id with BRANCH): the last link that both have.
    """
    if BRANCH in origin:
        return bytes.fromhex(origin.rsplit(BRANCH, maxsplit=1)[-1].split(":", maxsplit=1)[0])
    return hashlib.sha256(b"".join(netstring(part.encode()) for part in ("bringup chain 1", origin, made))).digest()


def row_key(columns: tuple[str, ...], names: tuple[str, ...], row: Sequence[Cell]) -> str | None:
    """Return what names a row within its table: one column's text, a JSON list of several, None for no columns."""
    if not columns:
        return None
    cells = [row[names.index(column)] for column in columns]
    return str(cells[0]) if len(cells) == 1 else json.dumps(cells, ensure_ascii=False)


@lru_cache(maxsize=64)
def _table(name: str) -> bytes:
    """Return the encoded name of a table."""
    return netstring(name.encode())


@lru_cache(maxsize=64)
def _order(names: tuple[str, ...]) -> tuple[tuple[int, bytes], ...]:
    """Return place and encoded name of each hashed column, in the order of names."""
    hashed = sorted((name, index) for index, name in enumerate(names) if name != LEFT_OUT)
    return tuple((index, netstring(name.encode())) for name, index in hashed)
