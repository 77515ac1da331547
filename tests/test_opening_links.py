"""Opening instruments: nobody there, another one there, one that hangs, half a bench; and every VISA error in words."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest
import pyvisa

from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.errors import BenchError, LinkError
from bringup.files.dialect_file import find_dialect
from bringup.instruments.opening import Wanted, await_here, connect, try_connect
from bringup.instruments.visa_library import explain, explain_status
from bringup.instruments.visa_link import VisaLink
from bringup.instruments.wire import Broken, Wire
from bringup.runner.records import LinkFault
from tests.link_helpers import ERROR, READ, READING, WIRE, ask, done, linked
from tests.scripted_server import IDENTITY, ScriptedServer, answering


def test_a_refused_port_says_so() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with linked(f"TCPIP0::127.0.0.1::{port}::SOCKET") as link:
        with pytest.raises(LinkError, match=r"meter at TCPIP0::127.0.0.1::\d+::SOCKET: nothing listens there"):
            done(link.open())
        (first, second) = ask(link, READ, ERROR)
        assert (first.fault, second.fault) == (LinkFault.LOST, LinkFault.NOT_SENT)
        assert "connection refused" in first.why


def test_a_resource_string_that_is_none_says_so() -> None:
    with linked("MY METER") as link, pytest.raises(LinkError, match="MY METER: this is no resource string"):
        done(link.open())


def test_a_backend_that_is_not_there_says_so() -> None:
    with (
        linked("TCPIP0::127.0.0.1::1::SOCKET", backend="@nosuch") as link,
        pytest.raises(LinkError, match="nosuch"),
    ):
        done(link.open())


def test_one_that_takes_the_connection_but_does_not_say_who_it_is_gets_no_setting() -> None:
    with ScriptedServer(lambda _connection, _line: b"") as server:
        wire = Wire(identify=Message("*IDN?", ReplyKind.IDENTITY, 0.05), recovery=0.05)
        with linked(server.resource, wire) as link:
            replies = ask(link, Message("OUTP ON"), ERROR)
            assert [reply.fault for reply in replies] == [LinkFault.TIMEOUT, LinkFault.NOT_SENT]
            assert "another program may hold it" in replies[0].why
            assert set(server.lines) == {"*IDN?"}


def test_another_instrument_after_reopening_gets_no_setting() -> None:
    def script(connection: int, line: str) -> bytes:
        if line == "*IDN?":
            return b"SOMEBODY,ELSE,2,0\n" if connection else IDENTITY
        return b""

    with ScriptedServer(script) as server, linked(server.resource) as link:
        ask(link, Message("READ?", ReplyKind.NUMBER, 0.02))
        # It is waited for on the whole: who answers first may be an old answer's line.
        link._conversation._wire = replace(WIRE, identify=replace(WIRE.identify, timeout=0.2))
        (reply,) = ask(link, Message("OUTP ON"))
        assert reply.fault is LinkFault.OTHER_INSTRUMENT
        assert "'SOMEBODY,ELSE,2,0' answers where 'BRINGUP SIMULATED,TEST,1,0' did before" in reply.why
        assert "OUTP ON" not in server.lines
        assert link.identity is not None
        assert link.identity.maker == "BRINGUP SIMULATED"


def test_lines_before_the_known_identity_are_discarded_on_reopening() -> None:
    def script(connection: int, line: str) -> bytes:
        if line == "*IDN?":
            return b"+1.0\nOLD,REPLY,7,0\n" + IDENTITY if connection else IDENTITY
        return READING if connection else b""

    with ScriptedServer(script) as server, linked(server.resource) as link:
        ask(link, Message("READ?", ReplyKind.NUMBER, 0.02))
        (reply,) = ask(link, READ)
        assert (reply.line, reply.fault, reply.strays) == ("+3.30600000E+00", None, ())


class Hanging:
    """A session whose first read never returns, later sessions being fine (conversation.Session)."""

    joins_writes = False
    made = 0

    def __init__(self) -> None:
        Hanging.made += 1
        self.number = Hanging.made
        self.asked = b""

    def write(self, data: bytes) -> None:
        self.asked = data

    def receive(self, until: float) -> tuple[bytes, bool]:
        if self.asked == b"*IDN?\n":
            return IDENTITY, True
        if self.number == 1:
            threading.Event().wait()
        return READING, True

    def waiting(self) -> bool:
        return False

    def close(self) -> None:
        pass


def test_a_call_that_never_returns_is_left_behind_and_the_instrument_spoken_to_anew(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for module in ("conversation", "visa_link"):
        monkeypatch.setattr(f"bringup.instruments.{module}.MARGIN", 0.02)
    Hanging.made = 0
    link = VisaLink("meter", "hangs", WIRE, connect=Hanging)
    done(link.open())
    stuck = link.submit((Message("READ?", ReplyKind.NUMBER, 0.02),))
    assert not await_here(stuck)
    started = time.monotonic()
    (reply,) = ask(link, READ)
    assert reply.line == "+3.30600000E+00"
    assert Hanging.made == 2
    link.close()
    assert time.monotonic() - started < 20, "it waited for the call that hangs"


def test_a_call_that_hangs_is_noticed_long_before_the_end_of_its_batch(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in ("conversation", "visa_link"):
        monkeypatch.setattr(f"bringup.instruments.{module}.MARGIN", 0.02)
    Hanging.made = 0
    link = VisaLink("supply", "hangs", WIRE, connect=Hanging)
    done(link.open())
    stuck = link.submit((Message("READ?", ReplyKind.NUMBER, 0.02), *[Message("READ?", ReplyKind.NUMBER, 9.0)] * 7))
    until = time.monotonic() + 60
    while not link._conversation.hangs(time.monotonic()):
        assert time.monotonic() < until
        time.sleep(0.005)  # it is looked at, and tells nobody

    (reply,) = ask(link, READ)

    assert stuck.deadline > time.monotonic() + 50
    assert reply.line == "+3.30600000E+00"
    link.close()


def test_a_hanging_call_does_not_keep_the_process_alive() -> None:
    program = (
        "import threading\n"
        "from bringup.instruments.visa_link import VisaLink\n"
        "from bringup.instruments.wire import Wire\n"
        "VisaLink('meter', 'x', Wire(), connect=lambda: threading.Event().wait()).open()\n"
    )
    assert subprocess.run([sys.executable, "-c", program], timeout=60, check=False).returncode == 0


def test_every_visa_error_is_a_fault_with_words() -> None:
    errors = [code for code in pyvisa.constants.StatusCode if code < 0]
    assert len(errors) > 50
    for code in errors:
        fault, words = explain_status(int(code))
        assert fault is (LinkFault.TIMEOUT if code.name == "error_timeout" else LinkFault.LOST)
        assert words.strip()
        assert explain(pyvisa.errors.VisaIOError(code)).fault is fault
    unconnected = Exception(f"could not connect: {pyvisa.constants.StatusCode.error_timeout}")
    assert (explain(unconnected).fault, explain(unconnected).why) == (LinkFault.TIMEOUT, "it takes no connection")
    assert explain_status(-1) == (LinkFault.LOST, "VISA reports -1")


def test_links_are_opened_side_by_side_and_every_missing_one_is_named() -> None:
    both = threading.Barrier(2, timeout=60)

    def script(_connection: int, _line: str) -> bytes:
        both.wait()
        return IDENTITY

    supply, meter = find_dialect("single-output", "."), find_dialect("configure-and-read", ".")
    with ScriptedServer(script) as one, ScriptedServer(script) as other:
        links = connect([Wanted("supply", one.resource, supply), Wanted("meter", other.resource, meter)])
        assert {role: link.identity is not None for role, link in links.items()} == {"supply": True, "meter": True}
        for link in links.values():
            link.close()


def test_half_a_bench_missing_leaves_the_other_half_and_says_who() -> None:
    supply, meter = find_dialect("single-output", "."), find_dialect("configure-and-read", ".")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        nobody = f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    with ScriptedServer(answering({})) as server:
        wanted = [Wanted("supply", nobody, supply), Wanted("meter", server.resource, meter)]
        opened = try_connect(wanted)
        assert list(opened.links) == ["meter"]
        assert "nothing listens there" in opened.missing["supply"]
        opened.close()
        with pytest.raises(BenchError, match=r"supply at .* nothing listens there") as caught:
            connect(wanted)
        assert "Nothing was powered" in caught.value.what_to_do


def test_broken_carries_its_words() -> None:
    assert str(Broken(LinkFault.LOST, "gone")) == "gone"


def test_pyvisa_is_loaded_without_numpy_which_others_still_find(tmp_path: Path) -> None:
    (tmp_path / "numpy.py").write_text("here = True\n", encoding="utf-8")
    program = (
        "import sys\nfrom bringup.instruments.visa_library import load\n"
        "load('@py')\nprint('numpy' in sys.modules, 'pyvisa' in sys.modules)\n"
        "import numpy, pyvisa.util\nprint(numpy.here, pyvisa.util.np)"
    )
    environment = {**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{os.environ.get('PYTHONPATH', '')}"}
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, env=environment)
    assert done.stdout.split() == ["False", "True", "True", "None"]


def test_something_else_is_done_once_they_are_asked_and_before_they_answer() -> None:
    over = threading.Event()
    asked: list[bool] = []

    with ScriptedServer(lambda _connection, _line: IDENTITY if over.wait(60.0) else b"") as server:

        def meanwhile() -> None:
            asked.append(server.wait_for("*IDN?", 60.0))
            over.set()

        wanted = Wanted("supply", server.resource, find_dialect("select-by-number", "bench.yaml"))
        opened = try_connect([wanted], meanwhile=meanwhile)
        assert opened.links["supply"].identity is not None
        opened.close()

    assert asked == [True]


def test_what_goes_wrong_meanwhile_ends_the_waiting_and_is_raised() -> None:
    def meanwhile() -> None:
        raise BenchError("no")

    with ScriptedServer(lambda _connection, _line: b"") as server:
        wanted = Wanted("supply", server.resource, find_dialect("select-by-number", "bench.yaml"))
        opened = try_connect([wanted], meanwhile=meanwhile, patience=600.0)
        with pytest.raises(BenchError, match="no"):
            opened.check()
        assert server.gone.wait(60.0)
        assert set(server.lines) <= {"*IDN?"}
