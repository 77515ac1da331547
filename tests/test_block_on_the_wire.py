"""Blocks of bytes over a real socket: line ends within them end nothing, and their transfer holds nobody else up."""

from __future__ import annotations

import pytest

from bringup.core.bench import ScopeRole
from bringup.core.dialect import Message
from bringup.core.picture import read_picture
from bringup.core.replies import ReplyKind
from bringup.files.dialect_file import find_dialect
from bringup.instruments.hearing import Hearing
from bringup.instruments.visa_link import VisaLink
from bringup.instruments.wire import Broken, Wire
from bringup.runner.records import LinkFault
from bringup.runner.scpi_scope import ScpiScope
from bringup.simulation.scope_screen import bmp, rows
from tests.link_helpers import ERROR, PATIENT, READ, READING, WIRE, ask, done, linked
from tests.scripted_server import HANG_UP, IDENTITY, ScriptedServer, answering

PICTURE = bmp(rows(0.03, 0.02, 8))
HEAD = b"#9%09d" % len(PICTURE)
SCREEN = Message("HCOP:DATA?", ReplyKind.BLOCK, PATIENT)


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b""])
def test_a_block_with_line_ends_in_it_comes_whole_and_the_next_answer_is_the_next(end: bytes) -> None:
    assert b"\n" in PICTURE
    script = answering({"HCOP:DATA?": HEAD + PICTURE + end, "READ?": READING})
    with ScriptedServer(script) as server, linked(server.resource) as link:
        block, reading = ask(link, SCREEN, READ)

    assert read_picture(block.line).data == PICTURE
    assert (reading.line, reading.strays) == (READING.decode().strip(), ())


def test_a_line_before_the_block_is_no_part_of_it() -> None:
    script = answering({"HCOP:DATA?": b"+1.0E+00\n" + HEAD + PICTURE + b"\n"})
    with ScriptedServer(script) as server, linked(server.resource) as link:
        (block,) = ask(link, SCREEN)

    assert (read_picture(block.line).data == PICTURE, block.strays) == (True, ("+1.0E+00",))


def test_a_block_whose_rest_never_comes_is_no_answer() -> None:
    short = Message("HCOP:DATA?", ReplyKind.BLOCK, 0.1)
    script = answering({"HCOP:DATA?": HEAD + PICTURE[:-1], "SYST:ERR?": b'0,"No error"\n'})
    with ScriptedServer(script) as server, linked(server.resource) as link:
        (block,) = ask(link, short)
        (error,) = ask(link, ERROR)

    assert (block.line, block.fault) == (None, LinkFault.TIMEOUT)
    assert error.line == '0,"No error"'


def test_a_connection_that_ends_within_a_block_is_lost() -> None:
    def script(_connection: int, line: str) -> bytes:
        return {"*IDN?": IDENTITY, "HCOP:DATA?": HEAD + PICTURE[:100], "BYE": HANG_UP}.get(line, b"")

    with ScriptedServer(script) as server, linked(server.resource, Wire(identify=WIRE.identify, recovery=0.0)) as link:
        pending = link.submit((SCREEN,))
        assert server.wait_for("HCOP:DATA?", PATIENT)
        server.hang_up()
        (block,) = done(pending)

    assert (block.line, block.fault) == (None, LinkFault.LOST)


def test_a_slow_picture_does_not_stop_the_polling_of_the_supply() -> None:
    """The rest of the picture goes out only once the supply was polled twenty times: each has its own worker."""
    with (
        ScriptedServer(answering({"HCOP:DATA?": HEAD + PICTURE[:1000]})) as slow,
        ScriptedServer(answering({"READ?": READING})) as quick,
        linked(quick.resource) as supply,
        linked(slow.resource) as link,
    ):
        pending = _scope(link).screen_picture()
        assert slow.wait_for("HCOP:DATA?", PATIENT)

        polls = [ask(supply, READ)[0].line for _ in range(20)]
        waited = not pending.done
        slow.send(PICTURE[1000:] + b"\n")
        pictured = done(pending)

    assert (polls, waited) == ([READING.decode().strip()] * 20, True)
    assert pictured.picture.data == PICTURE


class Messages:
    """A session whose messages have ends of their own, as over USB or GPIB (wire.Session)."""

    joins_writes = False

    def __init__(self, *chunks: tuple[bytes, bool]) -> None:
        self._chunks = list(chunks)

    def write(self, data: bytes) -> None:
        raise AssertionError(data)

    def receive(self, until: float) -> tuple[bytes, bool]:
        del until
        return self._chunks.pop(0) if self._chunks else (b"", False)

    def waiting(self) -> bool:
        return bool(self._chunks)

    def close(self) -> None:
        self._chunks.clear()


@pytest.mark.parametrize("end", [b"\n", b""])
def test_a_block_in_pieces_of_a_message_is_put_together(end: bytes) -> None:
    parts = [(HEAD[:1], False), (HEAD[1:7], False), (HEAD[7:] + PICTURE[:9], False), (PICTURE[9:] + end, True)]
    hearing = Hearing(Messages(*parts, (b"+1", True)), WIRE)

    assert read_picture(hearing.definite_block(0.0)).data == PICTURE
    assert (hearing.line(0.0) or hearing.line(0.0)) == "+1"


@pytest.mark.parametrize("missing", [1, 2, 1000])
def test_a_message_that_ends_within_its_block_is_cut_short(missing: int) -> None:
    hearing = Hearing(Messages((HEAD + PICTURE[:-missing], True)), WIRE)

    with pytest.raises(Broken, match="the block is cut short"):
        hearing.definite_block(0.0)


@pytest.mark.parametrize("text", [b"+1.0", b"#A", b"#3x12", b"#999999999999", b"#0abc"])
def test_a_message_that_is_no_block_is_a_line(text: bytes) -> None:
    assert Hearing(Messages((text, True)), WIRE).definite_block(0.0) == text.decode()


def _scope(link: VisaLink) -> ScpiScope:
    dialect = find_dialect("measurement-place", ".")
    return ScpiScope(ScopeRole(link.name, dialect.name), dialect, link)
