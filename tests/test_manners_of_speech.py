"""How instruments speak besides SCPI: acknowledgements, echoes, prompts, silence as an end, words before and after."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest

from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.errors import LinkError
from bringup.instruments.hearing import Hearing
from bringup.instruments.visa_link import VisaLink
from bringup.instruments.wire import Wire
from bringup.runner.records import LinkFault
from tests.link_helpers import PATIENT, READ, READING, WIRE, ask, done, linked
from tests.scripted_server import IDENTITY, Script, ScriptedServer, answering

ACKNOWLEDGES = replace(WIRE, acknowledge="OK")
ALWAYS = replace(ACKNOWLEDGES, acknowledges_everything=True)
SILENCE = replace(WIRE, write_end="", read_end="", quiet=0.05)
VOLTS = Message("VOUT1?", ReplyKind.NUMBER, PATIENT)
STATUS = Message("STATUS?", ReplyKind.BYTE, PATIENT, bytes=1)


@pytest.fixture(params=["the socket itself", "as other backends do"])
def through(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both ways of reading a raw socket."""
    if request.param != "the socket itself":
        monkeypatch.setattr("bringup.instruments.visa_open.reachable_socket", lambda _resource: None)


@contextmanager
def speaking(script: Script, wire: Wire, *, end: bytes = b"\n") -> Iterator[tuple[ScriptedServer, VisaLink]]:
    with ScriptedServer(script, end=end) as server, linked(server.resource, wire) as link:
        yield server, link


# an acknowledge line after each command


def test_what_is_told_is_heard_to_be_acknowledged_and_no_later_answer_is_shifted_by_one() -> None:
    script = answering({"PV 5": b"OK\r", "OUT 1": b"OK\r", "MV?": b"5.002\r"}, identity=b"MAKER,GEN,1,2\r")
    with speaking(script, replace(ACKNOWLEDGES, read_end="\r")) as (_, link):
        replies = ask(link, Message("PV 5"), Message("OUT 1"), Message("MV?", ReplyKind.NUMBER))
        assert [reply.line for reply in replies] == [None, None, "5.002"]
        assert not any(reply.fault or reply.strays for reply in replies)


def test_a_refusal_is_a_fault_of_its_own_with_the_instruments_words_and_nothing_follows_it() -> None:
    with speaking(answering({"PV 99": b"C05\n", "OUT 1": b"OK\n", "MV?": b"0.0\n"}), ACKNOWLEDGES) as (server, link):
        refused, after = ask(link, Message("PV 99"), Message("OUT 1"))
        assert (refused.fault, after.fault) == (LinkFault.REFUSED, LinkFault.NOT_SENT)
        assert "'C05'" in refused.why
        assert ask(link, Message("MV?", ReplyKind.NUMBER))[0].line == "0.0"
        assert server.lines == ["*IDN?", "PV 99", "MV?"], "the link was sound and stays open"


def test_a_missing_acknowledgement_is_a_time_out_and_the_link_is_opened_anew() -> None:
    with speaking(answering({"MV?": b"0.0\n"}), ACKNOWLEDGES) as (server, link):
        silent, after = ask(link, Message("PV 5", timeout=0.05), Message("OUT 1"))
        assert (silent.fault, after.fault) == (LinkFault.TIMEOUT, LinkFault.NOT_SENT)
        assert ask(link, Message("MV?", ReplyKind.NUMBER))[0].line == "0.0"
        assert server.lines == ["*IDN?", "PV 5", "*IDN?", "MV?"]


def test_where_everything_is_acknowledged_the_line_after_the_data_is_heard_too() -> None:
    script = answering({"VDC": b"=>\r\n", "MEAS1?": b"+3.3060E+0\r\n=>\r\n"}, identity=b"MAKER,METER,1,2\r\n=>\r\n")
    with speaking(script, replace(ALWAYS, acknowledge="=>")) as (_, link):
        replies = ask(link, Message("VDC"), *[Message("MEAS1?", ReplyKind.NUMBER)] * 2, Message("VDC"))
        assert [reply.line for reply in replies] == [None, "+3.3060E+0", "+3.3060E+0", None]
        assert not any(reply.strays or reply.fault for reply in replies)


def test_data_that_is_followed_by_a_refusal_is_not_taken() -> None:
    with speaking(answering({"MEAS1?": b"+3.3060E+0\n!>\n"}, identity=IDENTITY + b"OK\n"), ALWAYS) as (_, link):
        (reply,) = ask(link, Message("MEAS1?", ReplyKind.NUMBER))
        assert (reply.line, reply.fault) == (None, LinkFault.REFUSED)


def test_an_acknowledgement_is_never_taken_for_a_word_that_was_asked_for() -> None:
    with speaking(answering({"MODE?": b"OK\nCV\n"}), ACKNOWLEDGES) as (_, link):
        (reply,) = ask(link, Message("MODE?", ReplyKind.TEXT))
        assert (reply.line, reply.strays) == ("CV", ("OK",))


# echo


def test_an_instrument_that_repeats_each_line_is_heard_out() -> None:
    def script(_connection: int, line: str) -> bytes:
        return line.encode() + b"\r\n" + {"*IDN?": IDENTITY, "READ?": READING, "FUNC?": b"VOLT\r\n"}.get(line, b"")

    with speaking(script, replace(WIRE, echo="lines")) as (_, link):
        replies = ask(link, Message("FUNC VOLT"), Message("FUNC?", ReplyKind.TEXT), READ)
        assert [(reply.line, reply.strays) for reply in replies] == [(None, ()), ("VOLT", ()), ("+3.30600000E+00", ())]


def test_a_line_that_comes_back_garbled_is_not_counted_as_heard() -> None:
    script = answering({"FUNC VOLT": b"FUNC VLT\r\n"}, identity=b"*IDN?\r\n" + IDENTITY)
    with speaking(script, replace(WIRE, echo="lines")) as (_, link):
        (reply,) = ask(link, Message("FUNC VOLT", timeout=0.05))
        assert (reply.fault, reply.strays) == (LinkFault.TIMEOUT, ("FUNC VLT",))


class CharacterEcho:
    """Repeats each character, and drops what comes before it has. `wrong_at`: repeats another one at that place."""

    def __init__(self, answers: dict[str, bytes], wrong_at: int = -1) -> None:
        self.answers = {"*IDN?": IDENTITY, **answers}
        self.line = b""
        self.heard: list[str] = []
        self.wrong_at = wrong_at
        self.together = 0

    def __call__(self, _connection: int, piece: str) -> bytes:
        if len(piece) > 1:
            self.together += 1
            return b""
        if piece != "\n":
            self.line += piece.encode()
            wrong = self.heard and len(self.line) == self.wrong_at
            return b"#" if wrong else piece.encode()
        self.heard.append(self.line.decode())
        self.line = b""
        return b"\n" + self.answers.get(self.heard[-1], b"")


def test_where_every_character_comes_back_the_next_one_waits_for_it() -> None:
    meter = CharacterEcho({"FETC?": READING})
    with speaking(meter, replace(WIRE, echo="characters"), end=b"") as (_, link):
        replies = ask(link, Message("FUNC VOLT:DC"), Message("FETC?", ReplyKind.NUMBER, 0.5))
        assert [(reply.line, reply.fault) for reply in replies] == [(None, None), ("+3.30600000E+00", None)]
        assert (meter.heard, meter.together) == (["*IDN?", "FUNC VOLT:DC", "FETC?"], 0)


def test_a_wrong_character_back_stops_the_message_before_its_end() -> None:
    meter = CharacterEcho({}, wrong_at=4)
    with speaking(meter, replace(WIRE, echo="characters"), end=b"") as (_, link):
        (reply,) = ask(link, Message("FUNC VOLT:DC"))
        assert reply.fault is LinkFault.LOST
        assert "the rest of that message was not sent" in reply.why
        assert meter.heard == ["*IDN?"]


# prompts


@pytest.mark.usefixtures("through")
def test_a_prompt_in_front_of_lines_means_nothing() -> None:
    script = answering({"READ?": b"+3.306\r\n>> ", "VOLT 5": b">> "}, identity=b">> " + IDENTITY + b">> ")
    with speaking(script, replace(WIRE, prompt=">> ")) as (_, link):
        replies = ask(link, READ, Message("VOLT 5"), READ, READ)
        assert [(reply.line, reply.strays) for reply in replies] == [
            ("+3.306", ()),
            (None, ()),
            ("+3.306", ()),
            ("+3.306", ()),
        ]


@pytest.mark.parametrize(
    ("line", "meant"), [(">> 0.5", "0.5"), ("> >> 0.5", "0.5"), (">> >> 0.5", "0.5"), ("A >> B", "A >> B"), (">>", "")]
)
def test_prompts_and_what_is_left_of_one_are_no_part_of_an_answer(line: str, meant: str) -> None:
    hearing = Hearing(Brings(f"{line}\r\n".encode()), replace(WIRE, prompt=">> "))

    assert hearing.line(0.0) == meant


class Brings:
    """A session that has brought these bytes (wire.Session)."""

    joins_writes = False

    def __init__(self, data: bytes) -> None:
        self._data = data

    def write(self, data: bytes) -> None:
        raise AssertionError(data)

    def receive(self, until: float) -> tuple[bytes, bool]:
        del until
        data, self._data = self._data, b""
        return data, False

    def waiting(self) -> bool:
        return bool(self._data)

    def close(self) -> None:
        self._data = b""


def test_a_prompt_that_comes_in_two_halves_spoils_no_answer() -> None:
    script = answering({"READ?": b">+3.306\r\n>"}, identity=IDENTITY + b">")
    with speaking(script, replace(WIRE, prompt=">>")) as (_, link):
        replies = ask(link, READ, READ)
        assert [(reply.line, reply.strays) for reply in replies] == [("+3.306", ()), ("+3.306", ())]


# no terminator


@pytest.mark.usefixtures("through")
def test_silence_ends_a_reply_that_has_no_terminator() -> None:
    script = answering({"VOUT1?": b"12.34", "VSET1:5": b""}, identity=b"KORADKA3005PV2.0")
    with speaking(script, SILENCE, end=b"") as (server, link):
        assert ask(link, VOLTS)[0].line == "12.34"
        assert ask(link, Message("VSET1:5"))[0].fault is None
        assert server.wait_for("VSET1:5")
        assert ask(link, VOLTS)[0].line == "12.34"
        assert server.lines == ["*IDN?", "VOUT1?", "VSET1:5", "VOUT1?"]


def test_newer_firmware_that_ends_its_lines_after_all_is_not_waited_for() -> None:
    with speaking(answering({"VOUT1?": b"12.34\n"}), replace(SILENCE, quiet=5.0), end=b"") as (_, link):
        started = time.monotonic()
        assert ask(link, VOLTS)[0].line == "12.34"
        assert time.monotonic() - started < 3.0


@pytest.mark.usefixtures("through")
@pytest.mark.parametrize("byte", [b"Q", b"\n", b"\x00", b"\xff", b" "])
def test_one_raw_byte_is_read_as_it_is_even_where_it_looks_like_the_end_of_a_line(byte: bytes) -> None:
    with speaking(answering({"STATUS?": byte, "VOUT1?": b"12.34"}), SILENCE, end=b"") as (_, link):
        replies = ask(link, STATUS, VOLTS, STATUS)
        assert [reply.line for reply in replies] == [byte.decode("latin-1"), "12.34", byte.decode("latin-1")]


def test_a_raw_byte_from_an_instrument_that_ends_lines_leaves_nothing_behind() -> None:
    with speaking(answering({"STATUS?": b"Q\n", "VOUT1?": b"12.34\n"}), WIRE) as (_, link):
        replies = ask(link, STATUS, VOLTS)
        assert [(reply.line, reply.strays) for reply in replies] == [("Q", ()), ("12.34", ())]


# gaps


def test_one_that_drops_what_comes_too_soon_gets_its_gap() -> None:
    free_at = [0.0]

    def script(_connection: int, line: str) -> bytes:
        now = time.monotonic()
        if now < free_at[0]:
            return b""
        free_at[0] = now + (0.06 if line == "STATUS?" else 0.02)
        return {"*IDN?": IDENTITY, "READ?": READING, "STATUS?": b"00101000\n"}.get(line, b"")

    slow = Message("STATUS?", ReplyKind.BITS, 0.3, gap=0.05)
    with speaking(script, replace(WIRE, gap=0.03)) as (_, link):
        replies = ask(link, READ, Message("VOLT 5"), slow, READ, slow, READ)
        assert [reply.fault for reply in replies] == [None] * 6


@pytest.mark.parametrize("needed", [0.01, 0.4])
def test_a_gap_of_ten_to_four_hundred_milliseconds_is_long_enough_for_one_that_needs_it(needed: float) -> None:
    heard: list[float] = []

    def script(_connection: int, line: str) -> bytes:
        dropped = bool(heard) and time.monotonic() - heard[-1] < needed
        heard.append(time.monotonic())
        return b"" if dropped else {"*IDN?": IDENTITY, "READ?": READING}.get(line, b"")

    # Some margin, for messages do not take the same time on a machine with other work.
    with speaking(script, replace(WIRE, gap=needed + 0.1)) as (_, link):
        assert [reply.fault for reply in ask(link, Message("VOLT 5"), READ)] == [None, None]


# words before, after and at the end


def test_one_of_several_on_a_cable_is_called_by_its_address_before_it_is_asked_who_it_is() -> None:
    wire = replace(ACKNOWLEDGES, greeting=(Message("ADR 06", timeout=0.3),))
    with speaking(answering({"ADR 06": b"OK\n", "PV 5": b"OK\n"}), wire) as (server, link):
        ask(link, Message("PV 5"))
        assert server.lines == ["ADR 06", "*IDN?", "PV 5"]


def test_an_address_that_nobody_answers_to_is_told_and_nothing_else_goes_out() -> None:
    wire = replace(ACKNOWLEDGES, greeting=(Message("ADR 06", timeout=0.05),), recovery=0.05)
    with speaking(answering({}), wire) as (server, link):
        with pytest.raises(LinkError, match=r"ADR 06: it does not answer 'OK' in time"):
            done(link.open())
        assert set(server.lines) == {"ADR 06"}


REMOTE = replace(WIRE, opening=(Message("SYST:REM"),), closing=(Message("SYST:LOC"),), recovery=0.3)


def test_remote_control_is_taken_after_every_identification_and_given_back_at_the_end() -> None:
    def script(connection: int, line: str) -> bytes:
        return IDENTITY if line == "*IDN?" else (READING if connection else b"")

    with speaking(script, REMOTE) as (server, link):
        ask(link, Message("READ?", ReplyKind.NUMBER, 0.05))
        ask(link, READ)
        link.close()
        assert server.wait_for("SYST:LOC")
        assert server.lines == ["*IDN?", "SYST:REM", "READ?", "*IDN?", "SYST:REM", "READ?", "SYST:LOC"]


def test_another_instrument_after_reopening_is_not_told_anything() -> None:
    def script(connection: int, line: str) -> bytes:
        if line == "*IDN?":
            return b"SOMEBODY,ELSE,2,0\n" if connection else IDENTITY
        return b""

    hurried = replace(REMOTE, identify=replace(REMOTE.identify, timeout=1.0), recovery=0.0)
    with speaking(script, hurried) as (server, link):
        ask(link, Message("READ?", ReplyKind.NUMBER, 0.02))
        ask(link, Message("OUTP ON"))
        link.close()
        assert server.lines == ["*IDN?", "SYST:REM", "READ?", "*IDN?"]


def test_a_link_that_never_answered_is_closed_without_a_word() -> None:
    hurried = replace(REMOTE, identify=replace(REMOTE.identify, timeout=0.1), recovery=0.0)
    with speaking(lambda _connection, _line: b"", hurried) as (server, link):
        ask(link, READ)
        link.close()
        assert set(server.lines) == {"*IDN?"}


def test_one_that_refuses_remote_control_is_not_opened_and_says_why() -> None:
    wire = replace(REMOTE, acknowledge="OK")
    with speaking(answering({"SYST:REM": b"E02\n"}), wire) as (server, link):
        with pytest.raises(LinkError, match=r"SYST:REM: it was refused: the answer is 'E02'"):
            done(link.open())
        assert ask(link, Message("OUTP ON"))[0].fault is LinkFault.REFUSED
        assert "OUTP ON" not in server.lines


class Deaf:
    """A session that lets nobody go on once it was told to go local (wire.Session)."""

    joins_writes = False
    told = threading.Event()

    def write(self, data: bytes) -> None:
        self.asked = data
        if data == b"SYST:LOC\n":
            Deaf.told.wait(2.0)

    def receive(self, until: float) -> tuple[bytes, bool]:
        return (IDENTITY, True) if self.asked == b"*IDN?\n" else (READING, True)

    def waiting(self) -> bool:
        return False

    def close(self) -> None:
        pass


def test_closing_waits_for_no_farewell_longer_than_it_was_given() -> None:
    link = VisaLink("supply", "deaf", REMOTE, connect=Deaf)
    ask(link, READ)
    started = time.monotonic()
    link.close(within=0.1)
    assert time.monotonic() - started < 1.5
    assert link.left_behind
    Deaf.told.set()
