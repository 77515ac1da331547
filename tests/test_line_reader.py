"""A serial line over real sockets and pseudo-terminals: heard, spoken to, gone, back, lent, flooded, not there."""

from __future__ import annotations

import os
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any

import pytest

from bringup.core.serial_line import Adapter, SerialLine
from bringup.core.serial_port import PortSettings
from bringup.errors import BenchError
from bringup.instruments import line_reader
from bringup.instruments.line_reader import LineReader
from bringup.instruments.line_streams import found_port, opener_of
from bringup.runner.records import Heard

GUARD = 60.0
"""Seconds against hanging."""
LINE_AT = PortSettings(115200, dtr="off", rts="off")


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """A line that is gone is tried again soon."""
    monkeypatch.setattr(line_reader, "TRY_AGAIN", 0.02)


class Ear:
    """A line reader and what it heard so far."""

    def __init__(self, line: SerialLine, **changes: Any) -> None:
        self.woken = threading.Event()
        opener = opener_of(line)
        self.reader = LineReader(opener, self.woken.set, time.monotonic, where=line.where, **changes)
        self.heard: list[Heard] = []

    def until(self, enough: Callable[[], bool]) -> None:
        """Take what comes until there is enough."""
        end = time.monotonic() + GUARD
        while not enough():
            assert time.monotonic() < end, f"heard only {self.heard}"
            self.woken.wait(0.02)
            self.woken.clear()
            self.heard += self.reader.take()

    @property
    def data(self) -> bytes:
        return b"".join(each.data for each in self.heard)

    @property
    def news(self) -> list[str]:
        return [each.news for each in self.heard if each.news]


@contextmanager
def heard_at(line: SerialLine, **changes: Any) -> Iterator[Ear]:
    ear = Ear(line, **changes)
    try:
        yield ear
    finally:
        ear.reader.close()


@contextmanager
def served() -> Iterator[tuple[socket.socket, SerialLine]]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(GUARD)
        yield server, SerialLine("console", socket=f"127.0.0.1:{server.getsockname()[1]}")


def test_what_comes_over_a_socket_is_heard_with_its_time_and_what_is_sent_goes_out() -> None:
    with served() as (server, line), heard_at(line) as ear:
        board, _ = server.accept()
        with board:
            begun = time.monotonic()
            board.sendall(b"logger ready\r\n\xff")
            ear.until(lambda: ear.data == b"logger ready\r\n\xff")
            sent = ear.reader.send(b"temp\r\n")
            assert board.recv(100) == b"temp\r\n"
            ear.until(lambda: sent.done)

    assert sent.value() == ""
    assert begun <= ear.heard[0].monotonic <= time.monotonic()


def test_a_socket_that_is_closed_is_told_of_and_opened_again() -> None:
    with served() as (server, line), heard_at(line) as ear:
        server.accept()[0].close()
        ear.until(lambda: bool(ear.news))
        assert ear.news[0] == "the line is gone: the other side has closed the connection"
        board, _ = server.accept()
        with board:
            board.sendall(b"back")
            ear.until(lambda: ear.data == b"back")
            assert ear.news[1:] == [f"the line is there, at {line.socket}"]
            assert ear.reader.gone == ""


def test_a_flood_is_taken_in_parts_and_what_is_too_much_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(line_reader, "MOST_WAITING", 50_000)
    with served() as (server, line), heard_at(line) as ear:
        board, _ = server.accept()
        with board:
            board.sendall(b"x" * 200_000)
            end = time.monotonic() + GUARD
            while ear.reader._lost == 0:
                assert time.monotonic() < end
                ear.woken.wait(0.02)
            first = ear.reader.take()
            assert 0 < sum(len(each.data) for each in first) < 3 * line_reader.AT_ONCE
            ear.heard += first

            def all_of_it() -> bool:
                return len(ear.data) + sum(each.lost for each in ear.heard) + ear.reader._lost == 200_000

            ear.until(all_of_it)
            board.sendall(b"end")
            ear.until(lambda: ear.data.endswith(b"end"))

    assert len(ear.data) + sum(each.lost for each in ear.heard) == 200_003


def test_one_who_takes_nothing_more_is_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bringup.instruments.line_streams.WRITE_WITHIN", 0.05)
    with served() as (server, line), heard_at(line) as ear:
        board, _ = server.accept()
        with board:
            sent = ear.reader.send(b"x" * 20_000_000)
            ear.until(lambda: sent.done)

    assert sent.value() == "it takes no more bytes: something holds it up (flow control, or the other side)"


def test_a_socket_where_nobody_listens_is_refused_with_words() -> None:
    with served() as (_, line):
        pass

    with pytest.raises(BenchError) as refused:
        Ear(line)

    assert refused.value.message == f"the serial line console cannot be reached at {line.socket}: Connection refused"


def test_a_line_that_comes_with_power_is_waited_for() -> None:
    with served() as (server, line):
        port = server.getsockname()[1]
    with heard_at(line, may_come_later=True) as ear:
        assert ear.reader.gone.startswith("it is not there yet: ")
        assert ear.reader.send(b"x") is not None
        with socket.create_server(("127.0.0.1", port)) as late:
            late.settimeout(GUARD)
            board, _ = late.accept()
            with board:
                board.sendall(b"boot")
                ear.until(lambda: ear.data == b"boot")

    assert ear.news == [f"the line is there, at {line.socket}"]


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals")
def test_a_serial_port_is_heard_spoken_to_lent_and_noticed_when_it_vanishes() -> None:
    far, near = os.openpty()
    device = os.ttyname(near)
    with heard_at(SerialLine("console", port=device, settings=LINE_AT), lent_to_programs=True) as ear:
        os.write(far, b"ready\r\n")
        ear.until(lambda: ear.data == b"ready\r\n")
        sent = ear.reader.send(b"temp\r")
        ear.until(lambda: sent.done)
        assert sent.value() == ""
        lent = ear.reader.lend()
        ear.until(lambda: lent.done)
        assert ear.reader._stream is None, "somebody else may have it now"
        ear.reader.take_back()
        ear.until(lambda: ear.reader._stream is not None)
        os.close(near)
        os.close(far)
        ear.until(lambda: bool(ear.news))

    assert ear.news == ["the line is gone: it was unplugged, or another program took it"]


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals")
def test_a_port_that_is_not_there_or_is_taken_is_refused_with_words() -> None:
    with pytest.raises(BenchError) as missing:
        Ear(SerialLine("console", port="/dev/no-such-port", settings=LINE_AT))
    assert "the serial line console cannot be opened: " in missing.value.message
    assert "No such file or directory" in missing.value.message
    assert "comes_with_power: yes" in missing.value.what_to_do

    far, near = os.openpty()
    line = SerialLine("console", port=os.ttyname(near), settings=LINE_AT)
    with heard_at(line), pytest.raises(BenchError) as taken:
        Ear(line)
    os.close(near)
    os.close(far)
    assert "no other program (a terminal, a modem service) has it" in taken.value.what_to_do


def port(device: str, serial: str | None, product: int = 0x5678) -> Any:
    return SimpleNamespace(device=device, vid=0x1234, pid=product, serial_number=serial)


def test_an_adapter_is_found_by_what_it_says_of_itself_wherever_it_is_plugged_in() -> None:
    ports = [port("/dev/ttyUSB0", "A1", 0x9999), port("/dev/ttyUSB1", "A1"), port("/dev/ttyUSB2", "A2")]

    assert found_port(SerialLine("console", adapter=Adapter(0x1234, 0x5678, "A2")), ports) == "/dev/ttyUSB2"
    with pytest.raises(BenchError, match=r"several are USB adapter 1234:5678: /dev/ttyUSB1 .serial number A1., /dev"):
        found_port(SerialLine("console", adapter=Adapter(0x1234, 0x5678)), ports)
    with pytest.raises(BenchError, match="no USB adapter 1234:0001 is plugged in") as absent:
        found_port(SerialLine("console", adapter=Adapter(0x1234, 0x0001)), ports)
    assert "1234:9999 at /dev/ttyUSB0" in absent.value.what_to_do
