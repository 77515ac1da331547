"""`--replay`: an attempt again from its trace, without instruments, equal or told where it is not."""

from __future__ import annotations

import os
import re
import signal
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bringup.commands import replaying
from bringup.commands.replaying import ReplayedRecord
from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.core.traffic import Differs, Event
from bringup.instruments.course import Course
from bringup.instruments.replayed import ReplayedLink
from bringup.instruments.wire import Wire
from bringup.logbook.opening import open_for_writing
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.records import Interruption, LinkFault, Reply
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.manners import Manners
from bringup.terminal.replayed_person import ReplayedPerson
from tests.logbook_samples import start
from tests.rig import UP, Rig, Said, interrupt, rig, wait_for
from tests.sample_pictures import PNG

MEASURE = "  - measure: [VIN, 3V3]\n  - power_off: {discharged_below: 1 V}\n"
SOCKETS: list[str] = []
"""What this process did with sockets while it was listened to."""
listening = False


def _audit(event: str, _arguments: tuple[Any, ...]) -> None:
    if listening and event.startswith(("socket.", "subprocess.")) and event != "socket.gethostname":
        SOCKETS.append(event)


sys.addaudithook(_audit)


@contextmanager
def heard() -> Iterator[list[str]]:
    """Give what is done with sockets and processes meanwhile."""
    global listening  # noqa: PLW0603 - an audit hook cannot be taken away again
    SOCKETS.clear()
    listening = True
    try:
        yield SOCKETS
    finally:
        listening = False


def readings(logbook: Path) -> list[tuple[Any, ...]]:
    with sqlite3.connect(logbook) as connection:
        return connection.execute(
            "SELECT step, rail, quantity, aspect, value, unit, low, high, result, raw FROM readings ORDER BY seq"
        ).fetchall()


def replayed_logbook(done: Said) -> Path:
    found = re.search(r"Kept as simulated in (\S+)", done.stderr)
    assert found, done.stderr
    return Path(found[1])


def traced_and_replayed(bench: Rig, steps: str) -> tuple[Said, Said]:
    first = bench.run(steps, "--trace", "t.txt")
    bench.server.stop()
    return first, bench.run(steps, "--replay", "t.txt")


@pytest.fixture(autouse=True)
def _here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))


def test_a_replay_gives_the_same_readings_and_opens_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with rig(tmp_path) as bench:
        first = bench.run(UP + MEASURE, "--trace", "t.txt")
        before = bench.logbook.read_bytes()
        with heard() as opened:
            again = bench.run(UP + MEASURE, "--replay", "t.txt")
        for work in (5e-5, 4e-4, 2e-3):
            monkeypatch.setattr(replaying, "WORK", (work,))
            other = bench.run(UP + MEASURE, "--replay", "t.txt")
            assert other.returncode == 0, f"settling depends on how long work takes: {other.stderr}"

    assert (first.returncode, again.returncode) == (0, 0), again.stdout + again.stderr
    assert opened == []
    assert readings(replayed_logbook(again)) == readings(bench.logbook)
    assert len(readings(bench.logbook)) > 5
    assert "The replay went as the trace did" in again.stderr
    assert bench.logbook.read_bytes() == before


@pytest.mark.parametrize(
    ("supply", "meter"),
    [
        (Manners(silent_after=200), Manners()),
        (Manners(drop_after=60), Manners()),
        (Manners(), Manners(garbage_after=9)),
        (Manners(), Manners(drop_after=20)),
    ],
    ids=["a supply falls silent", "a supply hangs up", "a meter sends garbage", "a meter hangs up"],
)
def test_trouble_comes_again_as_it_came(tmp_path: Path, supply: Manners, meter: Manners) -> None:
    with rig(tmp_path, supply=supply, meter=meter) as bench:
        first, again = traced_and_replayed(bench, UP + "  - measure: [VIN, 3V3]\n  - dwell: 8 s\n")

    assert "The replay went as the trace did" in again.stderr, again.stderr
    assert again.returncode == first.returncode
    assert readings(replayed_logbook(again)) == readings(bench.logbook)
    assert outcome_said(again.stdout) == outcome_said(first.stdout)


def outcome_said(stdout: str) -> list[str]:
    """What is said of the outcome, but for which attempt it was and for how long a look had taken before.

    A message's own time-out and the end of a look's patience are the same moment, two seconds on: which of the two
    comes first is a matter of microseconds, and so is whose words tell it.
    """
    lines = [line for line in stdout.splitlines() if "(SIMULATED)" in line]
    same = r"not everything was answered within 2 s, where a look took [\d.]+ \w+"
    return [re.sub(r"\[attempt.*", "", re.sub(same, "no answer in time", line)) for line in lines]


def test_an_interruption_comes_again(tmp_path: Path) -> None:
    steps = UP + "  - dwell: 60 s\n"
    with rig(tmp_path) as bench:
        process = bench.start(steps, "--trace", "t.txt")
        wait_for(process, "step 2")
        interrupt(process, signal.SIGINT)
        again = bench.run(steps, "--replay", "t.txt")

    assert again.returncode == 3
    assert "called off by Ctrl-C" in again.stdout or "CALLED OFF" in again.stdout
    assert "The replay went as the trace did" in again.stderr


def test_a_changed_procedure_is_told_at_the_first_message_that_differs(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.run(UP + MEASURE, "--trace", "t.txt")
        again = bench.run(UP.replace("400 mA", "410 mA") + MEASURE, "--replay", "t.txt")

    assert again.returncode == 3
    told = re.search(r't.txt:(\d+): then came: supply out "(.*)\\n"; now the supply is sent "(.*)\\n"', again.stderr)
    assert told, again.stderr
    assert told[3].startswith("CURR ")
    assert float(told[3].split()[-1]) == 0.41
    line = Path("t.txt").read_text().splitlines()[int(told[1]) - 1]
    assert told[2] in line


def test_a_photo_comes_again_without_its_picture(tmp_path: Path) -> None:
    steps = UP + "  - photo: {of: Top side, file: top.png}\n" + MEASURE
    (tmp_path / "top.png").write_bytes(PNG)
    with rig(tmp_path) as bench:
        first = bench.run(steps, "--trace", "t.txt")
        (tmp_path / "top.png").unlink()
        again = bench.run(steps, "--replay", "t.txt")
        without = bench.run(UP + MEASURE, "--replay", "t.txt")

    assert (first.returncode, again.returncode) == (0, 0), again.stdout + again.stderr
    assert "The replay went as the trace did" in again.stderr
    assert "top.png, 7 x 5 Top side" in again.stdout
    assert readings(replayed_logbook(again)) == readings(bench.logbook)
    with sqlite3.connect(bench.logbook) as real, sqlite3.connect(replayed_logbook(again)) as kept:
        assert real.execute("SELECT file FROM photos").fetchall() == [("top.png",)]
        assert kept.execute("SELECT count(*) FROM photos").fetchall() == [(0,)]
        ((note,),) = kept.execute("SELECT content FROM notes").fetchall()
    assert note.startswith("photo top.png Top side, SHA-256 ")
    assert without.returncode == 3
    assert 'then came: photos reads "top.png"; now the attempt has ended' in without.stderr


def test_a_procedure_that_ends_sooner_is_told(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.run(UP + "  - measure: [VIN, 3V3]\n", "--trace", "t.txt")
        again = bench.run(UP + "  - measure: [VIN]\n", "--replay", "t.txt")

    assert again.returncode == 3
    assert "then came" in again.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="nobody can be killed so there")
def test_a_trace_of_a_killed_attempt_is_replayed_to_its_end(tmp_path: Path) -> None:
    steps = UP + "  - dwell: 60 s\n"
    with rig(tmp_path) as bench:
        process = bench.start(steps, "--trace", "t.txt")
        wait_for(process, "step 2")
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        assert process.stdout is not None
        process.stdout.close()
        again = bench.run(steps, "--replay", "t.txt")

    assert again.returncode == 3
    assert "has ended; now" in again.stderr


@pytest.mark.parametrize(
    ("text", "options", "told"),
    [
        ("# bringup traffic, form 1\n# began 2026-11-28T13:31:21+00:00\n1.0 supply uot\n", (), "t.txt:3:1: `uot`"),
        ("# bringup traffic, form 1\n# began 2026-11-28T13:31:21+00:00\n", (), "t.txt is of another bench"),
        ("", ("--continue",), "--replay does not go with --continue"),
        ("", ("--trace", "u.txt"), "--replay does not go with --trace"),
    ],
)
def test_what_cannot_be_replayed_is_refused(tmp_path: Path, text: str, options: tuple[str, ...], told: str) -> None:
    Path("t.txt").write_text(text)
    with rig(tmp_path) as bench:
        again = bench.run(UP, "--replay", "t.txt", *options)

    assert again.returncode == 2
    assert told in again.stderr


def test_a_replay_of_real_instruments_is_kept_as_simulated(tmp_path: Path) -> None:
    logbook = open_for_writing(tmp_path / "r.db", tmp_path)
    record = ReplayedRecord(logbook, simulated=True)
    record.begin(replace(start(), simulated=False))
    record.close()
    logbook.close()

    with sqlite3.connect(tmp_path / "r.db") as connection:
        assert connection.execute("SELECT simulated FROM attempts").fetchall() == [(1,)]


SELECT = Message("INST:NSEL 1")
VOLTS, ON = Message("VOLT?", ReplyKind.NUMBER), Message("OUTP?", ReplyKind.TEXT)
LOOK = (SELECT, VOLTS, ON)
OFF = (SELECT, Message("OUTP OFF"), ON)


def course(*what: str, found: list[Differs]) -> Course:
    """A trace of a supply: 'look' and 'off' are exchanges as above."""
    said = [("opened", "single", b"X"), ("out", "", b"*IDN?\n"), ("in", "part", b"WEST DOCK,S,1,1\n")]
    for number, each in enumerate(what):
        if each == "look":
            said += [("out", "", b"INST:NSEL 1\n"), ("out", "", b"VOLT?\n"), ("in", "part", b"%d\n" % number)]
            said += [("out", "", b"OUTP?\n"), ("in", "part", b"1\n")]
        else:
            said += [("out", "", b"INST:NSEL 1\n"), ("out", "", b"OUTP OFF\n"), ("out", "", b"OUTP?\n")]
            said += [("in", "part", b"0\n")]
    events = [Event(line / 100, "supply", *each, line=line) for line, each in enumerate(said, 1)]
    return Course("t.txt", "supply", events, found)


def carried_out(link: ReplayedLink, clock: SimulatedClock, *batches: tuple[Message, ...]) -> list[str]:
    """Submit one after the other; give the last answer of each."""
    last = []
    for batch in batches:
        pending = link.submit(batch)
        while not pending.done:
            clock.wait(pending.deadline)
        replies: tuple[Reply, ...] = pending.value()
        assert all(reply.fault is None for reply in replies)
        last.append(" ".join(reply.line for reply in replies if reply.line))
    return last


def opened(*what: str) -> tuple[ReplayedLink, SimulatedClock]:
    clock = SimulatedClock()
    link = ReplayedLink("supply at X", Wire(), course(*what, found=[]), clock, frozenset({SELECT.text}))
    link.open()
    clock.spend(0.03)
    return link, clock


def test_answers_come_when_they_came_then() -> None:
    link, clock = opened("look")

    assert carried_out(link, clock, LOOK) == ["0 1"]
    assert clock.monotonic() == pytest.approx(0.08)


def test_a_look_that_gave_way_then_gives_way_again() -> None:
    said = [("opened", "single", b"X"), ("out", "", b"*IDN?\n"), ("in", "part", b"WEST DOCK,S,1,1\n")]
    said += [("out", "", b"INST:NSEL 1\n"), ("out", "", b"VOLT?\n"), ("in", "part", b"3\n"), ("took", "0.01", b"")]
    said += [("failed", "gave_way", b"it gave way to switching off"), ("out", "", b"INST:NSEL 1\n")]
    said += [("out", "", b"OUTP OFF\n"), ("out", "", b"OUTP?\n"), ("in", "part", b"0\n")]
    events = [Event(line / 100, "supply", *each, line=line) for line, each in enumerate(said, 1)]
    clock = SimulatedClock()
    link = ReplayedLink("supply at X", Wire(), Course("t.txt", "supply", events, []), clock, frozenset({SELECT.text}))
    link.open()
    clock.spend(0.03)

    look = link.submit(LOOK)
    while not look.done:
        clock.wait(look.deadline)

    assert [reply.fault for reply in look.value()] == [None, None, LinkFault.GAVE_WAY]
    assert carried_out(link, clock, OFF) == ["0"]


def test_one_look_less_than_then_is_passed_over() -> None:
    link, clock = opened("look", "look", "off")

    assert carried_out(link, clock, LOOK, OFF) == ["0 1", "0"]
    assert link.other_looks == 1


def test_one_look_more_than_then_is_answered_as_the_one_before() -> None:
    link, clock = opened("look", "off")

    assert carried_out(link, clock, LOOK, LOOK, OFF) == ["0 1", "0 1", "0"]
    assert link.other_looks == 1


@pytest.mark.parametrize(
    ("then", "now"),
    [
        (("look", "off"), (LOOK, LOOK, LOOK)),
        (("look", "off", "off"), (LOOK, OFF, LOOK)),
        (("look", "look", "look", "off"), (LOOK, OFF)),
        (("look", "off", "off"), (LOOK, OFF, (SELECT, Message("OUTP ON")))),
    ],
    ids=["two looks more", "a look after something else", "two looks less", "another setting"],
)
def test_more_than_that_is_a_difference(then: tuple[str, ...], now: tuple[tuple[Message, ...], ...]) -> None:
    link, clock = opened(*then)

    with pytest.raises(Differs, match=r"t.txt:\d+: then came: supply out"):
        carried_out(link, clock, *now)


def test_after_the_first_difference_every_other_is_that_one() -> None:
    link, clock = opened("look")
    other = (Message("VOLT 24"),)

    with pytest.raises(Differs) as first:
        carried_out(link, clock, other)
    with pytest.raises(Differs) as second:
        carried_out(link, clock, OFF)

    assert second.value is first.value


def person(*said: tuple[float, str, str, bytes]) -> tuple[ReplayedPerson, SimulatedClock]:
    clock = SimulatedClock()
    events = [Event(at, "person", what, words, data, line) for line, (at, what, words, data) in enumerate(said, 4)]
    return ReplayedPerson("t.txt", events, clock, []), clock


GO = Prompt(PromptKind.CHECKLIST, "Probe 3V3 µ")
ASKED = (1.0, "asked", "checklist", GO.text.encode())


def test_the_person_answers_what_was_answered_when_it_was() -> None:
    someone, clock = person((0.1, "present", "", b""), ASKED, (7.5, "answered", "person 1 3", "größer".encode()))

    answer = someone.ask(GO)
    assert someone.attended
    assert not answer.done
    clock.wait(100.0)

    assert clock.monotonic() == 7.5
    assert answer.value() == Answer("größer", (1, 3))


def test_a_key_and_an_interruption_come_when_they_came() -> None:
    someone, clock = person((2.0, "key", "", b"q"), (3.0, "interrupted", "", b"Ctrl-C"))

    assert someone.key() is None
    clock.wait(100.0)
    assert (clock.monotonic(), someone.key(), someone.key()) == (2.0, "q", None)
    clock.wait(100.0)
    assert (clock.monotonic(), clock.interruption()) == (3.0, Interruption.CTRL_C)


def test_a_question_that_was_taken_off_the_screen_is_never_answered() -> None:
    someone, clock = person(ASKED, (2.0, "withdrawn", "", b""), ASKED, (4.0, "answered", "person", b"a"))

    first = someone.ask(GO)
    someone.withdraw()
    second = someone.ask(GO)
    clock.wait(100.0)

    assert (first.done, second.value()) == (False, Answer("a"))


def test_another_question_than_then_is_told() -> None:
    someone, _ = person(ASKED)

    with pytest.raises(Differs, match=r't.txt:4: then came: person asked checklist "Probe 3V3 \\xc2\\xb5"; now the'):
        someone.ask(Prompt(PromptKind.GO, "Probe 5V0"))


def test_every_fault_of_a_link_is_read_back() -> None:
    for fault in LinkFault:
        assert LinkFault[fault.name.lower().upper()] is fault
