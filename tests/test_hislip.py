"""HiSLIP: our server against pyvisa-py's client, which was written by others, and the link through both."""

from __future__ import annotations

import gc
import logging
import socket
import struct
import threading
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from pyvisa_py.protocols import hislip as theirs

from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.errors import LinkError
from bringup.runner.records import LinkFault
from bringup.simulation.hislip import HEADER, Fatal, Minor, Packet, Type, receive
from bringup.simulation.instrument import Exchange
from bringup.simulation.manners import Clients, Manners
from bringup.simulation.server import InstrumentServer
from tests.fake_instrument import EchoInstrument
from tests.link_helpers import WIRE, ask, done, linked

TIME = Message("TIME?", ReplyKind.NUMBER, 0.3)


class Wordy(EchoInstrument):
    """Answers `LONG? n` with n characters; the line feed after them is not counted."""

    def exchange(self, message: bytes, now: float) -> Exchange:
        text = message.decode("latin-1").strip()
        if not text.startswith("LONG?"):
            return (yield from super().exchange(message, now))
        return b"x" * int(text.split()[1])


@contextmanager
def served(manners: Manners = Manners()) -> Iterator[tuple[InstrumentServer, Wordy]]:  # noqa: B008 - frozen
    instrument = Wordy()
    with InstrumentServer({"meter": instrument}, {"meter": manners}, over={"meter": "hislip"}) as server:
        yield server, instrument


@contextmanager
def client(server: InstrumentServer) -> Iterator[theirs.Instrument]:
    """pyvisa-py's client, without our link around it."""
    made = theirs.Instrument("127.0.0.1", port=server.port("meter"), timeout=2.0)
    try:
        yield made
    finally:
        made.close()


@contextmanager
def bare(server: InstrumentServer) -> Iterator[socket.socket]:
    with socket.create_connection(("127.0.0.1", server.port("meter")), timeout=2.0) as made:
        yield made


def initialized(wire: socket.socket, sub_address: bytes = b"hislip0") -> Packet:
    wire.sendall(Packet(Type.INITIALIZE, 0, 0x0100 << 16, sub_address).encode())
    answer = receive(wire.recv)
    assert answer is not None
    return answer


# the protocol


def test_the_numbers_are_those_of_a_client_that_others_wrote() -> None:
    assert struct.calcsize(theirs.HEADER_FORMAT) == HEADER.size == 16
    renamed = {"AsyncMaxMsgSize": "AsyncMaximumMessageSize"}
    for name, number in theirs.MESSAGETYPE.items():
        if number > max(Type):
            continue  # revision 2.0: secured connections
        spelt = name.replace(*next(iter(renamed.items())))
        ours = "".join(f"_{letter}" if letter.isupper() else letter for letter in spelt).strip("_").upper()
        assert Type[ours] == number
    assert theirs.FATALERRORMESSAGE[Fatal.BAD_HEADER] == "Poorly formed message header"
    assert "both channels" in theirs.FATALERRORMESSAGE[Fatal.ONE_CHANNEL_ONLY]
    assert "Initialization sequence" in theirs.FATALERRORMESSAGE[Fatal.BAD_INITIALIZATION]
    assert "maximum number of clients" in theirs.FATALERRORMESSAGE[Fatal.TOO_MANY_CLIENTS]
    assert theirs.ERRORMESSAGE[Minor.UNKNOWN_TYPE] == "Unrecognized Message Type"
    assert theirs.ERRORMESSAGE[Minor.TOO_LARGE] == "Message too large"


def test_a_message_and_its_response_go_to_and_fro() -> None:
    with served() as (server, instrument), client(server) as one:
        one.send(b"*IDN?\n")
        assert one.receive() == b"BRINGUP SIMULATED,ECHO-1,1,0\n"
        assert instrument.noted == []


@pytest.mark.parametrize("length", [0, 1, 63, 64, 4095, 4096, 10_000])
def test_a_response_of_any_length_comes_whole(length: int) -> None:
    with served() as (server, _), linked(server.resource("meter")) as link:
        (reply, after) = ask(link, Message(f"LONG? {length}", ReplyKind.TEXT, 0.5 if length else 0.05), TIME)
        assert reply.line == ("x" * length or None)
        assert (after.fault is None) == bool(length)


def test_a_response_goes_out_in_pieces_that_the_client_takes() -> None:
    with served() as (server, _), client(server) as one:
        one.max_msg_size = 1000
        one.send(b"LONG? 4500\n")
        assert one.receive(9000) == b"x" * 4500 + b"\n"
        one.send(b"A" * 3000 + b"\n")  # out in pieces, too: no answer
        one.send(b"TIME?\n")
        assert float(one.receive())


def test_a_new_message_before_the_last_response_was_fetched_is_noted_and_its_response_is_the_one_that_counts() -> None:
    with served() as (server, instrument), client(server) as one:
        one.send(b"LONG? 3\n")
        one.send(b"*IDN?\n")
        assert one.receive() == b"BRINGUP SIMULATED,ECHO-1,1,0\n"
        assert instrument.noted == ["interrupted"]


def test_a_device_clear_forgets_half_a_message_and_the_next_one_is_whole() -> None:
    with served() as (server, instrument), client(server) as one:
        one._send_data_packet(b"OUTP ")
        one.device_clear()
        one.send(b"*IDN?\n")
        assert one.receive() == b"BRINGUP SIMULATED,ECHO-1,1,0\n"
        assert [text for text, _ in instrument.seen] == ["*IDN?"]


def test_the_status_byte_says_whether_a_response_waits() -> None:
    with served() as (server, _), client(server) as one:
        assert one.async_status_query() == 0
        one.send(b"LONG? 3\n")
        one.receive()
        assert one.async_status_query() == 0
        one.async_remote_local_control("enableRemote")


def test_an_exclusive_lock_keeps_others_out_until_it_is_given_back() -> None:
    with served() as (server, instrument), client(server) as one, client(server) as other:
        assert one.async_lock_request(0.1) == "success"
        assert one.async_lock_request(0.1) == "error"
        assert other.async_lock_request(0.05) == "failure"
        assert one.async_lock_info() == 1
        other.send(b"TIME?\n")
        one.send(b"*IDN?\n")
        one.receive()
        assert [text for text, _ in instrument.seen] == ["*IDN?"]
        assert one.async_lock_release() == "success"
        assert float(other.receive())
        assert one.async_lock_release() == "error"


def test_a_lock_goes_with_the_client_that_held_it() -> None:
    with served() as (server, _), client(server) as other:
        with client(server) as one:
            assert one.async_lock_request(0.1) == "success"
        assert other.async_lock_request(2.0) == "success"


def test_those_with_the_same_key_share_a_lock() -> None:
    with served() as (server, _), client(server) as one, client(server) as two, client(server) as three:
        assert one.async_lock_request(0.1, "bench") == "success"
        assert two.async_lock_request(0.1, "bench") == "success"
        assert three.async_lock_request(0.02, "another") == "failure"
        for each in (one, two):
            each.send(b"TIME?\n")
            assert float(each.receive())
            assert each.async_lock_release() == "success shared"


# what is not HiSLIP


@pytest.mark.parametrize(
    ("said", "code"),
    [
        (b"*IDN?\n" + b" " * 16, Fatal.BAD_HEADER),
        (Packet(Type.DATA_END, 0, 0, b"*IDN?\n").encode(), Fatal.BAD_INITIALIZATION),
        (Packet(Type.ASYNC_INITIALIZE, 0, 77).encode(), Fatal.BAD_INITIALIZATION),
        (Packet(Type.INITIALIZE, 0, 0x0100 << 16, b"inst0").encode(), Fatal.BAD_INITIALIZATION),
    ],
)
def test_what_is_no_beginning_is_a_fatal_error_and_the_end(said: bytes, code: Fatal) -> None:
    with served() as (server, instrument), bare(server) as wire:
        wire.sendall(said)
        answer = receive(wire.recv)
        assert answer is not None
        assert (answer.type, answer.control) == (Type.FATAL_ERROR, code)
        assert instrument.seen == []


def test_data_before_the_second_connection_is_a_fatal_error_and_nothing_is_carried_out() -> None:
    with served() as (server, instrument), bare(server) as wire:
        assert initialized(wire).type == Type.INITIALIZE_RESPONSE
        wire.sendall(Packet(Type.DATA_END, 0, 0, b"OUTP ON\n").encode())
        answer = receive(wire.recv)
        assert answer is not None
        assert (answer.type, answer.control) == (Type.FATAL_ERROR, Fatal.ONE_CHANNEL_ONLY)
        assert instrument.seen == []


def test_an_unknown_or_too_large_message_is_an_error_and_the_session_goes_on() -> None:
    with served() as (server, instrument), bare(server) as wire, bare(server) as second:
        number = initialized(wire).parameter & 0xFFFF
        second.sendall(Packet(Type.ASYNC_INITIALIZE, 0, number).encode())
        assert receive(second.recv) is not None
        for said, code in (
            (Packet(99, 0, 0, b"?").encode(), Minor.UNKNOWN_TYPE),
            (Packet(Type.DATA_END, 0, 0, b"A" * ((1 << 20) + 1)).encode(), Minor.TOO_LARGE),
        ):
            wire.sendall(said)
            answer = receive(wire.recv)
            assert answer is not None
            assert (answer.type, answer.control) == (Type.ERROR, code)
        wire.sendall(Packet(Type.DATA_END, 0, 2, b"*IDN?\n").encode())
        answer = receive(wire.recv)
        assert answer is not None
        assert (answer.type, answer.parameter) == (Type.DATA_END, 2)
        assert [text for text, _ in instrument.seen] == ["*IDN?"]


# the link over it


def test_the_link_over_hislip_identifies_asks_and_tells() -> None:
    with served() as (server, instrument), linked(server.resource("meter")) as link:
        told, asked = ask(link, Message("VOLT 5"), TIME)
        assert (told.fault, asked.fault, asked.strays) == (None, None, ())
        assert [text for text, _ in instrument.seen] == ["*IDN?", "VOLT 5", "TIME?"]


def test_after_a_time_out_over_hislip_nothing_more_is_sent_and_it_identifies_anew() -> None:
    with served() as (server, instrument), linked(server.resource("meter")) as link:
        late, after = ask(link, Message("WAIT? 0.3", ReplyKind.NUMBER, 0.05), TIME)
        assert (late.fault, after.fault) == (LinkFault.TIMEOUT, LinkFault.NOT_SENT)
        assert ask(link, replace(TIME, timeout=2.0))[0].strays == ()
        assert [text for text, _ in instrument.seen] == ["*IDN?", "WAIT? 0.3", "*IDN?", "TIME?"]


def test_a_hislip_connection_that_is_dropped_is_lost_at_once_and_works_again() -> None:
    with served(Manners(drop_after=1)) as (server, _), linked(server.resource("meter")) as link:
        started = time.monotonic()
        (lost,) = ask(link, Message("TIME?", ReplyKind.NUMBER, 30.0))
        assert (lost.fault, lost.line) == (LinkFault.LOST, None)
        assert time.monotonic() - started < 5.0
        assert ask(link, TIME)[0].fault is None


@pytest.fixture
def leak(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """pyvisa-py leaves the socket of a connection that could not be opened to the garbage collector, logged with it."""
    monkeypatch.setattr(logging.getLogger("pyvisa"), "disabled", True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        yield
        gc.collect()


@pytest.mark.usefixtures("leak")
def test_a_second_hislip_client_that_is_refused_is_told() -> None:
    with (
        served(Manners(clients=Clients.ONE_REFUSES)) as (server, _),
        client(server),
        linked(server.resource("meter")) as link,
        pytest.raises(LinkError, match="no such instrument"),
    ):
        done(link.open())


def test_one_that_somebody_has_locked_gets_no_setting() -> None:
    with served() as (server, instrument), client(server) as holder:
        assert holder.async_lock_request(0.1) == "success"
        wire = replace(WIRE, identify=replace(WIRE.identify, timeout=0.1))
        with linked(server.resource("meter"), wire) as link:
            (reply,) = ask(link, Message("OUTP ON"))
            assert reply.fault is LinkFault.TIMEOUT
            assert "another program may hold it" in reply.why
        holder.async_lock_release()
        assert "OUTP ON" not in [text for text, _ in instrument.seen]


@pytest.mark.usefixtures("leak")
def test_nobody_listening_is_told_in_words() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        nobody = f"TCPIP0::127.0.0.1::hislip0,{listener.getsockname()[1]}::INSTR"
    with linked(nobody) as link, pytest.raises(LinkError, match="nothing listens there"):
        done(link.open())


def test_stopping_the_server_lets_every_client_go() -> None:
    with served() as (server, _), client(server) as one:
        stopper = threading.Thread(target=server.stop)
        stopper.start()
        with pytest.raises((RuntimeError, OSError)):
            one.receive()
        stopper.join(5.0)
        assert not stopper.is_alive()
