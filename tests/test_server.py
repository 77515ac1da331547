"""Simulated instruments on real loopback sockets, with good and bad manners."""

from __future__ import annotations

import random
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager

import pytest

from bringup.simulation.manners import Clients, Manners
from bringup.simulation.meter import Meter
from bringup.simulation.server import InstrumentServer
from bringup.simulation.supply import select_by_number
from tests.fake_instrument import EchoInstrument, FakeWorld


class Client:
    """A plain SCPI client on a socket."""

    def __init__(self, server: InstrumentServer, role: str = "meter", timeout: float = 5.0) -> None:
        self.socket = socket.create_connection(("127.0.0.1", server.port(role)), timeout=timeout)
        self.buffer = b""

    def send(self, text: str) -> None:
        self.socket.sendall(text.encode() + b"\n")

    def line(self) -> str:
        while b"\n" not in self.buffer:
            received = self.socket.recv(4096)
            if not received:
                raise EOFError
            self.buffer += received
        line, self.buffer = self.buffer.split(b"\n", 1)
        return line.decode("latin-1")

    def ask(self, text: str) -> str:
        self.send(text)
        return self.line()

    def silent(self) -> bool:
        self.socket.settimeout(0.1)
        try:
            self.line()
        except TimeoutError:
            return True
        return False


Connect = Callable[..., Client]


@pytest.fixture
def connect() -> Iterator[Connect]:
    """Make clients whose sockets are closed after the test."""
    with ExitStack() as stack:

        def client(server: InstrumentServer, role: str = "meter") -> Client:
            made = Client(server, role)
            stack.callback(made.socket.close)
            return made

        yield client


@contextmanager
def serving(instrument: EchoInstrument, manners: Manners) -> Iterator[InstrumentServer]:
    with InstrumentServer({"meter": instrument}, {"meter": manners}) as server:
        yield server


def test_messages_end_with_a_line_feed_however_they_are_cut_up(connect: Connect) -> None:
    instrument = EchoInstrument()
    with serving(instrument, Manners()) as server:
        client = connect(server)
        client.socket.sendall(b"*ID")
        client.socket.sendall(b"N?\r\nVOLT 1\n\nTIME?\n")

        assert client.line() == "BRINGUP SIMULATED,ECHO-1,1,0"
        assert float(client.line()) >= 0.0
        assert [text for text, _ in instrument.seen] == ["*IDN?", "VOLT 1", "TIME?"]


def test_wall_time_is_the_simulated_time(connect: Connect) -> None:
    with serving(EchoInstrument(), Manners()) as server:
        client = connect(server)
        begun = time.monotonic()
        first = float(client.ask("TIME?"))
        second = float(client.ask("WAIT? 0.05"))
        took = time.monotonic() - begun

    assert 0.05 <= second - first <= took


def test_resource_strings_name_every_role(connect: Connect) -> None:
    with InstrumentServer({"supply": EchoInstrument("A"), "meter": EchoInstrument("B")}) as server:
        resources = server.resources()
        names = [connect(server, role).ask("*IDN?").split(",")[1] for role in resources]

        assert resources["supply"] == f"TCPIP0::127.0.0.1::{server.port('supply')}::SOCKET"
        assert names == ["A", "B"]


def test_two_clients_take_turns_at_one_instrument(connect: Connect) -> None:
    with serving(EchoInstrument(), Manners()) as server:
        one, two = connect(server), connect(server)
        one.send("WAIT? 0.05")
        two.send("WAIT? 0.05")
        times = sorted([float(one.line()), float(two.line())])

    assert times[1] - times[0] >= 0.05


def test_a_line_that_is_too_long_is_thrown_away_and_noted(connect: Connect) -> None:
    instrument = EchoInstrument()
    with serving(instrument, Manners()) as server:
        client = connect(server)
        client.send("A" * 300_000)
        client.send("B" * 5_000)

        assert client.ask("*IDN?").startswith("BRINGUP SIMULATED")
        assert instrument.noted == ["overrun", "overrun"]
        assert [text for text, _ in instrument.seen] == ["*IDN?"]


def test_a_second_client_is_closed_where_only_one_is_taken_until_the_first_leaves(connect: Connect) -> None:
    with serving(EchoInstrument(), Manners(clients=Clients.ONE_REFUSES)) as server:
        first = connect(server)
        first.ask("*IDN?")
        second = connect(server)
        with pytest.raises((EOFError, ConnectionError)):
            second.ask("*IDN?")
        first.socket.close()

        assert connect(server).ask("*IDN?").startswith("BRINGUP")


def test_a_second_client_that_waits_has_its_messages_carried_out_when_the_first_leaves(connect: Connect) -> None:
    instrument = EchoInstrument()
    with serving(instrument, Manners(clients=Clients.ONE_HOLDS)) as server:
        first, second = connect(server), connect(server)
        first.ask("TIME?")
        second.send("VOLT 30")
        second.send("TIME?")
        assert second.silent()
        assert "VOLT 30" not in [text for text, _ in instrument.seen]

        first.socket.close()
        second.socket.settimeout(5)
        assert float(second.line()) > 0
        assert "VOLT 30" in [text for text, _ in instrument.seen]


def test_silence_after_some_messages(connect: Connect) -> None:
    instrument = EchoInstrument()
    with serving(instrument, Manners(silent_after=1)) as server:
        client = connect(server)
        client.ask("*IDN?")
        client.send("TIME?")

        assert client.silent()
        assert len(instrument.seen) == 1


def test_garbage_after_some_messages(connect: Connect) -> None:
    with serving(EchoInstrument(), Manners(garbage_after=1)) as server:
        client = connect(server)
        assert client.ask("*IDN?").startswith("BRINGUP")
        assert client.ask("TIME?") == "\x00\xff~#?!"


def test_a_dropped_connection_can_be_made_again(connect: Connect) -> None:
    with serving(EchoInstrument(), Manners(drop_after=1)) as server:
        client = connect(server)
        client.ask("*IDN?")
        with pytest.raises((EOFError, ConnectionError)):
            client.ask("TIME?")

        assert float(connect(server).ask("TIME?")) > 0


def test_late_stale_and_foreign_answers(connect: Connect) -> None:
    manners = Manners(late_at=1, late_by=0.1, stale_at=2, stale=b"1.5", identity=b"NOBODY,X,1,1", latency=0.01)
    with serving(EchoInstrument(), manners) as server:
        client = connect(server)
        assert client.ask("*IDN?") == "NOBODY,X,1,1"
        begun = time.monotonic()
        client.ask("TIME?")
        assert time.monotonic() - begun >= 0.11
        assert client.ask("TIME?") == "1.5"
        assert float(client.line()) > 0.12


def test_a_message_that_comes_too_early_loses_the_response_where_instruments_are_strict(connect: Connect) -> None:
    instrument = EchoInstrument()
    with serving(instrument, Manners(interrupts=True)) as server:
        client = connect(server)
        client.socket.sendall(b"WAIT? 0.05\nTIME?\n")

        assert float(client.line()) >= 0.05
        assert instrument.noted == ["interrupted"]


def test_no_bytes_whatever_stop_an_instrument_from_answering(connect: Connect) -> None:
    world = FakeWorld(probed="3V3")
    draw = random.Random(20260105)  # noqa: S311 - the same bytes every time, nothing secret
    with InstrumentServer({"supply": select_by_number(world, pace=0.0), "meter": Meter(world, pace=0.0)}) as server:
        for role in ("supply", "meter"):
            client = connect(server, role)
            for _ in range(50):
                client.socket.sendall(draw.randbytes(draw.randrange(200)) + draw.choice([b"\n", b"\r\n", b";\n", b""]))
            client.send("")
            client.send("*CLS;*OPC?;*IDN?")

            lines = [client.line()]
            while "BRINGUP SIMULATED" not in lines[-1]:
                lines.append(client.line())
            assert lines[-1].startswith("1;BRINGUP SIMULATED")


def test_stopping_ends_conversations_that_are_under_way(connect: Connect) -> None:
    with serving(EchoInstrument(), Manners()) as server:
        client = connect(server)
        client.send("WAIT? 60")
        begun = time.monotonic()
        server.stop()
        with pytest.raises((EOFError, ConnectionError)):
            client.line()

    assert time.monotonic() - begun < 30


def test_one_port_that_is_stopped_admits_nobody_and_the_other_goes_on(connect: Connect) -> None:
    for _ in range(20):  # whether its thread listens again before the port is closed is a race
        with InstrumentServer({"one": EchoInstrument(), "other": EchoInstrument()}) as server:
            client, other = connect(server, "one"), connect(server, "other")
            other.send("TIME?")
            other.line()

            server._ports["one"].stop()

            with pytest.raises((EOFError, ConnectionError)):
                client.ask("TIME?")
            with pytest.raises(OSError, match=r"refused|reset"):
                socket.create_connection(("127.0.0.1", server.port("one")), timeout=2.0).recv(1)
            assert float(other.ask("TIME?")) >= 0.0
