"""Everything that reads what it did not write, each with hostile cases for it: files, notation, replies, sockets.

The laws are in tests/fuzz_laws.py. tests/test_fuzz.py takes a few cases of each, tests/benchmarks/fuzz.py as many as
one likes.
"""

from __future__ import annotations

import os
import socket
import struct
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from decimal import Decimal
from pathlib import Path
from typing import Any
from unittest.mock import patch

from hypothesis import strategies as st

from bringup.core.accuracy import parse_accuracy
from bringup.core.bench import SIMULATED_MAKER, Bench, MeterRole, SupplyRole
from bringup.core.dialect import Message
from bringup.core.entry import doubts, read_entry
from bringup.core.limits import parse_limits
from bringup.core.photo import read_photo
from bringup.core.procedure import Procedure
from bringup.core.quantity import format_quantity, parse_quantity
from bringup.core.replies import (
    ReplyKind,
    can_answer,
    read_boolean,
    read_error,
    read_identity,
    read_integer,
    read_number,
    read_numbers,
)
from bringup.core.response import read_block, read_string, split_fields
from bringup.core.safety import examine
from bringup.core.simulate import Simulate
from bringup.core.words import Kind
from bringup.errors import BringupError, FileError
from bringup.files.any_file import read_any
from bringup.files.board_file import load_board
from bringup.files.configuration import bench_of
from bringup.files.full_yaml import compose_any
from bringup.files.nodes import Problems
from bringup.files.plain_yaml import read_plain
from bringup.host.control import ControlServer, Outcome, ask_holder_off
from bringup.host.lock import About, ControlAddress, canonical, hold, holder_of
from bringup.instruments.wire import MOST_BYTES
from bringup.simulation.bench import SimulatedBench, build
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.server import InstrumentServer
from tests import hostile_texts as hostile
from tests.fuzz_hislip import PACKETS, hislip_server
from tests.fuzz_laws import HANG, Reader
from tests.sample_pictures import EVERY

ROOT = Path(__file__).parent.parent
# Notation


def _quantity(text: str) -> None:
    for unit in (None, "ohm"):
        with suppress(BringupError):
            quantity = parse_quantity(text, unit)
            assert parse_quantity(str(quantity)).unit == quantity.unit
            format_quantity(quantity.number, quantity.unit, resolution=quantity.resolution)


def _limits(text: str) -> None:
    for unit in (None, "V", "ohm"):
        with suppress(BringupError):
            limits = parse_limits(text, unit)
            assert str(limits)
            limits.accepts(3.3)


def _accuracy(text: str) -> None:
    with suppress(BringupError):
        accuracy = parse_accuracy(text)
        assert accuracy.at(Decimal(1)) > 0, "no instrument is exact"
        assert parse_accuracy(str(accuracy)).at(Decimal(1)) > 0


def _entry(text: str) -> None:
    for kind in Kind:
        with suppress(BringupError):
            entry = read_entry(text, kind)
            doubts(entry, kind, parse_limits("3.3 V ± 2 %"), {"12V0": parse_limits("-12 V ± 2 %")})
            doubts(entry, kind, None, {"12V0": parse_limits("< 12 V")})


# Replies


MUCH = 10_000
"""Characters from which on not everything is tried on a reply: its length is the point then."""


def _reply(line: str) -> None:
    line = line[:MOST_BYTES]  # a link hands over no more
    units = ("", "V", "ohm") if len(line) < MUCH else ("V",)
    for kind in ReplyKind if len(line) < MUCH else (ReplyKind.NUMBERS, ReplyKind.IDENTITY):
        for unit in units:
            can_answer(kind, line, unit=unit)
    for unit in units:
        for value in (read_number(line, field=1, unit=unit), *read_numbers(line, unit=unit)[:5]):
            assert value.number is None or value.number == value.number, "NaN came through as a number"
    read_integer(line)
    read_boolean(line, {"EXT": "on"})
    read_error(line)
    assert len(read_identity(line).text) <= len(line)
    read_string(line)
    read_block(line)
    split_fields(line)


# Files


@contextmanager
def _read_files() -> Iterator[Callable[[Any], None]]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hostile.yaml"

        def read(text: str) -> None:
            path.write_bytes(text.encode("utf-8", "surrogatepass"))
            found = read_any(path)
            assert found.holds is not None or found.problems, "nothing read and nothing said"
            assert all(one.message.replace("\t", "").isprintable() for one in found.problems), (
                "a message would move the terminal"
            )
            quickly = read_plain(text)
            assert quickly is None or quickly == compose_any(text, Problems("", text)), "two readers, two meanings"
            if isinstance(found.holds, Procedure):
                examine(found.holds, None)

        yield read


@contextmanager
def _read_configuration() -> Iterator[Callable[[Any], None]]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bringup.yaml"

        def read(text: str) -> None:
            path.write_bytes(text.encode("utf-8", "surrogatepass"))
            with suppress(FileError):
                bench_of(path)

        yield read


# The simulated instruments


def _simulated() -> SimulatedBench:
    """Return the simulated instruments of the demo board, which take no time of their own."""
    board = load_board(ROOT / "fixtures/boards/mooring-buoy-logger.yaml")
    described = Bench(
        "fuzz",
        SupplyRole(None, "select-by-number", {"VIN": 1}),
        MeterRole(None, "configure-and-read"),
        simulate=Simulate(board.path, ()),
    )
    return build(described, board, "MBL-0001", pace=0.0)


@contextmanager
def _in_memory() -> Iterator[Callable[[Any], None]]:
    """Every message goes to supply and meter over memory links; afterwards both must still say who they are."""
    clock = SimulatedClock()
    links = [MemoryLink(role, one, clock) for role, one in _simulated().instruments().items()]
    identify, told = Message("*IDN?", ReplyKind.IDENTITY, 3.0), Message("*CLS")

    def read(message: str) -> None:
        for link in links:
            kind = ReplyKind.TEXT if "?" in message else None
            pending = link.submit((Message(message, kind, 0.5), told, identify))
            until = clock.monotonic() + 60
            while not pending.done and clock.monotonic() < until:
                clock.wait(until)
            assert pending.done, "the link never answered"
            again = link.submit((told, identify))
            while not again.done and clock.monotonic() < until:
                clock.wait(until)
            line = again.value()[-1].line
            assert line is not None, again.value()
            assert line.startswith(SIMULATED_MAKER), again.value()
            link.sent.clear()

    yield read


def _connect(port: int) -> socket.socket:
    connection = socket.create_connection(("127.0.0.1", port), timeout=HANG)
    # Closed at once and without a trace: otherwise many thousand closed connections would use up all ports.
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    return connection


@contextmanager
def _on_socket() -> Iterator[Callable[[Any], None]]:
    """Every message goes out in two halves over a real socket; the instrument must then still answer properly."""
    count = 0
    with InstrumentServer(_simulated().instruments()) as server:
        ports = [server.port(role) for role in ("supply", "meter")]

        def read(message: str) -> None:
            nonlocal count
            count += 1
            data, half = message.encode("latin-1", "replace"), len(message) // 2
            with _connect(ports[count % 2]) as connection:
                connection.sendall(data[:half])
                if count % 5 == 0:
                    return  # half a message, and the client is gone
                connection.sendall(data[half:] + f"\n*CLS;*ESE {count % 200};*ESE?\n".encode())
                reply, wanted = b"", f"{count % 200}\n".encode()
                while not reply.endswith((b"\n" + wanted, b"+" + wanted)) and reply not in (wanted, b"+" + wanted):
                    received = connection.recv(65536)
                    assert received, "the instrument hung up"
                    reply = (reply + received)[-200_000:]

        yield read


# What one process says to another


@contextmanager
def _control() -> Iterator[Callable[[Any], None]]:
    """Nonsense is said to the control socket: nothing is switched off by it, and a proper request is heard."""
    asked: list[None] = []

    def off() -> None:
        asked.append(None)
        control.report(Outcome.OFF)

    with ControlServer(off) as control:

        def read(text: str) -> None:
            before = len(asked)
            with suppress(ConnectionError), _connect(control.address.port) as connection:
                connection.sendall(text.encode("utf-8", "surrogatepass"))
            with _connect(control.address.port) as proper:
                proper.sendall(f"bringup-control-1 {control.address.token} off\n".encode())
                reply = b""
                while reply.count(b"\n") < 2:
                    received = proper.recv(100)
                    assert received, "a proper request was not answered"
                    reply += received
            assert reply == b"heard\nverified off\n", reply
            assert len(asked) == before + 1, "nonsense switched something off"

        yield read


_RESOURCE = "TCPIP0::192.0.2.10::5025::SOCKET"


@contextmanager
def _lock() -> Iterator[Callable[[Any], None]]:
    """The lock file of a held resource says anything: asking who holds it, and asking that one, must stay civil."""
    with (
        tempfile.TemporaryDirectory() as folder,
        patch.dict(os.environ, {"BRINGUP_STATE": folder}),
        hold([_RESOURCE], About("bringup run", "MBL-0001", ControlAddress(1, "token"))),
    ):
        (path,) = Path(folder).glob("*.lock")

        def read(text: str) -> None:
            path.write_bytes(text.encode("utf-8", "surrogatepass"))
            holder = holder_of(_RESOURCE)
            assert holder is not None, "the lock is held"
            assert str(holder).isprintable(), "who holds it would move the terminal"
            assert ask_holder_off(_RESOURCE, 0.2) is None
            canonical(text)

        yield read


def _plain(read: Callable[[Any], None]) -> Callable[[], AbstractContextManager[Callable[[Any], None]]]:
    return lambda: nullcontext(read)


def _photo(data: bytes) -> None:
    found = read_photo(data)
    assert found.why or (found.kind and found.width > 0 and found.height > 0), f"a picture without a size: {found}"


def _damaged(data: bytes, place: float, put: bytes, taken: int) -> bytes:
    at = int(place * len(data))
    return data[:at] + put + data[at + taken :]


_PICTURES = sorted(data for _, data in EVERY.values())
A_PHOTO = st.builds(
    _damaged,
    st.sampled_from(_PICTURES),
    st.floats(0, 1),
    st.binary(max_size=6),
    st.integers(0, 9),
)
"""A picture with some bytes put in the place of others, or cut short, or lengthened."""


READERS = (
    Reader("photo", A_PHOTO, _plain(_photo)),
    Reader("quantity", hostile.A_QUANTITY, _plain(_quantity)),
    Reader("limits", hostile.A_LIMIT, _plain(_limits)),
    Reader("accuracy", hostile.A_LIMIT, _plain(_accuracy)),
    Reader("by-hand entry", hostile.AN_ENTRY, _plain(_entry)),
    Reader("reply", hostile.A_REPLY, _plain(_reply)),
    Reader("procedure file", hostile.files(hostile.PROCEDURE), _read_files),
    Reader("board file", hostile.files(hostile.BOARD), _read_files),
    Reader("bench file", hostile.files(hostile.BENCH), _read_files),
    Reader("dialect file", hostile.files(hostile.DIALECT), _read_files),
    Reader("configuration file", hostile.files(hostile.CONFIGURATION), _read_configuration),
    Reader("SCPI messages in memory", hostile.MESSAGES, _in_memory),
    Reader("SCPI server on a socket", hostile.MESSAGES, _on_socket),
    Reader("HiSLIP server", PACKETS, hislip_server),
    Reader("control socket", hostile.A_GREETING, _control),
    Reader("lock file", hostile.A_LOCK, _lock),
)
