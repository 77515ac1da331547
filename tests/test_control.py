"""The control socket: `off` reaches a holder in another process, and nonsense reaches nobody."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from bringup.host import control as control_socket
from bringup.host.control import ControlServer, Outcome, ask_holder_off
from bringup.host.lock import About, hold

SUPPLY = "TCPIP0::192.0.2.10::5025::SOCKET"

ATTEMPT = """
import sys
from bringup.host.clock import HostClock
from bringup.host import control as control_socket
from bringup.host.control import ControlServer, Outcome
from bringup.host.lock import About, hold
clock = HostClock()
with ControlServer(clock.ask_off) as control, hold([sys.argv[1]], About("bringup run", "MBL-0007", control.address)):
    print("ready", flush=True)
    while clock.interruption() is None:
        clock.wait(clock.monotonic() + 20)
    print(clock.interruption().value, flush=True)
    if sys.argv[2] != "say nothing":
        control.report(Outcome[sys.argv[2]])
"""


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    # How soon one that is well must have heard is for a bench; on a busy machine its thread may have to wait longer.
    monkeypatch.setattr(control_socket, "_TIME_TO_HEAR", 60.0)


def told_within(seconds: float) -> Outcome | None:
    """Ask with little patience for the outcome, again while the request itself was not taken in that time."""
    until = time.monotonic() + 60
    while (outcome := ask_holder_off(SUPPLY, seconds)) is None:
        assert time.monotonic() < until, "nobody takes the request"
    return outcome


def never() -> None:
    pytest.fail("asked to switch off")


def about(control: ControlServer) -> About:
    return About("bringup run", "MBL-0001", control.address)


def say(control: ControlServer, line: bytes) -> bytes:
    """Say something and return all that is answered before the other side hangs up."""
    with socket.create_connection(("127.0.0.1", control.address.port), timeout=60) as connection:
        answer = b""
        try:
            connection.sendall(line)
            with suppress(OSError):  # the other side may have hung up already; what it answered is read all the same
                connection.shutdown(socket.SHUT_WR)
            while data := connection.recv(100):
                answer += data
        except ConnectionError:
            # Hung up with what we said unread.
            pass
        return answer


@pytest.mark.parametrize(
    ("reported", "outcome"),
    [("OFF", Outcome.OFF), ("UNKNOWN", Outcome.UNKNOWN), ("say nothing", Outcome.UNKNOWN)],
)
def test_off_reaches_the_holder_and_brings_back_what_became_of_it(reported: str, outcome: Outcome) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", ATTEMPT, SUPPLY, reported], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        assert ask_holder_off(SUPPLY, 60.0) is outcome
        out, err = process.communicate(timeout=60)
        assert (out, err, process.returncode) == ("bringup off\n", "", 0)


def test_nobody_holding_is_no_outcome() -> None:
    assert ask_holder_off(SUPPLY, 1.0) is None


def test_a_holder_that_does_not_listen_is_no_outcome() -> None:
    with hold([SUPPLY], About("bringup bench")):
        assert ask_holder_off(SUPPLY, 1.0) is None
    with ControlServer(never) as gone:
        left = about(gone)
    with hold([SUPPLY], left):
        assert ask_holder_off(SUPPLY, 1.0) is None


def test_a_holder_that_heard_but_says_nothing_more_leaves_it_unknown() -> None:
    asked = threading.Event()
    with ControlServer(asked.set) as control, hold([SUPPLY], about(control)):
        began = time.monotonic()
        assert told_within(0.2) is Outcome.UNKNOWN
        assert time.monotonic() - began < control_socket._TIME_TO_ANSWER / 2
        assert asked.is_set()


def test_everybody_who_asked_is_told_and_nobody_afterwards_is_answered_from_memory() -> None:
    asked, told = threading.Semaphore(0), []
    with ControlServer(asked.release) as control, hold([SUPPLY], about(control)):
        callers = [threading.Thread(target=lambda: told.append(ask_holder_off(SUPPLY, 60.0))) for _ in range(3)]
        for caller in callers:
            caller.start()
        for _ in callers:
            assert asked.acquire(timeout=60)
        control.report(Outcome.OFF)
        for caller in callers:
            caller.join(60)
        assert told == [Outcome.OFF] * 3
        assert told_within(0.2) is Outcome.UNKNOWN
        assert control.waiting


def test_a_report_does_not_answer_who_asked_while_the_outputs_were_being_asked() -> None:
    asked, told = threading.Semaphore(0), []
    with ControlServer(asked.release) as control, hold([SUPPLY], about(control)):
        late = threading.Thread(target=lambda: told.append(ask_holder_off(SUPPLY, 60.0)))
        before = control.asks
        late.start()
        assert asked.acquire(timeout=60)
        control.report(Outcome.OFF, before)
        assert control.waiting
        control.report(Outcome.UNKNOWN, control.asks)
        late.join(60)
    assert told == [Outcome.UNKNOWN]


def test_closing_tells_who_still_waits_that_nobody_knows() -> None:
    asked, told = threading.Semaphore(0), []
    with ControlServer(asked.release) as control, hold([SUPPLY], about(control)):
        late = threading.Thread(target=lambda: told.append(ask_holder_off(SUPPLY, 60.0)))
        control.report(Outcome.OFF)
        late.start()
        assert asked.acquire(timeout=60)
    late.join(60)
    assert told == [Outcome.UNKNOWN]


@pytest.mark.parametrize(
    "line",
    [
        lambda _token: b"",
        lambda _token: b"\n",
        lambda _token: b"off\n",
        lambda _token: b"bringup-control-1 0123456789abcdef off\n",
        lambda token: f"bringup-control-1 {token} on\n".encode(),
        lambda token: f"bringup-control-1 {token} off".encode(),
        lambda _token: b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n",
        lambda _token: b"\x00\xff" * 50 + b"\n",
        lambda _token: b"x" * 100_000,
    ],
)
def test_whatever_else_is_said_is_ignored(line: Callable[[str], bytes]) -> None:
    with ControlServer(never) as control:
        assert say(control, line(control.address.token)) == b""


def test_more_callers_than_there_are_places_are_sent_away_and_do_no_harm() -> None:
    asked = threading.Event()
    with ControlServer(asked.set) as control, hold([SUPPLY], about(control)):
        idle = [socket.create_connection(("127.0.0.1", control.address.port), timeout=60) for _ in range(20)]
        # The ninth and later ones find no place and are hung up on at once.
        assert idle[-1].recv(1) == b""
        for connection in idle:
            connection.close()
        deadline = time.monotonic() + 60
        while ask_holder_off(SUPPLY, 0.2) is not Outcome.UNKNOWN:
            assert time.monotonic() < deadline
        assert asked.is_set()


def test_closing_does_not_wait_for_callers_that_say_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(control_socket, "_TIME_TO_ASK", 120.0)
    with ControlServer(never) as control:
        silent = socket.create_connection(("127.0.0.1", control.address.port), timeout=60)
        began = time.monotonic()
    assert time.monotonic() - began < 60
    silent.close()
