"""An attempt at a real (pseudo) terminal: keys typed, screen read, the power stage looked at afterwards."""

from __future__ import annotations

import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.rig import UP, Rig, rig

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are a POSIX thing", allow_module_level=True)

import fcntl
import pty
import struct
import termios

STEPS = "  - inspect: [Polarised parts match, Nothing plugged in]\n" + UP + "  - measure: [VIN, 3V3]\n  - dwell: 60 s\n"
ESCAPES = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]")


class Session:
    """`bringup run` with a pseudo-terminal of its own."""

    def __init__(self, arguments: list[str], folder: Path, environment: dict[str, str]) -> None:
        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 140, 0, 0))
        self.process = subprocess.Popen(
            arguments,
            cwd=folder,
            env=environment,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509 - nothing else gives it a terminal
        )
        os.close(slave)
        self.seen = ""
        self.found = 0
        """How much of it was read when the last words were found."""

    def expect(self, words: str, within: float = 60.0) -> str:
        """Read the screen until the words are on it, counting from where the last call that found its words ended."""
        until, last = time.monotonic() + within, 100
        while words not in ESCAPES.sub("", self.seen[self.found :]):
            # However late we are ourselves, what stands there already is read first.
            over = time.monotonic() >= until
            ready, _, _ = select.select([self.master], [], [], 0.0 if over else 0.1)
            last -= over
            assert not over or (ready and last), f"{words!r} did not appear; the screen said:\n{self.seen[-3000:]}"
            if not ready:
                continue
            try:
                self.seen += os.read(self.master, 65536).decode("utf-8", "replace")
            except OSError as error:
                raise AssertionError(f"ended before {words!r}:\n{self.seen[-3000:]}") from error
        text, self.found = self.seen[self.found :], len(self.seen)
        return text

    def press(self, keys: str) -> None:
        os.write(self.master, keys.encode())

    def answer(self, key: str, until: str) -> str:
        """Press a key that answers, again while nothing comes of it: the first may come before one could read."""
        for _ in range(40):
            self.press(key)
            try:
                return self.expect(until, within=0.5)
            except AssertionError:
                continue
        return self.expect(until)

    def end(self) -> int:
        """Read on until the program has ended; return its exit code."""
        until = time.monotonic() + 60
        while self.process.poll() is None and time.monotonic() < until:
            ready, _, _ = select.select([self.master], [], [], 0.1)
            if ready:
                try:
                    self.seen += os.read(self.master, 65536).decode("utf-8", "replace")
                except OSError:
                    break
        return self.process.wait(timeout=60)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.master)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Rig]:
    with rig(tmp_path) as made:
        yield made


@pytest.fixture
def session(bench: Rig, request: pytest.FixtureRequest) -> Iterator[Session]:
    environment = {**bench.environment, "TERM": "xterm-256color"}
    if "plain" not in request.keywords:
        environment.pop("NO_COLOR", None)
    made = Session(bench.run_arguments(STEPS), bench.folder, environment)
    yield made
    made.close()


def to_the_go(session: Session) -> None:
    """Answer everything up to the question before power comes on."""
    session.expect("numbers of the exceptions")
    session.answer("a", "type the reason")
    session.press("on the bench of the test")
    session.answer("\n", "switches it ON")


def test_a_person_goes_through_with_single_keys_and_sees_that_the_input_is_on(bench: Rig, session: Session) -> None:
    to_the_go(session)
    assert "INPUT OFF" in session.seen
    assert not bench.output_is_on()

    session.answer("\n", "INPUT ON")
    session.expect("step 4")
    assert bench.output_is_on()
    session.press("q")
    assert session.end() == 3
    assert "CALLED OFF" in session.seen
    assert not bench.output_is_on()


BY_HAND = """bench: Handheld bench
supply: {resource: by hand, ceiling: {voltage: 30 V, current: 1 A}}
meter: by hand
probing: by hand
"""


def test_no_digit_of_a_longer_line_says_that_a_supply_set_by_hand_is_off(bench: Rig) -> None:
    bench.bench.write_text(BY_HAND, encoding="utf-8")
    session = Session(bench.run_arguments(UP), bench.folder, bench.environment)
    try:
        session.expect("type the reason")
        session.press("the board was measured before")
        session.answer("\n", "Is the supply's output off?")
        session.answer("0.01\n", "'0.01' is none of them, and nothing was taken")
        assert "OFF (as said)" not in session.seen

        session.answer("1\n", "INPUT OFF (as said)")
        session.press("\x03")  # at whatever question: a `q` that comes too soon for it is dropped
        assert session.end() == 3
    finally:
        session.close()


def test_q_at_a_question_calls_off_and_the_terminal_is_left_as_it_was(bench: Rig, session: Session) -> None:
    before = termios.tcgetattr(session.master)[3] & (termios.ECHO | termios.ICANON)
    to_the_go(session)
    assert not termios.tcgetattr(session.master)[3] & termios.ICANON

    session.press("q")

    assert session.end() == 3
    assert not bench.output_is_on()
    assert termios.tcgetattr(session.master)[3] & (termios.ECHO | termios.ICANON) == before


def test_a_note_is_typed_while_the_supply_is_watched_and_kept(bench: Rig, session: Session) -> None:
    to_the_go(session)
    session.answer("\n", "step 4")

    session.press("n")
    session.expect("? Note")
    session.press("inductor L2 hums")
    session.answer("\n", "note: inductor L2 hums")
    session.press("q")

    assert session.end() == 3
    history = str(bench.asked("history", "MBL-0007"))
    assert "inductor L2 hums" in history


@pytest.mark.parametrize("key", ["\x03", "\x1a"], ids=["Ctrl-C", "Ctrl-Z"])
def test_the_terminals_own_keys_switch_off_first(bench: Rig, session: Session, key: str) -> None:
    to_the_go(session)
    session.answer("\n", "step 4")

    session.press(key)
    if key == "\x1a":
        pid, status = os.waitpid(session.process.pid, os.WUNTRACED)
        assert os.WIFSTOPPED(status)
        assert not bench.output_is_on()
        os.kill(pid, signal.SIGCONT)

    assert session.end() == 3
    assert not bench.output_is_on()
    assert bench.asked("attempts")[0]["result"] == "called off"


def test_a_terminal_that_is_torn_away_switches_off(bench: Rig, session: Session) -> None:
    to_the_go(session)
    session.answer("\n", "step 4")

    os.close(session.master)
    session.master = os.open(os.devnull, os.O_RDONLY)

    assert session.process.wait(timeout=60) == 3
    assert not bench.output_is_on()
    assert bench.asked("attempts")[0]["result"] == "broken off"


@pytest.fixture
def plain_session(bench: Rig) -> Iterator[Session]:
    environment = {**bench.environment, "TERM": "xterm-256color", "NO_COLOR": "1"}
    made = Session(bench.run_arguments(STEPS), bench.folder, environment)
    yield made
    made.close()


def test_without_colour_there_are_lines_and_no_escapes(bench: Rig, plain_session: Session) -> None:
    to_the_go(plain_session)
    plain_session.answer("\n", "step 4")
    plain_session.press("q")

    assert plain_session.end() == 3
    assert "\x1b" not in plain_session.seen
    assert "on the bench of the test" in plain_session.seen
