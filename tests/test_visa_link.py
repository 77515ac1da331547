"""The wire through pyvisa on real sockets: time-outs, hang-ups, garbage, stale lines, the order of what goes out."""

from __future__ import annotations

import socket
import threading
import time
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.instruments.batches import grouped
from bringup.instruments.conversation import Conversation
from bringup.instruments.visa_link import VisaLink
from bringup.instruments.visa_streams import SocketSession, StreamSession
from bringup.instruments.wire import BLANK, Wire
from bringup.runner.records import LinkFault
from tests.link_helpers import ERROR, READ, READING, WIRE, ask, done, linked
from tests.scripted_server import HANG_UP, IDENTITY, ScriptedServer, answering


def test_nothing_goes_out_before_the_instrument_has_said_who_it_is() -> None:
    with ScriptedServer(answering({"READ?": READING})) as server, linked(server.resource) as link:
        assert [link.identity] == [None]
        (reply,) = ask(link, READ)
        assert (reply.line, reply.fault, reply.strays) == ("+3.30600000E+00", None, ())
        assert server.lines == ["*IDN?", "READ?"]
        assert link.identity is not None
        assert link.identity.model == "TEST"


def test_a_batch_is_sent_in_order_with_one_reply_a_message() -> None:
    script = answering({"SYST:ERR?": b'+0,"No error"\n', "VOLT?": b"5.000\r\n"})
    with ScriptedServer(script) as server, linked(server.resource) as link:
        replies = ask(link, Message("INST:NSEL 1"), Message("VOLT 5"), ERROR, Message("VOLT?", ReplyKind.NUMBER))
        assert [reply.line for reply in replies] == [None, None, '+0,"No error"', "5.000"]
        assert all(reply.fault is None for reply in replies)
        assert server.lines == ["*IDN?", "INST:NSEL 1", "VOLT 5", "SYST:ERR?", "VOLT?"]


def test_after_a_time_out_nothing_more_is_sent_and_the_link_is_opened_anew() -> None:
    def script(connection: int, line: str) -> bytes:
        return IDENTITY if line == "*IDN?" else (READING if connection else b"")

    with ScriptedServer(script) as server, linked(server.resource) as link:
        first, second = ask(link, Message("READ?", ReplyKind.NUMBER, 0.05), ERROR)
        assert (first.fault, first.line) == (LinkFault.TIMEOUT, None)
        assert (second.fault, second.line) == (LinkFault.NOT_SENT, None)
        assert "SYST:ERR?" not in server.lines
        (again,) = ask(link, READ)
        assert again.line == "+3.30600000E+00"
        assert server.connections == 2
        assert server.lines == ["*IDN?", "READ?", "*IDN?", "READ?"]


def test_an_answer_that_comes_too_late_is_never_taken_for_the_next_one() -> None:
    held = threading.Event()

    def script(connection: int, line: str) -> bytes:
        if line == "*IDN?":
            return IDENTITY
        if connection == 0:
            held.wait(60)
            return b"+1.11100000E+00\n"
        return READING

    with ScriptedServer(script) as server, linked(server.resource) as link:
        (late,) = ask(link, Message("READ?", ReplyKind.NUMBER, 0.05))
        held.set()
        (reply,) = ask(link, READ)
        assert late.fault is LinkFault.TIMEOUT
        assert (reply.line, reply.strays) == ("+3.30600000E+00", ())


def test_a_peer_that_hangs_up_in_the_middle_of_a_reply_is_lost_at_once() -> None:
    def script(connection: int, line: str) -> bytes:
        if line == "*IDN?":
            return IDENTITY
        return b"+3.30" + HANG_UP if connection == 0 else READING

    with ScriptedServer(script) as server, linked(server.resource) as link:
        before = time.process_time()
        (reply,) = ask(link, Message("READ?", ReplyKind.NUMBER, 60.0))
        assert (reply.fault, reply.line) == (LinkFault.LOST, None)
        assert "closed the connection" in reply.why
        assert time.process_time() - before < 1.0, "it must not spin until the time-out"
        assert ask(link, READ)[0].line == "+3.30600000E+00"


def test_a_link_dropped_while_idle_is_noticed_before_anything_is_sent() -> None:
    with ScriptedServer(answering({"READ?": READING})) as server, linked(server.resource) as link:
        ask(link, READ)
        server.hang_up()
        assert server.gone.wait(60)
        (reply,) = ask(link, READ)
        assert reply.fault is LinkFault.LOST
        assert server.lines == ["*IDN?", "READ?"]
        assert ask(link, READ)[0].line == "+3.30600000E+00"


def test_garbage_is_stray_and_never_an_answer() -> None:
    with ScriptedServer(answering({"READ?": b"\xff\xfe~#\x00?!\n"})) as server, linked(server.resource) as link:
        for patience in (0.05, 0.5, 5.0):
            (reply,) = ask(link, Message("READ?", ReplyKind.NUMBER, patience))
            assert (reply.line, reply.fault) == (None, LinkFault.TIMEOUT)
            if reply.strays:  # it came in that time
                break
        assert reply.strays == ("ÿþ~#\x00?!",)


def test_a_line_that_answers_something_else_is_stray_and_the_next_one_taken() -> None:
    script = answering({"READ?": b'-113,"Undefined header"\n\n' + READING})
    with ScriptedServer(script) as server, linked(server.resource) as link:
        (reply,) = ask(link, READ)
        assert (reply.line, reply.strays) == ("+3.30600000E+00", ('-113,"Undefined header"',))


def test_a_line_that_came_before_the_question_answers_nothing() -> None:
    with ScriptedServer(answering({"READ?": READING})) as server, linked(server.resource) as link:
        ask(link, READ)
        server.send(b"+9.99000000E+00\n")
        wait_for_bytes(link)
        (reply,) = ask(link, READ)
        assert (reply.line, reply.strays) == ("+3.30600000E+00", ("+9.99000000E+00",))


def test_half_a_line_that_came_before_the_question_spoils_the_line_it_grows_into() -> None:
    with ScriptedServer(answering({"READ?": READING})) as server, linked(server.resource) as link:
        ask(link, READ)
        server.send(b"+8.8")
        wait_for_bytes(link)
        (reply,) = ask(link, Message("READ?", ReplyKind.NUMBER, 0.05))
        assert (reply.line, reply.fault, reply.strays) == (None, LinkFault.TIMEOUT, ("+8.8",))


def wait_for_bytes(link: VisaLink) -> None:
    """Until what was sent unasked has reached our end of the socket."""
    session = link._conversation._session
    assert session is not None
    limit = time.monotonic() + 60
    while not session.waiting():
        assert time.monotonic() < limit


def test_a_reply_in_pieces_padded_with_nul_is_read_whole() -> None:
    with ScriptedServer(answering({"READ?": b"+3.306"})) as server, linked(server.resource) as link:
        pending = link.submit((READ,))
        limit = time.monotonic() + 60
        while "READ?" not in server.lines:
            assert time.monotonic() < limit
        server.send(b"00000E+00 \x00\r\n")
        assert done(pending)[0].line == "+3.30600000E+00"


def test_a_flood_without_line_ends_is_given_up() -> None:
    with ScriptedServer(answering({"READ?": b"9" * (1 << 21)})) as server, linked(server.resource) as link:
        (reply,) = ask(link, READ)
        assert reply.fault is LinkFault.LOST
        assert "without the end of a line" in reply.why


def test_a_flood_of_wrong_lines_keeps_to_the_time_out_and_to_a_few_strays() -> None:
    with ScriptedServer(answering({"READ?": b"nonsense\n" * 5000})) as server, linked(server.resource) as link:
        for patience in (0.2, 2.0, 20.0):
            (reply,) = ask(link, Message("READ?", ReplyKind.NUMBER, patience))
            assert reply.fault is LinkFault.TIMEOUT
            if len(reply.strays) > 20:  # it came in that time
                break
        assert len(reply.strays) == 21
        assert reply.strays[-1].startswith("... and ")


def test_two_instruments_wait_side_by_side() -> None:
    both = threading.Barrier(2, timeout=60)

    def script(_connection: int, line: str) -> bytes:
        if line == "*IDN?":
            return IDENTITY
        both.wait()  # neither answers before both were asked
        return READING

    with (
        ScriptedServer(script) as one,
        ScriptedServer(script) as other,
        linked(one.resource) as first,
        linked(other.resource) as second,
    ):
        pendings = [first.submit((READ,)), second.submit((READ,))]
        assert [done(pending)[0].line for pending in pendings] == ["+3.30600000E+00"] * 2


def test_settings_leave_at_once_instead_of_waiting_for_an_acknowledgement() -> None:
    with ScriptedServer(answering({"SYST:ERR?": b"0\n"})) as server, linked(server.resource) as link:
        ask(link, ERROR)
        session = link._conversation._session
        assert isinstance(session, SocketSession)
        assert session._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1


def test_without_the_socket_consecutive_settings_go_out_in_one_write(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bringup.instruments.visa_open.reachable_socket", lambda _resource: None)
    with ScriptedServer(answering({"SYST:ERR?": b"0\n"})) as server, linked(server.resource) as link:
        replies = ask(link, Message("INST:NSEL 1"), Message("VOLT 5"), ERROR)
        assert [(reply.line, reply.fault) for reply in replies] == [(None, None), (None, None), ("0", None)]
        session = link._conversation._session
        assert isinstance(session, StreamSession)
        assert session.joins_writes
        assert server.lines == ["*IDN?", "INST:NSEL 1", "VOLT 5", "SYST:ERR?"]


def test_joined_messages_end_with_the_next_query() -> None:
    tell, query = Message("VOLT 5"), ERROR
    assert grouped([tell, tell, query, tell], joined=True) == [[tell, tell, query], [tell]]
    assert [len(group) for group in grouped([tell, tell, query, tell], joined=False)] == [1, 1, 1, 1]


def test_what_is_urgent_waits_for_one_answer_and_not_for_all_that_was_to_be_asked() -> None:
    answer, asked = threading.Event(), threading.Event()

    def script(_connection: int, line: str) -> bytes:
        if line == "READ?":
            asked.set()
            assert answer.wait(60.0)
        return {"*IDN?": IDENTITY, "READ?": b"+1.0E+00\n", "OUTP?": b"0\n"}.get(line, b"")

    with ScriptedServer(script) as server, linked(server.resource) as link:
        look = link.submit([READ] * 5)
        assert asked.wait(60.0)
        later = link.submit([READ])
        link.hurry()
        off = link.submit([Message("OUTP OFF"), Message("OUTP?", ReplyKind.NUMBER, 60.0)])
        answer.set()

        assert [reply.fault for reply in done(off)] == [None, None]
        assert [reply.fault for reply in done(look)] == [None, LinkFault.GAVE_WAY, *[LinkFault.NOT_SENT] * 3]
        assert [reply.fault for reply in done(later)] == [LinkFault.GAVE_WAY]
    assert server.lines == ["*IDN?", "READ?", "OUTP OFF", "OUTP?"]
    assert server.connections == 1


def test_a_closed_link_sends_nothing() -> None:
    with ScriptedServer(answering({"READ?": READING})) as server, linked(server.resource) as link:
        ask(link, READ)
        link.close()
        (reply,) = ask(link, READ)
        assert reply.fault is LinkFault.LOST
        assert server.lines == ["*IDN?", "READ?"]


def test_the_gap_of_a_slow_instrument_is_kept() -> None:
    def script(_connection: int, line: str) -> bytes:
        return IDENTITY if line == "*IDN?" else (READING if "?" in line else b"")

    wire = Wire(gap=0.03, identify=WIRE.identify)
    with ScriptedServer(script) as server, linked(server.resource, wire) as link:
        replies = ask(link, Message("A"), Message("B"), READ)
    # When they left, not when the server's thread was given the processor to see them arrive.
    assert all(later.sent - earlier.sent >= 0.03 for earlier, later in pairwise(replies))


@given(st.text(st.characters(codec="latin-1", exclude_characters="\n"), max_size=60))
@settings(max_examples=25)
def test_any_line_comes_through_as_sent_but_for_blanks_at_its_ends(line: str) -> None:
    class Once:
        joins_writes = False

        def __init__(self) -> None:
            self.left = [IDENTITY, line.encode("latin-1") + b"\n"]

        def write(self, data: bytes) -> None:
            pass

        def receive(self, until: float) -> tuple[bytes, bool]:
            return (self.left.pop(0), False) if self.left else (b"", False)

        def waiting(self) -> bool:
            return False

        def close(self) -> None:
            pass

    conversation = Conversation(Once, WIRE, threading.Event())
    (reply,) = conversation.exchange((Message("X?", ReplyKind.TEXT, 0.0),))
    shown = line.strip(BLANK)
    if reply.line is None:
        # Lines of nothing but blanks (of any kind) answer no question.
        assert shown.strip() == ""
    else:
        assert reply.line == shown
