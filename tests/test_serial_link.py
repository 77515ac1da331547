"""The wire over a serial port, on a pseudo-terminal: settings, halves, time-outs, flow control, a lost plug."""

from __future__ import annotations

import sys
import threading
import time
from dataclasses import replace
from types import SimpleNamespace

import pytest

from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.core.serial_port import PARITIES, PortSettings
from bringup.errors import LinkError
from bringup.instruments.visa_link import VisaLink
from bringup.instruments.visa_streams import SerialSession, set_port
from bringup.runner.records import LinkFault
from tests.link_helpers import ERROR, READ, READING, WIRE, ask, done, linked
from tests.scripted_server import IDENTITY, answering

if sys.platform == "win32":
    pytest.skip("there are no pseudo-terminals", allow_module_level=True)

import termios

from tests.scripted_terminal import ScriptedTerminal


def session_of(link: VisaLink) -> SerialSession:
    session = link._conversation._session
    assert isinstance(session, SerialSession)
    return session


def test_a_serial_port_carries_questions_and_settings_like_any_other_cable() -> None:
    script = answering({"READ?": b"+3.30600000E+00\r\n", "SYST:ERR?": b'+0,"No error"\r\n'})
    with ScriptedTerminal(script) as terminal, linked(terminal.resource) as link:
        replies = ask(link, Message("CONF:VOLT:DC 10"), ERROR, READ)
        assert [reply.line for reply in replies] == [None, '+0,"No error"', "+3.30600000E+00"]
        assert terminal.lines == ["*IDN?", "CONF:VOLT:DC 10", "SYST:ERR?", "READ?"]


def test_the_port_is_set_as_the_bench_file_says_before_anything_goes_out() -> None:
    wire = replace(WIRE, port=PortSettings(19200, stop="2", flow="rts/cts"))
    with ScriptedTerminal(answering({})) as terminal, linked(terminal.resource, wire) as link:
        done(link.open())
        modes, speed = terminal.settings()
        assert speed == termios.B19200
        assert modes & termios.CSTOPB
        assert modes & termios.CRTSCTS


@pytest.mark.parametrize("parity", PARITIES)
@pytest.mark.parametrize(("stop", "bits"), [("1", 7), ("1.5", 5), ("2", 8)])
def test_bits_parity_and_stop_bits_are_asked_of_the_port(parity: str, stop: str, bits: int) -> None:
    # A pseudo-terminal has 8 bits without parity, so what pyvisa is told is looked at.
    told = SimpleNamespace()
    set_port(told, PortSettings(4800, bits, parity, stop, "none"))
    assert (told.baud_rate, told.data_bits, told.parity.name) == (4800, bits, parity)
    assert told.stop_bits == {"1": 10, "1.5": 15, "2": 20}[stop]  # VPP-4.3: VI_ATTR_ASRL_STOP_BITS, from memory


def test_a_port_that_cannot_be_set_so_says_so_and_gets_nothing() -> None:
    wire = replace(WIRE, port=PortSettings(bits=7, parity="even"))
    with ScriptedTerminal(answering({})) as terminal, linked(terminal.resource, wire) as link:
        with pytest.raises(LinkError, match="the port cannot be set to 9600 baud, 7 bits, parity even, 1 stop bits"):
            done(link.open())
        assert terminal.lines == []


@pytest.mark.parametrize(
    ("flow", "name"), [("none", "none"), ("xon/xoff", "xon_xoff"), ("rts/cts", "rts_cts"), ("dtr/dsr", "dtr_dsr")]
)
def test_every_flow_control_reaches_the_port(flow: str, name: str) -> None:
    wire = replace(WIRE, port=PortSettings(flow=flow))
    with ScriptedTerminal(answering({})) as terminal, linked(terminal.resource, wire) as link:
        done(link.open())
        assert session_of(link)._resource.flow_control.name == name


def test_what_nobody_states_is_9600_8n1_without_flow_control() -> None:
    with ScriptedTerminal(answering({})) as terminal, linked(terminal.resource) as link:
        done(link.open())
        modes, speed = terminal.settings()
        assert (speed, modes & termios.CSTOPB, modes & termios.CRTSCTS) == (termios.B9600, 0, 0)
        assert modes & termios.CSIZE == termios.CS8


def test_a_reply_in_pieces_is_read_whole() -> None:
    with ScriptedTerminal(answering({})) as terminal, linked(terminal.resource) as link:
        pending = link.submit((Message("READ?", ReplyKind.NUMBER, 2.0),))
        assert terminal.wait_for("READ?")
        terminal.send(b"+3.3")
        terminal.send(b"0600000E")
        terminal.send(b"+00\r\n")
        assert done(pending)[0].line == "+3.30600000E+00"


def test_half_a_reply_then_silence_is_no_value_and_the_half_is_not_glued_to_the_next_one() -> None:
    answers = iter([b"+1.2", READING])
    script = answering({})

    with (
        ScriptedTerminal(lambda number, line: next(answers) if line == "READ?" else script(number, line)) as terminal,
        linked(terminal.resource) as link,
    ):
        (half,) = ask(link, Message("READ?", ReplyKind.NUMBER, 0.1))
        assert (half.line, half.fault) == (None, LinkFault.TIMEOUT)
        (reply,) = ask(link, READ)
        assert (reply.line, reply.strays) == ("+3.30600000E+00", ())
        assert terminal.lines == ["*IDN?", "READ?", "*IDN?", "READ?"]


def test_an_answer_that_comes_after_the_time_out_is_not_taken_for_the_next_one() -> None:
    held = threading.Event()
    answers = iter([b"+1.11100000E+00\n", READING])

    def script(_connection: int, line: str) -> bytes:
        if line == "*IDN?":
            return IDENTITY
        answer = next(answers)
        if answer != READING:
            held.wait(2)
        return answer

    with ScriptedTerminal(script) as terminal, linked(terminal.resource) as link:
        (late,) = ask(link, Message("READ?", ReplyKind.NUMBER, 0.05))
        held.set()
        (reply,) = ask(link, READ)
        assert late.fault is LinkFault.TIMEOUT
        assert (reply.line, reply.strays) == ("+3.30600000E+00", ())


def test_a_line_that_came_unasked_answers_nothing() -> None:
    with ScriptedTerminal(answering({"READ?": READING})) as terminal, linked(terminal.resource) as link:
        ask(link, READ)
        terminal.send(b"*3\r\n")
        limit = time.monotonic() + 1
        while not session_of(link).waiting():
            assert time.monotonic() < limit
        (reply,) = ask(link, READ)
        assert (reply.line, reply.strays) == ("+3.30600000E+00", ("*3",))


def test_a_port_that_vanishes_is_lost_at_once_and_says_so() -> None:
    with ScriptedTerminal(answering({"READ?": READING})) as terminal, linked(terminal.resource) as link:
        ask(link, READ)
        terminal.vanish()
        started = time.monotonic()
        (reply, second) = ask(link, Message("READ?", ReplyKind.NUMBER, 30.0), ERROR)
        assert (reply.fault, second.fault) == (LinkFault.LOST, LinkFault.NOT_SENT)
        assert reply.why
        assert time.monotonic() - started < 5.0


def test_a_port_that_is_not_there_says_so() -> None:
    with linked("ASRL/dev/nowhere7::INSTR") as link, pytest.raises(LinkError, match=r"could not open port"):
        done(link.open())


def test_one_that_holds_us_up_by_flow_control_is_given_up_and_never_carries_it_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("bringup.instruments.visa_session.WRITE_WITHIN", 0.1)
    wire = replace(WIRE, port=PortSettings(flow="xon/xoff"), recovery=0.0)
    with ScriptedTerminal(answering({"READ?": READING})) as terminal, linked(terminal.resource, wire) as link:
        ask(link, READ)
        terminal.hold_up()
        (reply,) = ask(link, Message("OUTP ON"))
        assert reply.fault is LinkFault.TIMEOUT
        assert "flow control" in reply.why
        terminal.let_go()
        assert ask(link, READ)[0].line == "+3.30600000E+00"
        assert "OUTP ON" not in terminal.lines


class Told(SimpleNamespace):
    """What a port was told: of attributes, by their names in VPP-4.3."""

    def set_visa_attribute(self, name: object, state: object) -> None:
        self.attributes = {**getattr(self, "attributes", {}), getattr(name, "name", ""): int(state)}  # type: ignore[call-overload]


@pytest.mark.parametrize(("dtr", "rts"), [("on", "off"), ("off", "on"), (None, "on"), (None, None)])
def test_the_lines_are_held_as_stated_and_what_is_not_stated_is_left(dtr: str | None, rts: str | None) -> None:
    port = SimpleNamespace(dtr="as opened", rts="as opened")
    wanted = {"on": True, "off": False, None: "as opened"}
    behind = Told(visalib=SimpleNamespace(sessions={7: SimpleNamespace(interface=port)}), session=7)
    elsewhere = Told(visalib=SimpleNamespace(), session=7)
    for told in (behind, elsewhere):
        set_port(told, PortSettings(9600, 8, "none", "1", "none", dtr, rts))

    assert (port.dtr, port.rts) == (wanted[dtr], wanted[rts])
    assert not hasattr(behind, "attributes")
    stated = {name: int(state == "on") for name, state in (("dtr", dtr), ("rts", rts)) if state is not None}
    found = getattr(elsewhere, "attributes", {})
    assert found == {f"asrl_{name}_state": state for name, state in stated.items()}


def test_a_port_without_such_lines_says_so_and_gets_nothing() -> None:
    # A pseudo-terminal has no modem lines.
    wire = replace(WIRE, port=PortSettings(dtr="on", rts="off"))
    with ScriptedTerminal(answering({})) as terminal, linked(terminal.resource, wire) as link:
        with pytest.raises(LinkError, match="no flow control, DTR on, RTS off"):
            done(link.open())
        assert terminal.lines == []
