"""DNS messages as multicast DNS uses them: questions out, records in. Pure; no sockets.

RFC 1035 (4.1: format, compression), RFC 6762 (multicast DNS), RFC 6763 (services). What comes may be anything that
somebody on the network cares to send: every name, count and length is bounded, and a message that breaks off or
contradicts itself is refused whole.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from ipaddress import IPv4Address

from bringup.core.frozen import frozen

A, PTR, TXT, SRV = 1, 12, 16, 33
"""Types of record that are read; others are passed over."""
INTERNET = 1
ANSWERED, OTHERWISE = 0x8000, 0x780F
"""Bits of the flags: an answer; an operation that is no query, or an answer that reports an error."""
LONGEST_NAME, LONGEST_LABEL = 255, 63
MOST_LABELS = 40
"""Labels in one name: a reverse IPv6 name has 34, and one byte of a message must not become a hundred of ours."""
MOST_TEXTS = 64
"""Pairs that are kept of one text record."""
MOST_JUMPS = 32
"""Compression pointers in one name: each leads further back, so honest names need few."""
POINTER = 0xC0

Name = tuple[str, ...]
"""Labels, outermost last. An instance's label may hold dots and blanks."""


class Malformed(ValueError):  # noqa: N818 - what the message is
    """It is no DNS message."""


@frozen
class Record:
    """One record; of `target`, `port`, `texts`, `address` what its kind has."""

    name: Name
    kind: int
    target: Name = ()
    port: int = 0
    texts: tuple[tuple[str, str], ...] = ()
    address: str = ""


def question(number: int, asked: Sequence[tuple[Name, int]]) -> bytes:
    """Return a query for these (name, type) with that 16-bit number."""
    head = struct.pack("!6H", number, 0, len(asked), 0, 0, 0)
    return head + b"".join(_spelt(name) + struct.pack("!2H", kind, INTERNET) for name, kind in asked)


def _spelt(name: Name) -> bytes:
    labels = [label.encode() for label in name]
    if any(not 0 < len(label) <= LONGEST_LABEL for label in labels):
        raise ValueError(f"no name: {name!r}")
    return b"".join(bytes((len(label),)) + label for label in labels) + b"\0"


def read_answer(data: bytes, number: int) -> tuple[Record, ...]:
    """Return the records of an answer to query `number` (0 is taken, too). Raises Malformed."""
    if len(data) < 12:  # noqa: PLR2004 - the header
        raise Malformed("shorter than its header")
    ours, flags, questions, *counts = struct.unpack("!6H", data[:12])
    if ours not in (number, 0) or not flags & ANSWERED or flags & OTHERWISE:
        raise Malformed("no answer to our question")
    at = 12
    for _ in range(questions):
        _, at = _name(data, at)
        at += 4
    return tuple(_records(data, at, sum(counts)))


def _records(data: bytes, at: int, count: int) -> Iterator[Record]:
    """Each record takes eleven bytes at least, so that a wrong count ends with the message."""
    for _ in range(count):
        name, at = _name(data, at)
        kind, family, _, length = struct.unpack("!HHIH", _part(data, at, 10))
        at += 10
        _part(data, at, length)
        # The top bit of the class says that older records are to be forgotten; we keep none.
        if family & 0x7FFF == INTERNET and (record := _record(name, kind, data, at, at + length)) is not None:
            yield record
        at += length


def _record(name: Name, kind: int, data: bytes, at: int, end: int) -> Record | None:
    if kind == PTR:
        target, after = _name(data, at)
        found = Record(name, kind, target=target)
    elif kind == SRV:
        _, _, port = struct.unpack("!3H", _part(data, at, 6))
        target, after = _name(data, at + 6)
        found = Record(name, kind, target=target, port=port)
    elif kind == A:
        found, after = Record(name, kind, address=str(IPv4Address(_part(data, at, 4)))), at + 4
    elif kind == TXT:
        found, after = Record(name, kind, texts=tuple(_texts(data, at, end))), end
    else:
        return None
    if after != end:
        raise Malformed("a record is not as long as it says")
    return found


def _texts(data: bytes, at: int, end: int) -> Iterator[tuple[str, str]]:
    """Yield the pairs of a text record, keys in lower case (RFC 6763, 6.4: case means nothing, the first counts)."""
    known = set[str]()
    while at < end:
        length = data[at]
        if at + 1 + length > end:
            raise Malformed("a text runs over its record")
        key, equals, value = data[at + 1 : at + 1 + length].partition(b"=")
        name = key.decode("utf-8", "replace").lower()
        if equals and name and name not in known and len(known) < MOST_TEXTS:
            known.add(name)
            yield name, value.decode("utf-8", "replace")
        at += 1 + length


def _name(data: bytes, at: int) -> tuple[Name, int]:
    """Return the name at that offset, and where what follows it begins."""
    labels: list[str] = []
    length = jumps = 0
    after = -1
    lowest = at
    while size := _part(data, at, 1)[0]:
        if size & POINTER == POINTER:
            if after < 0:
                after = at + 2
            (at,) = struct.unpack("!H", _part(data, at, 2))
            at &= 0x3FFF
            jumps += 1
            # Only ever further back: so it ends.
            if at >= lowest or jumps > MOST_JUMPS:
                raise Malformed("a name points in a circle")
            lowest = at
            continue
        if size & POINTER:
            raise Malformed("an unknown kind of label")
        length += size + 1
        if length >= LONGEST_NAME or len(labels) == MOST_LABELS:
            raise Malformed("a name without end")
        labels.append(_part(data, at + 1, size).decode("utf-8", "replace"))
        at += 1 + size
    return tuple(labels), at + 1 if after < 0 else after


def _part(data: bytes, at: int, length: int) -> bytes:
    part = data[at : at + length]
    if len(part) < length:
        raise Malformed("it breaks off")
    return part
