"""Something that answers multicast DNS questions on a UDP port of its own, written apart from what reads the answers.

It packs names as real responders do: what has been written before is pointed at (RFC 1035, 4.1.4).
"""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

PTR, TXT, SRV, A = 12, 16, 33, 1


@dataclass
class Packer:
    """An answer under construction."""

    number: int
    data: bytearray = field(default_factory=bytearray)
    count: int = 0
    known: dict[tuple[str, ...], int] = field(default_factory=dict)

    def name(self, labels: Sequence[str], at: int) -> bytes:
        """The name as it is to stand at that offset."""
        out = bytearray()
        for start in range(len(labels)):
            rest = tuple(labels[start:])
            if rest in self.known:
                return bytes(out) + struct.pack("!H", 0xC000 | self.known[rest])
            self.known[rest] = at + len(out)
            label = labels[start].encode()
            out += bytes((len(label),)) + label
        return bytes(out) + b"\0"

    def record(self, name: Sequence[str], kind: int, make: Callable[[int], bytes]) -> None:
        """Append a record; `make` gives its content for the offset at which that will stand."""
        self.data += self.name(name, 12 + len(self.data))
        content = make(12 + len(self.data) + 10)
        self.data += struct.pack("!HHIH", kind, 1, 10, len(content)) + content
        self.count += 1

    def packed(self) -> bytes:
        return struct.pack("!6H", self.number, 0x8400, 0, self.count, 0, 0) + bytes(self.data)


def announcement(
    number: int,
    *,
    instance: str = "Corner supply",
    host: str = "corner-supply",
    address: str = "127.0.0.1",
    services: dict[str, int],
    texts: dict[str, str] | None = None,
) -> bytes:
    """What one instrument answers: its services, host, address and text record in one message."""
    packer = Packer(number)
    pairs = [f"{key}={value}".encode() for key, value in (texts or {"txtvers": "1"}).items()]
    text = b"".join(bytes((len(each),)) + each for each in pairs)
    for service, port in services.items():
        kind = (service, "_tcp", "local")
        packer.record(kind, PTR, lambda at, kind=kind: packer.name((instance, *kind), at))  # type: ignore[misc]
        packer.record(
            (instance, *kind),
            SRV,
            lambda at, port=port: struct.pack("!3H", 0, 0, port) + packer.name((host, "local"), at + 6),  # type: ignore[misc]
        )
        packer.record((instance, *kind), TXT, lambda _: text)
    packer.record((host, "local"), A, lambda _: socket.inet_aton(address))
    return packer.packed()


class Responder:
    """Answers each question with what `answers` makes of its number and its place in the order. A context manager."""

    def __init__(self, answers: Callable[[int, int], Sequence[bytes]]) -> None:
        self._answers = answers
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", 0))
        self.place: tuple[str, int] = self._socket.getsockname()
        self.questions: list[bytes] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as last:
            last.sendto(b"", self.place)
        self._thread.join(5.0)
        self._socket.close()

    def _serve(self) -> None:
        while True:
            question, sender = self._socket.recvfrom(9000)
            if not question:
                return
            self.questions.append(question)
            for answer in self._answers(int.from_bytes(question[:2], "big"), len(self.questions)):
                self._socket.sendto(answer, sender)
