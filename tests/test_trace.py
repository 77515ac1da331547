"""`--trace`: its lines, its file on bad disks, and what a whole attempt leaves in it."""

from __future__ import annotations

import os
import signal
import string
import sys
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.core.traffic import EVENTS, EXPLAINED, Event, escaped, read, unescaped, written
from bringup.errors import CommandError, FileError
from bringup.files.traffic_file import Traffic, load_traffic
from bringup.host.traffic_file import TrafficFile, begin
from bringup.instruments.traced import TracedLink
from bringup.instruments.wire import Wire
from bringup.runner.records import LinkFault
from tests.link_helpers import ask
from tests.rig import UP, rig, wait_for
from tests.scripted_server import IDENTITY, ScriptedServer

MEASURE = "  - measure: [VIN, 3V3]\n"


@given(st.binary())
def test_any_bytes_come_back_from_plain_ascii(data: bytes) -> None:
    text = escaped(data)

    assert text.isascii()
    assert text.isprintable()
    assert unescaped(text) == data


words = {
    "opened": "joined",
    "not_opened": "timeout",
    "in": "part",
    "silent": "0.300",
    "unsent": "lost",
    "broken": "lost",
    "took": "0.044012",
    "failed": "timeout",
    "lost": "12",
    "asked": "choice",
    "answered": "person 1 30",
    "heard": "0",
    **dict.fromkeys(("looks", "looked", "reads", "unread"), "3"),
    "seen": "3 129 1764400000000000000",
    "read": f"4 png 640 480 {1 << 20} {'0a' * 32}",
}


@given(st.sampled_from(list(EVENTS)), st.integers(0, 10**11), st.binary())
def test_every_event_comes_back_from_its_line(what: str, at: int, data: bytes) -> None:
    event = Event(at / 1e6, "supply", what, words.get(what, ""), data if EVENTS[what][1] else b"", 7)

    assert read(written(event), 7) == event


@given(st.text(string.printable) | st.text())
def test_any_other_line_means_nothing_or_is_refused_in_words(line: str) -> None:
    try:
        event = read(line, 1)
    except ValueError as error:
        assert str(error)  # noqa: PT017 - which of many faults, only chance knows
    else:
        assert event is None or read(written(event), 1) == event


def test_faults_of_links_are_spelt_as_the_links_name_them() -> None:
    assert set(EVENTS["broken"][0].split("|")) == {fault.name.lower() for fault in LinkFault}


def test_the_head_of_a_file_explains_every_word_in_it() -> None:
    head = " ".join(EXPLAINED)

    assert [what for what in EVENTS if what not in head] == []
    assert max(map(len, EXPLAINED)) <= 120


def damaged(tmp_path: Path, *lines: str) -> str:
    file = tmp_path / "t.txt"
    file.write_bytes("\n".join(lines).encode("utf-8"))
    with pytest.raises(FileError) as refused:
        load_traffic(file)
    return str(refused.value).replace(str(file), "t.txt")


HEAD = ("# bringup traffic, form 1", "# began 2026-11-28T13:31:21.040415+00:00")


def test_every_damaged_line_is_told_with_its_number(tmp_path: Path) -> None:
    said = damaged(tmp_path, *HEAD, '1.0 supply out "a\\q"', '1.1 supply out "OK"', "1.2 supply uot", '2 x in "µ"', "")

    assert "t.txt:3:1: \\q stands for nothing" in said
    assert "t.txt:5:1: `uot` is none of opened" in said
    assert "t.txt:6:1: this is not: seconds" in said
    assert "t.txt:4" not in said


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        (("steps:", ""), "t.txt:1:1: a trace begins"),
        ((HEAD[0], "# began yesterday", ""), "t.txt:2:1: here stands when it began"),
        ((*HEAD, "1.0 trace  lost 12", ""), "t.txt:3:1: 12 lines are missing here"),
        ((*HEAD, *["x"] * 30, ""), "10 more lines are no lines of a trace"),
    ],
)
def test_a_file_that_is_no_trace_is_refused(tmp_path: Path, lines: tuple[str, ...], told: str) -> None:
    assert told in damaged(tmp_path, *lines)


def test_a_trace_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="it cannot be read"):
        load_traffic(tmp_path / "none.txt")


def test_a_line_cut_short_at_the_end_is_left_out(tmp_path: Path) -> None:
    file = tmp_path / "t.txt"
    file.write_text("\r\n".join((*HEAD, '1.0 supply out "*IDN?\\n"', '1.1 supply out "MEA')), newline="")

    found = load_traffic(file)

    assert found.cut
    assert found.events == (Event(1.0, "supply", "out", "", b"*IDN?\n", 3),)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no device here that is always full")
def test_a_full_disk_is_told_once_and_noting_goes_on_for_nothing() -> None:
    told: list[str] = []
    heard = threading.Event()

    def hear(text: str) -> None:
        told.append(text)
        heard.set()

    trace = TrafficFile(Path("/dev/full").open("w", encoding="ascii"), "t.txt", "run")  # noqa: SIM115 - it closes it
    trace.tell_trouble(hear)

    assert heard.wait(5)
    trace.note("supply", "out", data=b"OUTP?\n")
    trace.close()

    assert len(told) == 1
    assert "t.txt cannot be written" in told[0]
    assert "The attempt goes on" in told[0]


def test_a_disk_that_hangs_keeps_nobody_waiting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bringup.host.traffic_file.MOST_WAITING", 10)
    monkeypatch.setattr("bringup.host.traffic_file.LAST_WITHIN", 0.05)
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)
    reader = os.open(fifo, os.O_RDONLY | os.O_NONBLOCK)
    trace = TrafficFile(fifo.open("w", encoding="ascii"), "t.txt", "run")
    for _ in range(200):  # More than a pipe holds that nobody reads, then more than is kept.
        trace.note("supply", "in", "part", b"\x00" * 20_000)
    trace.close()

    assert "the disk does not take its last lines" in trace.trouble
    os.close(reader)
    assert trace.trouble.count("cannot be written") == 1


def test_a_file_that_is_there_is_never_written_over(tmp_path: Path) -> None:
    (tmp_path / "t.txt").write_text("of yesterday")

    with pytest.raises(CommandError, match="is there already"):
        begin(tmp_path / "t.txt", "run")
    assert (tmp_path / "t.txt").read_text() == "of yesterday"


def test_time_outs_strays_and_a_new_connection_are_in_the_trace(tmp_path: Path) -> None:
    trace = begin(tmp_path / "t.txt", "run")
    question = Message("READ?", ReplyKind.NUMBER, 0.2)

    def silent_at_first(connection: int, line: str) -> bytes:
        return IDENTITY if line == "*IDN?" else (b"", b"hello\n+1.5\n")[connection]

    with ScriptedServer(silent_at_first) as server:
        wire = Wire(identify=Message("*IDN?", ReplyKind.IDENTITY, 0.3), recovery=0.3)
        link = TracedLink("meter", server.resource, wire, note=trace.note)
        first, second = ask(link, question)[0], ask(link, question)[0]
        link.close()
    trace.close()

    assert (first.fault, second.line) == (LinkFault.TIMEOUT, "+1.5")
    found = load_traffic(tmp_path / "t.txt")
    assert [event.what for event in found.events if event.what not in ("out", "in", "took")] == [
        "opened",
        "silent",
        "closed",
        "failed",
        "opened",
        "stray",
        "closed",
    ]
    assert next(event.data for event in found.events if event.what == "stray") == b"hello"


@pytest.fixture(scope="module")
def traced(tmp_path_factory: pytest.TempPathFactory) -> Traffic:
    """What a short attempt leaves."""
    folder = tmp_path_factory.mktemp("traced")
    with rig(folder) as bench:
        finished = bench.run(UP + MEASURE, "--trace", str(folder / "t.txt"))
        assert finished.returncode == 0, finished.stdout + finished.stderr
    return load_traffic(folder / "t.txt")


def test_a_trace_has_every_message_of_the_attempt_from_first_to_last(traced: Traffic) -> None:
    for role in ("supply", "meter"):
        mine = [event for event in traced.events if event.who == role]
        assert (mine[0].what, mine[1].what, mine[1].data, mine[-1].what) == ("opened", "out", b"*IDN?\n", "closed")
        assert mine[0].text.startswith("TCPIP0::127.0.0.1")
        times = [event.at for event in mine if event.what != "took"]
        assert times == sorted(times)
    asked = [event for event in traced.events if event.what == "out" and b"?" in event.data]
    came = [event for event in traced.events if event.what == "in"]
    assert len(came) >= len(asked) > 50
    assert b"OUTP ON\n" in {event.data for event in traced.events}


@pytest.mark.parametrize("file", ["none/t.txt", "t.txt"])
def test_a_trace_that_cannot_be_begun_is_refused_before_anything_is_opened(tmp_path: Path, file: str) -> None:
    (tmp_path / "t.txt").write_text("of yesterday")
    with rig(tmp_path) as bench:
        finished = bench.run(UP, "--trace", str(tmp_path / file))

    assert finished.returncode == 2
    assert "Name another file for --trace" in finished.stderr
    assert "Nothing was opened" in finished.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="nobody can be killed so there")
def test_a_killed_attempt_leaves_a_trace_up_to_its_last_moments(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        process = bench.start(UP + "  - dwell: 60 s\n", "--trace", str(tmp_path / "t.txt"))
        wait_for(process, "step 2")
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        assert process.stdout is not None
        process.stdout.close()

    sent = [event.data for event in load_traffic(tmp_path / "t.txt").events if event.what == "out"]
    assert any(b"VOLT 24" in data for data in sent), sent[-10:]


def test_bench_keeps_a_trace_too(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        finished = bench.call(bench.command("bench", "--bench", str(bench.bench), "--trace", str(tmp_path / "t.txt")))
        assert finished.returncode == 0, finished.stderr

    assert {event.who for event in load_traffic(tmp_path / "t.txt").events} == {"supply", "meter"}
