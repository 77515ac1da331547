"""A serial line in a trace, and again out of it: what came comes when it did, what is sent is what was sent then."""

from __future__ import annotations

import pytest

from bringup.core.traffic import Differs, Event, read, written
from bringup.instruments.replayed_line import ReplayedLine
from bringup.instruments.traced_line import TracedLine, names_in_traces
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.memory_line import MemoryLine


class Kept:
    """What was told, as a trace file has it."""

    def __init__(self, clock: SimulatedClock) -> None:
        self._clock = clock
        self.lines: list[str] = []

    def note(self, who: str, what: str, words: str = "", data: bytes = b"", at: float | None = None) -> None:
        self.lines.append(written(Event(self._clock.monotonic() if at is None else at, who, what, words, data)))

    @property
    def events(self) -> list[Event]:
        found = [read(line, number) for number, line in enumerate(self.lines, 1)]
        return [event for event in found if event is not None]


def a_trace() -> list[Event]:
    """Text at 1 s and 2 s, a line that is gone at 3 s, and a command sent at 4 s."""
    clock = SimulatedClock()
    kept, memory = Kept(clock), MemoryLine(clock)
    line = TracedLine(memory, "line1", kept.note)
    clock.at(1.0, lambda: memory.push(b'ready "1"\r\n', lost=7))
    clock.at(2.0, lambda: memory.push(b"\xff\n", news="the line is back"))
    for _ in range(2):
        clock.wait(10.0)
        line.take()
    clock.wait(3.0)
    memory.gone = "unplugged"
    assert line.gone == "unplugged"
    assert line.gone == "unplugged"
    clock.wait(4.0)
    assert line.send(b"temp\r\n").value() == "unplugged"
    return kept.events


def test_what_came_comes_again_when_it_did() -> None:
    clock = SimulatedClock()
    line = ReplayedLine("t.txt", "line1", a_trace(), clock, [])

    clock.wait(10.0)
    assert (clock.monotonic(), line.waiting) == (1.0, True)
    (first,) = line.take()
    clock.wait(1.5)
    nothing = line.take()
    clock.wait(2.5)
    rest = line.take()
    while clock.monotonic() < 2.5:
        clock.wait(2.5)
        rest = [*rest, *line.take()]
    there = line.gone
    clock.wait(3.5)

    assert (first.monotonic, first.data, first.lost) == (1.0, b'ready "1"\r\n', 7)
    assert not nothing
    assert [(each.monotonic, each.data, each.news) for each in rest] == [
        (2.0, b"\xff\n", ""),
        (2.0, b"", "the line is back"),
    ]
    assert (there, line.gone) == ("", "unplugged")


def test_what_is_sent_is_answered_as_it_was_and_anything_else_differs() -> None:
    clock, found = SimulatedClock(), list[Differs]()
    line = ReplayedLine("t.txt", "line1", a_trace(), clock, found)

    sent = line.send(b"temp\r\n")
    while not sent.done:
        clock.wait(10.0)
    assert sent.value() == "unplugged"
    with pytest.raises(Differs, match=r't\.txt: then nothing more was sent; now line1 is told "temp\\r\\n"'):
        line.send(b"temp\r\n")
    other = ReplayedLine("t.txt", "line1", a_trace(), SimulatedClock(), found)
    with pytest.raises(Differs):
        other.send(b"sleep\r\n")
    assert len(found) == 2


def test_a_name_of_a_bench_file_is_no_word_of_a_trace() -> None:
    assert names_in_traces({"Console 2": 1, "A": 2}) == {"A": "line1", "Console 2": "line2"}
