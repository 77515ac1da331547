"""The guardian: off after SIGKILL, a hang, or what could not be verified; kept, said, and nobody else touched."""

from __future__ import annotations

import os
import signal
import socket
import sqlite3
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.host.left_messages import leave_message, take_messages
from bringup.logbook.opening import open_for_writing
from bringup.simulation.manners import Clients, Manners
from tests.killing import PHASES, Phase, Watched, kill_in, logged, readings_shown
from tests.rig import BEFORE, UP, rig
from tests.served_bench import Served, served_bench
from tests.test_programs import is_alive
from tests.test_terminal_session import STEPS, Session, to_the_go

ROOT = Path(__file__).parent.parent


class EndedEarly(Exception):  # noqa: N818 - what became of it
    """The guardian ended the tool before its output was on."""


class Tool:
    """A process of tests.guarded_tool whose output is on."""

    def __init__(self, bench: Served, folder: Path, how: str, *bounds: float) -> None:
        self.bench, self.logbook = bench, folder / "bringup.db"
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "tests.guarded_tool", str(bench.file), str(self.logbook), how),
                *map(str, bounds),
            ],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self._others: list[int] = []
        said = self.process.stdout.readline().split()
        if said[:1] != ["on"]:
            ended = self.process.wait()
            self.close()
            if ended == -signal.SIGKILL:
                raise EndedEarly
            pytest.fail(f"it ended with {ended} before its output was on, and said {said}")
        self.guardian, self.attempt = int(said[1]), said[2]
        self.child = int(said[3]) if len(said) > 3 else None
        self._others = [int(said[1]), *map(int, said[3:])]

    def off_after(self, within: float = 60.0) -> float:
        """Return the seconds until the power stage is off."""
        begun = time.monotonic()
        while self.is_on():
            assert time.monotonic() - begun < within, "it stayed on"
            time.sleep(0.001)
        return time.monotonic() - begun

    def is_on(self, output: int = 1) -> bool:
        with self.bench.server.world:
            return self.bench.simulated.world.is_on(output, self.bench.server.now())

    def message(self) -> str:
        """Wait for what the guardian leaves for the next start."""
        until = time.monotonic() + 60
        while not (texts := take_messages()):
            assert time.monotonic() < until, "no message was left"
            time.sleep(0.01)
        (text,) = texts
        return text

    def last_message(self) -> str | None:
        """Wait until the guardian leaves a message, or ends without one."""
        while True:
            over = not is_alive(self.guardian)
            if texts := take_messages():
                (text,) = texts
                return text
            if over:
                return None
            time.sleep(0.01)

    def logged(self) -> tuple[str, str, int | None]:
        opened = open_for_writing(self.logbook)
        row = opened.connection.execute("SELECT result, cause, off_verified FROM attempts").fetchone()
        opened.connection.close()
        result, cause, off_verified = row
        return result, cause, off_verified

    def events(self) -> list[str]:
        opened = open_for_writing(self.logbook)
        kinds = [kind for (kind,) in opened.connection.execute("SELECT kind FROM events ORDER BY seq")]
        opened.connection.close()
        return kinds

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()
        for pid in self._others:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)


@pytest.fixture(autouse=True)
def _own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))


@contextmanager
def tool(
    folder: Path, how: str = "beats", *bounds: float, clients: Clients = Clients.MANY, supply: str = "outputs: {VIN: 1}"
) -> Iterator[Tool]:
    with served_bench(folder, supply=supply, manners={"supply": Manners(clients=clients)}) as bench:
        made = Tool(bench, folder, how, *bounds)
        try:
            yield made
        finally:
            made.close()


SHORT = [phase for phase in PHASES if phase.name not in ("commit", "go", "anywhere")]
"""Of the phases that benchmarks/kills.py goes through by the hundred: those that differ most."""


@pytest.mark.parametrize("phase", SHORT, ids=lambda phase: phase.name)
def test_a_kill_in_any_phase_leaves_nothing_on_and_loses_nothing(tmp_path: Path, phase: Phase) -> None:
    with rig(tmp_path, supply=Manners(clients=Clients.ONE_REFUSES)) as bench:
        kill = kill_in(Watched(bench), phase, 0.3)

    assert kill.sound, kill
    assert kill.ended_before or kill.result == "broken off"


def test_a_kill_between_an_off_on_its_way_and_its_verification_leaves_nothing_on(tmp_path: Path) -> None:
    off = next(phase for phase in PHASES if phase.name == "off")
    with rig(tmp_path) as bench:
        kill = kill_in(Watched(bench), replace(off, slow_off=0.4), 0.0)

    assert kill.on_at_kill
    assert (kill.sound, kill.result, kill.off_verified) == (True, "broken off", 1), kill


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
@pytest.mark.parametrize("name", ["measure", "off"])
def test_the_guardian_takes_a_serial_port_over(tmp_path: Path, name: str) -> None:
    """It outlives whoever spoke on it, with what was left half said there."""
    phase = next(phase for phase in PHASES if phase.name == name)
    with rig(tmp_path, serial=True) as bench:
        kill = kill_in(Watched(bench), replace(phase, slow_off=4 * phase.slow_off), 0.1)

    assert kill.on_at_kill
    assert (kill.sound, kill.result, kill.off_verified) == (True, "broken off", 1), kill


def test_every_reading_that_was_shown_is_looked_for_in_the_logbook(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        said = bench.run(BEFORE + UP).stdout
    shown = readings_shown(said.splitlines())

    assert f"{len(shown)} readings kept" in said
    assert {each["name"] for each in shown} >= {"VIN 18 V", "VIN current short check at 1 V", "VIN supply leads", "3V3"}
    assert logged(bench.logbook, shown)[0] == ()
    with closing(sqlite3.connect(bench.logbook)) as connection, connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute("DELETE FROM readings WHERE rail = 'VIN' AND aspect = '18 V' AND quantity = 'voltage'")
    (missing,) = logged(bench.logbook, shown)[0]
    assert missing.startswith("VIN 18 V ")
    assert missing.endswith("recorded")


def test_a_killed_tools_supply_is_switched_off_though_a_child_holds_the_pipe_and_the_lock(tmp_path: Path) -> None:
    with tool(tmp_path, "with child", supply="outputs: {VIN: 1}, leave_alone: [3]") as killed:
        killed.bench.tell("supply", "INST:NSEL 3", "VOLT 5", "CURR 0.1", "OUTP ON", "OUTP?")
        # What the terminal and a polite request send does not end the guardian.
        for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM, signal.SIGTSTP):
            os.kill(killed.guardian, number)
        assert killed.is_on()
        killed.process.kill()

        assert killed.off_after() < 1.0
        assert killed.is_on(3), "it was to be left alone"
        assert killed.child is not None
        os.kill(killed.child, 0)  # it lives on, and holds everything
        assert "killed or crashed with an output on" in killed.message()
        cause = "bringup was killed or crashed with an output on; every output is OFF, verified by asking but 3"
        result, found, off_verified = killed.logged()
        assert (result, off_verified) == ("broken off", 1)
        assert found.startswith(cause)


def test_a_tool_that_is_stopped_is_ended_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for bound in (0.5, 3.0, 20.0):
        folder = tmp_path / f"{bound}"
        folder.mkdir()
        monkeypatch.setenv("BRINGUP_STATE", str(folder / "state"))
        # On a busy machine the tool may not come to its first beat within the shortest bound, and is rightly ended.
        with (
            suppress(EndedEarly),
            tool(folder, "beats", bound, 10.0, clients=Clients.ONE_REFUSES) as stopped,
        ):
            stopped.process.send_signal(signal.SIGSTOP)
            stopped.off_after()

            assert stopped.process.wait(60) == -signal.SIGKILL
            assert f"no sign of life for {bound:g} s with an output on" in stopped.message()
            assert stopped.logged()[0] == "broken off"
            assert stopped.events()[-1] == "trip", "nobody saw the output for longer than it may be left alone"
            return
    pytest.fail("the tool never came as far as being on")


def test_another_instrument_at_the_address_is_not_touched(tmp_path: Path) -> None:
    with tool(tmp_path, "beats", 5.0, 0.3) as killed:
        killed.bench.server._ports["supply"].manners = Manners(identity=b"BRINGUP SIMULATED,SUPPLY-3,SIM-S-0099,0.1.0")
        killed.process.kill()
        said = killed.message()

        assert killed.is_on()
        assert "OUTPUT STATE UNKNOWN" in said
        assert "answers where" in said
        assert killed.logged()[2] == 0


def test_what_the_tool_could_not_verify_the_guardian_takes_over(tmp_path: Path) -> None:
    with tool(tmp_path, "take over") as gone:
        gone.off_after()

        assert "off could not be verified" in gone.message()
        assert gone.logged()[::2] == ("broken off", 1)
        assert gone.process.wait(60) == 0


@pytest.mark.parametrize("how", ["look", "beats"])
def test_a_message_that_is_carried_out_after_off_was_verified_is_undone(tmp_path: Path, how: str) -> None:
    """Where a call never came back, and where the tool died with a message on its way."""
    for number in range(5):
        folder = tmp_path / str(number)
        folder.mkdir()
        with tool(folder, how) as gone:
            if how == "look":
                assert gone.process.wait(60) == 0
            else:
                gone.process.kill()
                gone.off_after()
                assert "every output is OFF" in gone.message().replace("Every", "every")
            gone.bench.tell("supply", "INST:NSEL 1", "OUTP ON", "OUTP?")
            # Each look first asks and then switches off. What comes on between the two is off as well, but unsaid;
            # and where this machine was so busy that it came on after the last look, nobody looks.
            if (said := gone.last_message()) is not None:
                assert not gone.is_on()
                break
    assert said is not None
    assert "an output came on again after off was verified" in said


def test_bringup_off_reaches_the_guardian_of_a_tool_that_is_stopped(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with tool(tmp_path, "beats", 60.0, 60.0, clients=Clients.ONE_HOLDS) as stopped:
        stopped.process.send_signal(signal.SIGSTOP)

        assert main(["off", "--bench", str(stopped.bench.file)]) == 0
        assert not stopped.is_on()
        assert stopped.process.wait(60) == -signal.SIGKILL
    assert "is OFF, verified by bringup guardian" in capsys.readouterr().out


def test_bringup_off_is_answered_by_a_guardian_at_work(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with tool(tmp_path, "beats", 60.0, 60.0, clients=Clients.ONE_REFUSES) as killed:
        port = killed.bench.server.port("supply")
        killed.process.kill()
        # Somebody else gets in first and keeps the guardian out.
        before = socket.create_connection(("127.0.0.1", port))
        with ThreadPoolExecutor(1) as pool:
            asked = pool.submit(main, ["off", "--bench", str(killed.bench.file)])
            time.sleep(0.3)
            before.close()
            assert asked.result(60) == 0
        assert not killed.is_on()
    assert "OFF, verified by" in capsys.readouterr().out


@contextmanager
def logbook_held(logbook: Path) -> Iterator[None]:
    """Another program holds the logbook for writing: the guardian has to wait with what it keeps."""
    with closing(sqlite3.connect(logbook, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


ON_BY_HAND = ("INST:NSEL 1", "VOLT 5", "CURR 0.1", "OUTP ON", "OUTP?")


def test_a_guardian_that_never_heard_of_an_output_switches_it_off_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with tool(tmp_path, "nothing") as killed, logbook_held(killed.logbook):
        killed.bench.tell("supply", *ON_BY_HAND)
        killed.process.kill()
        killed.process.wait()

        assert main(["off", "--bench", str(killed.bench.file)]) == 0
        assert not killed.is_on()
    assert "is OFF, verified by bringup guardian" in capsys.readouterr().out


def test_a_guardian_that_is_asked_after_its_report_asks_the_supply_anew(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with tool(tmp_path) as killed, logbook_held(killed.logbook):
        killed.process.kill()
        killed.off_after()
        for _ in range(2):
            killed.bench.tell("supply", *ON_BY_HAND)
            assert main(["off", "--bench", str(killed.bench.file)]) == 0
            assert not killed.is_on()
    assert capsys.readouterr().out.count("is OFF, verified by bringup guardian") == 2


def test_a_tool_that_heard_late_and_is_switching_off_is_not_ended(tmp_path: Path) -> None:
    with tool(tmp_path, "late", clients=Clients.ONE_HOLDS) as late:
        assert main(["off", "--bench", str(late.bench.file)]) == 0
        assert late.process.wait(60) == 0, "it was killed"
        assert not late.is_on()


def test_bringup_off_goes_itself_where_the_guardian_is_gone_too_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with tool(tmp_path) as left:
        os.kill(left.guardian, signal.SIGKILL)
        left.process.send_signal(signal.SIGSTOP)

        assert main(["off", "--bench", str(left.bench.file)]) == 0
        assert not left.is_on()
    said = capsys.readouterr()
    assert "does not take the request" in said.err
    assert "verified by asking" in said.out


def children_of(pid: int) -> list[int]:
    return [int(each) for each in Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()]


def command_of(pid: int) -> bytes:
    return Path(f"/proc/{pid}/cmdline").read_bytes()


def test_an_attempt_whose_guardian_dies_ends_with_its_outputs_off(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        watched = Watched(bench)
        watched.reach(next(phase for phase in PHASES if phase.name == "measure"))
        guardian = next(pid for pid in children_of(watched.process.pid) if b"bringup guardian" in command_of(pid))
        os.kill(guardian, signal.SIGKILL)
        watched.close()

        assert watched.process.returncode == 3
        assert not bench.output_is_on()
    assert "the guardian is gone while an output is on" in "".join(watched.lines)


def test_bringup_off_wins_over_an_attempt_that_holds_a_supply_for_one_client(tmp_path: Path) -> None:
    with rig(tmp_path, supply=Manners(clients=Clients.ONE_HOLDS)) as bench:
        watched = Watched(bench)
        watched.reach(next(phase for phase in PHASES if phase.name == "log"))
        assert main(["off", "--bench", str(bench.bench)]) == 0
        assert not bench.output_is_on()
        watched.close()

    assert watched.process.returncode == 3


def test_a_kill_at_a_question_with_power_on_is_told_at_the_terminal_which_is_given_back(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        # As at a desk: the shell is there before and after the tool.
        shell = ["sh", "-c", '"$@"; sleep 20', "sh", *bench.run_arguments(STEPS)]
        session = Session(shell, bench.folder, {**bench.environment, "TERM": "xterm-256color"})
        modes = termios.tcgetattr(session.master)
        try:
            to_the_go(session)
            session.answer("\n", "step 4")
            assert bench.output_is_on()
            session.answer("n", "Note")
            assert termios.tcgetattr(session.master) != modes
            os.kill(children_of(session.process.pid)[0], signal.SIGKILL)
            session.expect("Every output is OFF, verified by asking. Attempt")
            assert not bench.output_is_on()
            assert termios.tcgetattr(session.master) == modes
        finally:
            for pid in children_of(session.process.pid):
                os.kill(pid, signal.SIGKILL)
            session.close()
    assert "killed or crashed with an output on" in session.seen


def test_a_message_is_shown_by_one_command_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    leave_message("first")
    leave_message("second")
    assert take_messages() == ["first", "second"]
    assert take_messages() == []

    leave_message("left by a guardian")
    assert main(["off", "--bench", str(tmp_path / "none.yaml")]) == 2
    assert "left by a guardian" in capsys.readouterr().err
    assert take_messages() == []
