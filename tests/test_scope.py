"""The same role tests for a scope in every dialect that ships, on a simulated scope of that style, in memory.

The simulated scopes take their spellings from tables of their own, so that a slip in a dialect file shows here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.bench import ScopeRole
from bringup.core.dialect import Dialect
from bringup.core.picture import read_picture
from bringup.files.dialect_file import find_dialect, shipped_dialects
from bringup.runner.pending import Pending
from bringup.runner.scpi_scope import PeakToPeak, Pictured, ScpiScope, SetUp
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.scope_screen import bmp, png, rows
from bringup.simulation.scope_styles import SCOPE_STYLES, VPP_BY_CHANNEL, ScopeStyle
from bringup.simulation.style import Asked, Told
from bringup.simulation.styled_scope import StyledScope
from tests.fake_instrument import FakeWorld

T = TypeVar("T")
every = pytest.mark.parametrize("name", sorted(SCOPE_STYLES))
pictured = pytest.mark.parametrize("name", sorted(set(SCOPE_STYLES) - {"simple-item"}))
ASKED_FOR = {
    "vpp-by-channel": ":MEAS:VPP? CHAN2",
    "measurement-place": "MEAS1:RES?",
    "item-by-channel": ":MEAS:ITEM? VPP,CHAN2",
    "simple-item": ":MEAS:SIMP:VAL? PKPK",
}
FORCED = {"item-by-channel", "simple-item"}
"""One acquisition of these waits for a trigger whatever the sweep, so one is forced."""
SCALE, TIME_BASE = 20e-3, 1e-3
RIPPLE = 10e-3
"""RMS volts at the probe."""
SCREEN = rows(0.03, SCALE, 8)


@dataclass
class Bench:
    world: FakeWorld
    clock: SimulatedClock
    instrument: StyledScope
    link: MemoryLink
    scope: ScpiScope

    def set_up(self, scale: float = SCALE) -> SetUp:
        return self.done(self.scope.set_up(scale, TIME_BASE))

    def measure(self) -> PeakToPeak:
        return self.done(self.scope.peak_to_peak())

    def picture(self) -> Pictured:
        return self.done(self.scope.screen_picture())

    def done(self, pending: Pending[T]) -> T:
        for _ in range(3000):
            if pending.done:
                return pending.value()
            self.clock.wait(min(pending.deadline, self.clock.monotonic() + 1.0))
        raise AssertionError("nothing came")


def make(name: str, dialect: Dialect | None = None, style: ScopeStyle | None = None, *, channel: int = 2) -> Bench:
    style = SCOPE_STYLES[name] if style is None else style
    dialect = find_dialect(name, ".") if dialect is None else dialect
    world, clock = FakeWorld(points={"3V3": 3.3}), SimulatedClock()
    world.probe("3V3", 0.0)
    world.noise = RIPPLE
    instrument = StyledScope(world, style, channel=channel)
    link = MemoryLink("scope (simulated)", instrument, clock, dialect=dialect)
    scope = ScpiScope(ScopeRole(None, dialect.name, channel, probe=10.0), dialect, link)
    bench = Bench(world, clock, instrument, link, scope)
    assert bench.done(scope.attach()).old_errors == ()
    return bench


def test_every_scope_dialect_that_ships_is_among_the_cases() -> None:
    assert {name for name in shipped_dialects() if find_dialect(name, ".").role == "scope"} == set(SCOPE_STYLES)


@every
def test_attaching_sets_nothing(name: str) -> None:
    assert all("?" in text for text in make(name).link.sent)


@every
def test_a_channel_is_set_up_for_ripple_and_read_back(name: str) -> None:
    bench = make(name)

    done = bench.set_up()

    assert (done.why, done.unchecked, done.unset, done.troubles) == ("", (), (), ())
    assert all(bench.instrument.setting(what, 2) is True for what in ("show", "couple", "limit"))
    assert bench.instrument.setting("sweep") is True
    levels = [bench.instrument.setting(what, 2) for what in ("probe", "scale")]
    assert [*levels, bench.instrument.setting("time base")] == [10.0, SCALE, TIME_BASE]


@every
def test_ripple_is_measured_from_peak_to_peak_in_a_new_acquisition_each_time(name: str) -> None:
    bench = make(name)
    bench.set_up()

    for count, noise in enumerate((RIPPLE, 2 * RIPPLE), start=1):
        bench.world.noise = noise
        value = bench.measure().value
        assert value.number == pytest.approx(2 * math.sqrt(3) * noise, abs=0.05 * SCALE)
        assert bench.instrument.acquired == count


@every
def test_the_measurement_waits_for_the_acquisition(name: str) -> None:
    bench = make(name)
    bench.done(bench.scope.set_up(SCALE, 0.1))
    before = bench.clock.monotonic()

    assert bench.measure().value.number is not None
    assert bench.clock.monotonic() - before >= 12 * 0.1


@every
def test_before_it_is_set_up_nothing_is_measured(name: str) -> None:
    assert make(name).measure().value.why == "the scope is not set up"


@every
def test_a_wave_that_does_not_fit_on_the_screen_has_no_value(name: str) -> None:
    bench = make(name)
    bench.set_up(scale=2e-3)

    value = bench.measure().value

    assert value.number is None
    assert value.why


@every
def test_a_number_that_fills_the_screen_is_clipped_whatever_the_scope_says(name: str) -> None:
    bench = make(name)
    bench.set_up()
    query = ASKED_FOR[name]
    bench.link.troubles.garbage[query] = "1.6E-1"

    value = bench.measure().value

    assert (value.number, value.over_range) == (None, 1)
    assert value.why == "clipped: 0.16 V reach the edges of a screen 0.16 V high"


@every
@pytest.mark.parametrize("said", ["9.9E37", "+9.90000E+37", "9.91E37", "-9.9E37", "-1.0E-3", "NAN"])
def test_what_instruments_say_for_no_measurement_is_no_value(name: str, said: str) -> None:
    bench = make(name)
    bench.set_up()
    query = ASKED_FOR[name]
    bench.link.troubles.garbage[query] = said

    value = bench.measure().value

    assert value.number is None
    assert value.why


@pytest.mark.parametrize("name", sorted(set(SCOPE_STYLES) - FORCED))
def test_without_a_trigger_there_is_no_value(name: str) -> None:
    bench = make(name)
    bench.set_up()
    bench.instrument.triggers = False
    bench.instrument._on["sweep", 0] = False  # somebody at the panel

    value = bench.measure().value

    assert value.number is None
    assert value.why.startswith("the acquisition did not end (no trigger?)")


@pytest.mark.parametrize("name", sorted(FORCED))
def test_one_whose_trigger_is_forced_needs_none(name: str) -> None:
    bench = make(name)
    bench.set_up()
    bench.instrument.triggers = False

    assert bench.measure().value.number is not None
    assert bench.instrument.acquired == 1


def test_where_no_picture_can_be_asked_for_that_is_said() -> None:
    assert make("simple-item").picture().picture.why == "the dialect simple-item has no word for a picture"


@every
def test_a_setting_that_did_not_come_about_is_named(name: str) -> None:
    bench = make(name)
    query = "CHAN2:BAND?" if name == "measurement-place" else ":CHAN2:BWL?"
    bench.link.troubles.garbage[query] = SCOPE_STYLES[name].words["limit"][0]

    assert bench.set_up().why.startswith("it is to be limited to 20 MHz, and answers ")
    assert bench.measure().value.number is None


@every
def test_a_channel_that_does_not_exist_is_refused(name: str) -> None:
    bench = make(name, style=replace(SCOPE_STYLES[name], channels=1))

    done = bench.set_up()

    assert ("-222" in done.why) if name != "simple-item" else done.why, "without a queue the read-back is missing"
    assert bench.measure().value.why == "the scope is not set up"


@every
def test_a_scope_that_is_lost_has_no_value_and_is_set_up_anew(name: str) -> None:
    bench = make(name)
    bench.set_up()
    bench.link.troubles.lost_at = bench.clock.monotonic()

    assert bench.measure().value.number is None
    bench.link.troubles.lost_at = math.inf
    assert bench.measure().value.why == "the scope is not set up"
    assert bench.set_up().why == ""
    assert bench.measure().value.number is not None


@pictured
def test_the_screen_comes_as_a_whole_picture(name: str) -> None:
    bench = make(name)
    bench.set_up()
    bench.measure()

    pictured = bench.picture()

    assert (pictured.picture.why, pictured.troubles) == ("", ())
    assert pictured.picture.kind == SCOPE_STYLES[name].picture


@pictured
def test_a_block_that_is_cut_short_is_no_picture(name: str) -> None:
    bench = make(name)
    bench.instrument.cut_short = 1

    pictured = bench.picture()

    assert pictured.picture.data == b""
    assert pictured.picture.why.startswith("no picture came: ")
    assert len(pictured.troubles[0].text) < 300


@pictured
@pytest.mark.parametrize("data", [b"", b"GIF89a", b"BM\n\n", b"\x89PNG\r\n\x1a\n\x00"])
def test_what_is_no_picture_is_said_to_be_none(name: str, data: bytes) -> None:
    bench = make(name)
    bench.instrument.shows = data

    picture = bench.picture().picture

    assert (picture.kind, picture.data) == ("", b"")
    assert picture.why


@pictured
def test_a_scope_that_is_lost_brings_no_picture(name: str) -> None:
    bench = make(name)
    bench.link.troubles.lost_at = bench.clock.monotonic()

    assert bench.picture().picture.why.startswith("no picture came: ")


OWN = """
dialect: plain-words
role: scope
checked_against: simulated; no hardware yet
divisions: 10
operations:
  identify: {query: '*IDN?', reply: identity}
  show_channel: none
  set_coupling: {send: 'AC {channel} {on}', spelt: {on: YES, off: NO}}
  set_bandwidth_limit: {send: 'CALM {channel} {on}', query: 'CALM? {channel}', reply: text, words: {YES: on, NO: off}}
  set_scale: {send: 'TALL {channel} {value}', query: 'TALL? {channel}', reply: number}
  set_time_base: {send: 'LONG {value}', query: 'LONG?', reply: number}
  acquire: {send: 'ONCE'}
  acquired: {query: 'DONE?', reply: boolean}
  peak_to_peak: {query: 'SPAN? {channel}', reply: number}
  screen_picture: none
"""


def test_a_dialect_of_ones_own_takes_one_file_and_no_code(tmp_path: Path) -> None:
    (tmp_path / "plain-words.yaml").write_text(OWN, encoding="utf-8")
    style = replace(
        VPP_BY_CHANNEL,
        words={"show": ("NO", "YES"), "couple": ("NO", "YES"), "limit": ("NO", "YES"), "sweep": ("NO", "YES")},
        tells=(
            Told("AC {n} {word}", "couple"),
            Told("CALM {n} {word}", "limit"),
            Told("TALL {n} {x}", "scale"),
            Told("LONG {x}", "time base"),
            Told("ONCE", "acquire"),
        ),
        asks=(
            Asked("CALM? {n}", "limit"),
            Asked("TALL? {n}", "scale"),
            Asked("LONG?", "time base"),
            Asked("DONE?", "done"),
            Asked("SPAN? {n}", "measure"),
        ),
    )
    bench = make("", find_dialect("plain-words", tmp_path), style)
    bench.instrument._on["show", 2] = True

    done = bench.set_up()

    assert (done.why, done.unchecked) == ("", ("coupled to AC",))
    assert done.unset == ("shown", "probe 10", "free running")
    assert bench.measure().value.number == pytest.approx(2 * math.sqrt(3) * RIPPLE, abs=0.05 * SCALE)
    assert bench.picture().picture.why == "the dialect plain-words has no word for a picture"


def test_without_a_word_for_the_limit_to_20_mhz_nothing_is_measured() -> None:
    dialect = find_dialect("vpp-by-channel", ".")
    left = {name: one for name, one in dialect.operations.items() if name != "set_bandwidth_limit"}
    bench = make("vpp-by-channel", replace(dialect, operations=left))

    assert bench.set_up().why == "the dialect vpp-by-channel has no word for: limited to 20 MHz"
    assert bench.measure().value.number is None


@given(st.sampled_from((png(SCREEN), bmp(SCREEN))), st.data())
def test_no_picture_that_is_cut_short_passes_for_one(whole: bytes, data: st.DataObject) -> None:
    cut = data.draw(st.integers(0, len(whole) - 1))
    part = whole[:cut].decode("latin-1")

    assert read_picture(f"#9{len(whole):09d}{whole.decode('latin-1')}").data == whole
    assert read_picture(f"#9{cut:09d}{part}").data == b""
    assert read_picture(f"#9{len(whole):09d}{part}").data == b""
