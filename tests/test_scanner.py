"""The same role tests for a scanner in every dialect that ships, on a simulated scanner of that style, in memory.

The simulated scanners take their spellings from tables of their own, so that a slip in a dialect file shows here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.bench import ScannerRole
from bringup.core.channels import read_channels
from bringup.core.dialect import Dialect
from bringup.files.dialect_file import find_dialect, shipped_dialects
from bringup.runner.pending import Pending
from bringup.runner.roles import Routed
from bringup.runner.scpi_scanner import ScpiScanner
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.scanner_styles import (
    LIST_OF_CLOSED,
    OPENS_ALL,
    SCANNER_STYLES,
    STATE_BY_CHANNEL,
    ScannerStyle,
)
from bringup.simulation.style import Asked, Told
from bringup.simulation.styled_scanner import StyledScanner
from tests.fake_instrument import FakeWorld
from tests.idle_link import IdleLink

T = TypeVar("T")
CASES = {style.model: style for style in (STATE_BY_CHANNEL, OPENS_ALL, LIST_OF_CLOSED)}
MAP = {"VIN": 101, "3V3": 102, "5V0": 103}
every = pytest.mark.parametrize("name", sorted(CASES))


@dataclass
class Bench:
    world: FakeWorld
    clock: SimulatedClock
    instrument: StyledScanner
    link: MemoryLink
    scanner: ScpiScanner

    def connect(self, point: str) -> Routed:
        return self.done(self.scanner.connect(point))

    def open_all(self) -> Routed:
        return self.done(self.scanner.open_all())

    def done(self, pending: Pending[T]) -> T:
        for _ in range(1000):
            if pending.done:
                return pending.value()
            self.clock.wait(min(pending.deadline, self.clock.monotonic() + 1.0))
        raise AssertionError("nothing came")


def make(
    name: str, dialect: Dialect | None = None, style: ScannerStyle | None = None, *, ground: int | None = None
) -> Bench:
    style = CASES[name] if style is None else style
    dialect = find_dialect(style.name, ".") if dialect is None else dialect
    world, clock = FakeWorld(points={"VIN": 24.0, "3V3": 3.3, "5V0": 5.0}), SimulatedClock()
    wired = {channel: point for point, channel in MAP.items()}
    instrument = StyledScanner(world, style, wired=wired, ground=ground)
    link = MemoryLink("scanner (simulated)", instrument, clock, dialect=dialect)
    scanner = ScpiScanner(ScannerRole(None, dialect.name, MAP, ground=ground, rating=60.0), dialect, link)
    bench = Bench(world, clock, instrument, link, scanner)
    attached = bench.done(scanner.attach())
    assert attached.identity is not None
    assert attached.old_errors == ()
    return bench


def test_every_scanner_dialect_that_ships_is_among_the_cases() -> None:
    scanners = {name for name in shipped_dialects() if find_dialect(name, ".").role == "scanner"}

    assert {style.name for style in CASES.values()} == scanners == set(SCANNER_STYLES)


@every
def test_attaching_moves_no_relay(name: str) -> None:
    assert make(name).instrument.moved == []


@every
def test_a_point_is_connected_to_the_meter_and_to_nothing_else(name: str) -> None:
    bench = make(name)

    for point in ("3V3", "VIN", "5V0"):
        assert bench.connect(point).why == ""
        assert bench.world.probed == point
        assert bench.instrument.closed == {MAP[point]}
    assert bench.instrument.tied == 0


@every
def test_what_is_open_is_verified_before_anything_closes(name: str) -> None:
    bench = make(name)
    bench.connect("3V3")
    before = len(bench.link.sent)

    bench.connect("VIN")

    sent = bench.link.sent[before:]
    opened = next(index for index, text in enumerate(sent) if "OPEN" in text)
    asked = next(index for index, text in enumerate(sent) if "CLOS?" in text)
    closed = next(index for index, text in enumerate(sent) if "CLOS (@101)" in text)
    assert opened < asked < closed < max(index for index, text in enumerate(sent) if "CLOS?" in text)
    assert [move for move in bench.instrument.moved if move[0] == "open"] == [("open", 102)]


@every
def test_what_is_connected_already_is_left_alone(name: str) -> None:
    bench = make(name)
    bench.connect("3V3")
    before = len(bench.link.sent)

    assert bench.connect("3V3").why == ""
    assert bench.link.sent[before:] == []


@every
def test_a_relay_is_waited_for(name: str) -> None:
    bench = make(name)
    bench.open_all()
    before = bench.clock.monotonic()

    bench.connect("3V3")

    assert bench.clock.monotonic() - before >= CASES[name].seconds


@every
def test_all_open_is_asked_for_whatever_was_known(name: str) -> None:
    bench = make(name)
    bench.connect("3V3")

    assert bench.open_all().why == ""
    assert (bench.instrument.closed, bench.world.probed) == (set(), None)


@every
def test_a_relay_that_somebody_else_has_closed_is_opened_first(name: str) -> None:
    bench = make(name)
    bench.instrument.closed = {103}

    assert bench.connect("3V3").why == ""
    assert bench.instrument.closed == {102}
    assert bench.instrument.tied == 0


@every
def test_a_relay_that_does_not_close_is_named_with_its_point(name: str) -> None:
    bench = make(name)
    bench.instrument.stuck_open = {102}

    routed = bench.connect("3V3")

    assert routed.why == "channel 102 of the scanner did not close (3V3)"
    assert (routed.stuck, routed.lost) == (frozenset(), False)
    assert bench.connect("VIN").why == ""


@every
def test_beside_a_relay_that_does_not_open_nothing_is_closed(name: str) -> None:
    bench = make(name)
    bench.connect("3V3")
    bench.instrument.stuck_closed = {102}

    routed = bench.connect("VIN")

    assert routed.why == "channel 102 of the scanner did not open (3V3)"
    assert routed.stuck == {102}
    assert bench.instrument.closed == {102}
    assert bench.instrument.tied == 0


@every
def test_a_channel_that_does_not_exist_is_refused_by_name(name: str) -> None:
    bench = make(name)
    bench.open_all()
    bench.instrument.channels = bench.instrument.channels - {103}

    routed = bench.connect("5V0")

    assert routed.why
    assert "-222" in " ".join(trouble.text for trouble in routed.troubles)
    assert bench.instrument.closed == set()


@every
def test_a_scanner_that_is_lost_is_not_believed_any_more(name: str) -> None:
    bench = make(name)
    bench.connect("3V3")
    bench.link.troubles.lost_at = bench.clock.monotonic()

    routed = bench.connect("VIN")
    assert routed.lost
    assert routed.why.startswith("the scanner: ")
    assert ("close", 101) not in bench.instrument.moved


@every
@pytest.mark.parametrize("idle_before", ["connecting", "opening all"])
def test_a_link_that_was_dropped_while_idle_costs_a_second_try_that_opens_all_first(
    name: str, idle_before: str
) -> None:
    bench = make(name)
    bench.connect("3V3")
    idle = IdleLink(bench.link, bench.clock, idle=5.0, last=bench.clock.monotonic() - 6.0)
    bench.scanner._link = idle
    before = len(bench.link.sent)

    routed = bench.connect("VIN") if idle_before == "connecting" else bench.open_all()

    assert (routed.why, routed.lost) == ("", False)
    assert "the link is lost" in [trouble.fault for trouble in routed.troubles]
    assert bench.instrument.closed == ({101} if idle_before == "connecting" else set())
    assert bench.instrument.tied == 0
    moves = [text for text in bench.link.sent[before:] if text.startswith("ROUT:") and "?" not in text]
    assert "OPEN" in moves[0]
    assert idle.dropped


@every
def test_after_a_failure_everything_is_opened_before_anything_closes(name: str) -> None:
    bench = make(name)
    bench.connect("3V3")
    bench.link.troubles.silent_from = bench.clock.monotonic()
    bench.link.troubles.obeys_while_silent = True
    assert bench.connect("VIN").lost
    bench.link.troubles.silent_until = bench.clock.monotonic()

    assert bench.connect("VIN").why == ""
    assert bench.instrument.closed == {101}
    assert bench.instrument.tied == 0


def test_grounds_channel_is_closed_beside_the_points_and_stays() -> None:
    bench = make("SCANNER-10", ground=120)

    assert [bench.connect(point).why for point in ("3V3", "VIN")] == ["", ""]
    assert bench.instrument.closed == {101, 120}
    assert [move for move in bench.instrument.moved if move[1] == 120] == [("close", 120)]
    assert bench.world.probed == "VIN"


def test_garbage_where_the_state_was_asked_is_no_state() -> None:
    bench = make("SCANNER-10")
    bench.link.troubles.garbage["ROUT:CLOS? (@101,102,103)"] = "1,0"

    routed = bench.connect("3V3")
    assert routed.lost
    assert routed.why == "the scanner does not say which channels are closed: '1,0'"


def test_relays_that_never_rest_connect_nothing() -> None:
    bench = make("SCANNER-10", style=replace(STATE_BY_CHANNEL, seconds=60.0))

    assert bench.connect("3V3").why == "the relays of the scanner do not come to rest (3V3)"


OWN = """
dialect: plain-words
role: scanner
checked_against: simulated; no hardware yet
operations:
  identify: {query: '*IDN?', reply: identity}
  close: {send: 'JOIN (@{channels})'}
  open: {send: 'PART (@{channels})'}
  closed_channels: {query: 'JOINED?', reply: channels}
"""


def test_a_dialect_of_ones_own_takes_one_file_and_no_code(tmp_path: Path) -> None:
    (tmp_path / "plain-words.yaml").write_text(OWN, encoding="utf-8")
    words = (Told("JOIN {list}", "close"), Told("PART {list}", "open"))
    style = ScannerStyle("plain-words", "SCANNER-90", words, (Asked("JOINED?", "list"),))
    bench = make("", find_dialect("plain-words", tmp_path), style)

    assert [bench.connect(point).why for point in ("3V3", "VIN")] == ["", ""]
    assert bench.world.probed == "VIN"
    assert bench.instrument.tied == 0


@given(st.frozensets(st.integers(1, 999), max_size=30))
def test_a_channel_list_is_read_as_it_was_written(channels: frozenset[int]) -> None:
    inside = f"(@{','.join(map(str, sorted(channels)))})"
    count = str(len(inside))

    assert read_channels(inside) == channels
    assert read_channels(f"#{len(count)}{count}{inside}\r\n") == channels


@pytest.mark.parametrize(
    ("line", "channels"),
    [
        ("(@101:103)", {101, 102, 103}),
        ("#214(@101,102,103)", {101, 102, 103}),
        ("#13(@)", set()),
        ("(@)", set()),
        ("(@101,)", None),
        ("(@103:101)", None),
        ("(@1:999999)", None),
        ("#15(@1)", None),
        ("101", None),
        ("", None),
    ],
)
def test_lists_as_instruments_write_them(line: str, channels: set[int] | None) -> None:
    assert read_channels(line) == channels


def test_on_a_round_of_points_every_close_is_followed_by_its_open() -> None:
    bench = make("SCANNER-20")
    for point in ("3V3", "VIN", "5V0", "3V3"):
        bench.connect(point)

    assert all(first[0] != second[0] for first, second in pairwise(bench.instrument.moved))
