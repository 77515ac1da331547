"""The same role tests for an electronic load in every dialect that ships, on a simulated load of that style, in memory.

The simulated loads take their spellings from tables of their own, so that a slip in a dialect file shows here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import pytest

from bringup.core.bench import LoadRole
from bringup.core.dialect import Dialect, can_ask, can_tell, usable
from bringup.core.models import as_model, pick
from bringup.errors import BenchError
from bringup.files.dialect_file import find_dialect, shipped_dialects
from bringup.runner.load_replies import TRIPS
from bringup.runner.pending import Pending
from bringup.runner.scpi_load import ScpiLoad
from bringup.simulation import load_styles as styles
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.load_style import LoadStyle
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.styled_load import StyledLoad
from tests.fake_instrument import FakeWorld

T = TypeVar("T")
known_dialect = cache(find_dialect)
approx: Any = pytest.approx

CASES: dict[str, LoadStyle] = {style.model: style for style in (*styles.LOAD_STYLES, styles.STOPS_IN_EVERY_FUNCTION)}
STOPS_IN_CURRENT_ONLY = {"LOAD-3"}
NO_WATTS = {"LOAD-5"}
NO_TRIPS = {"LOAD-3", "LOAD-3S", "LOAD-5"}
TWO_CHANNELS = ["LOAD-2", "LOAD-4"]
LEVELS = {"current": 0.05, "resistance": 100.0, "power": 0.2}


@dataclass
class Bench:
    world: FakeWorld
    clock: SimulatedClock
    instrument: StyledLoad
    link: MemoryLink
    load: ScpiLoad
    dialect: Dialect

    def done(self, pending: Pending[T]) -> T:
        for _ in range(100):
            if pending.done:
                return pending.value()
            self.clock.wait(self.clock.monotonic() + 1.0)
        raise AssertionError("nothing came")

    def set_up(self, mode: str, level: float, channel: int = 1) -> None:
        for done in (
            self.done(self.load.set_mode(channel, mode)),
            self.done(self.load.set_range(channel, mode, level)),
            self.done(self.load.set_level(channel, mode, level)),
        ):
            assert done.faultless, done


def made(style: LoadStyle, dialect: Dialect, points: dict[str, int]) -> Bench:
    world, clock = FakeWorld(), SimulatedClock()
    instrument = StyledLoad(world, style, pace=0.0)
    link = MemoryLink("load (simulated)", instrument, clock, dialect=dialect)
    load = ScpiLoad(LoadRole(None, dialect.name, points), dialect, link, monotonic=clock.monotonic)
    return Bench(world, clock, instrument, link, load, dialect)


def make(name: str, **points: int) -> Bench:
    style = CASES[name]
    return made(style, known_dialect(style.name, "."), points or {"3V3": 1})


def attached(name: str, **points: int) -> Bench:
    bench = make(name, **points)
    bench.done(bench.load.attach())
    return bench


every = pytest.mark.parametrize("name", sorted(CASES))
in_every_mode = pytest.mark.parametrize("mode", sorted(LEVELS))


def test_every_load_dialect_that_ships_is_among_the_cases() -> None:
    loads = {name for name in shipped_dialects() if known_dialect(name, ".").role == "load"}

    assert {style.name for style in CASES.values()} == loads
    for name, style in CASES.items():
        bench = attached(name)
        assert bench.link.identity is not None
        model = as_model(known_dialect(style.name, "."), bench.link.identity.text)
        assert can_ask(model, "measure_power") == (name not in NO_WATTS), name
        assert any(can_ask(model, trip) for trip in TRIPS) == (name not in NO_TRIPS), name
        assert usable(model, "set_stop_voltage", "current"), name
        assert usable(model, "set_stop_voltage", "power") == (name not in STOPS_IN_CURRENT_ONLY), name
        assert can_tell(model, "clear_trip") == (name not in NO_TRIPS), name


@every
def test_attaching_changes_nothing_and_never_switches_on(name: str) -> None:
    bench = make(name)
    channel = bench.instrument.channels[1]
    channel.mode, channel.stop = "power", 2.0
    channel.levels["power"] = 3.0
    found = bench.done(bench.load.attach())

    assert found.identity is not None
    assert found.identity.simulated
    assert found.old_errors == ()
    assert (channel.mode, channel.stop, channel.levels["power"], channel.on) == ("power", 2.0, 3.0, False)
    assert not any(
        text.upper().rstrip().endswith((" ON", " 1", "ON,(@1)")) and "INP" in text for text in bench.link.sent
    )


@every
@in_every_mode
def test_mode_and_level_are_set_read_back_and_drawn(name: str, mode: str) -> None:
    bench = attached(name)
    unloaded = 3.3
    bench.set_up(mode, LEVELS[mode])
    found = bench.done(bench.load.settings(1))
    assert (found.mode, found.level, found.on, found.troubles) == (mode, approx(LEVELS[mode]), False, ())

    on = bench.done(bench.load.switch(1, True))
    assert (on.on, on.faultless) == (True, True), on
    sample = bench.done(bench.load.poll(1))
    assert sample.volts == approx(3.3, abs=0.005)
    expected = {"current": 0.05, "resistance": unloaded / 100.0, "power": 0.2 / unloaded}[mode]
    assert sample.amps == approx(expected, rel=0.02)
    assert sample.watts == (None if name in NO_WATTS else approx(expected * unloaded, rel=0.02))
    assert (sample.mode, sample.level, sample.on) == (mode, approx(LEVELS[mode]), True)
    assert (sample.tripped, sample.fault) == (None, None)

    off = bench.done(bench.load.switch(1, False))
    assert (off.on, off.faultless, bench.world.loads.is_on(1)) == (False, True, False), off
    assert bench.done(bench.load.poll(1)).amps == approx(0.0, abs=1e-3)


@every
def test_it_senses_where_the_bench_file_says_and_cannot_where_its_dialect_has_no_word(name: str) -> None:
    bench = attached(name)
    local = bench.done(bench.load.sense(1))
    assert local.faultless, local
    assert bench.instrument.channels[1].remote is False
    role = LoadRole(None, bench.dialect.name, {"3V3": 1}, remote_sense=True)
    remote = bench.done(ScpiLoad(role, bench.dialect, bench.link).sense(1))

    assert remote.faultless == bench.instrument.channels[1].remote == (name not in {"LOAD-4", "LOAD-5"})


def test_a_channel_that_this_model_has_not_is_refused_when_it_answers() -> None:
    bench = make("LOAD-2", **{"3V3": 2})
    bench.link.troubles.identity = "Keysight Technologies,EL34143A,XX00000000,1.0.0"
    with pytest.raises(BenchError, match="the bench file speaks of channel 2 of the load, which has 1"):
        bench.done(bench.load.attach())


@every
def test_a_look_asks_nothing_twice(name: str) -> None:
    bench = attached(name)
    before = len(bench.link.sent)
    bench.done(bench.load.poll(1))
    sent = bench.link.sent[before:]

    assert len(sent) == len(set(sent))


@every
def test_a_level_that_is_too_much_does_not_pass_unseen(name: str) -> None:
    bench = attached(name)
    bench.set_up("current", 0.01)
    done = bench.done(bench.load.set_level(1, "current", 99.0))

    assert not done.faultless or done.readback == approx(0.01)


@every
def test_it_stops_when_the_rail_falls_below_its_stop_voltage(name: str) -> None:
    bench = attached(name)
    bench.set_up("current", LEVELS["current"])
    stop = bench.done(bench.load.set_stop_voltage(1, "current", 2.5))
    assert (stop.readback, stop.faultless) == (approx(2.5), True), stop
    bench.done(bench.load.switch(1, True))
    assert bench.done(bench.load.poll(1)).amps == approx(0.05, abs=0.001)

    bench.world.loads.at[1] = 2.4
    assert bench.done(bench.load.poll(1)).volts == approx(2.4, abs=0.005)
    assert bench.world.loads.stopped(1, bench.clock.monotonic())
    assert bench.done(bench.load.poll(1)).amps == approx(0.0, abs=1e-4)


@pytest.mark.parametrize("name", sorted(STOPS_IN_CURRENT_ONLY))
def test_a_stop_voltage_of_one_mode_is_not_promised_in_another(name: str) -> None:
    bench = attached(name)
    done = bench.done(bench.load.set_stop_voltage(1, "power", 2.5))

    assert not bench.load.can_stop("power")
    assert not done.faultless
    assert "no word for a stop voltage" in done.troubles[0].text


@every
def test_another_mode_than_was_told_is_a_trouble(name: str) -> None:
    bench = attached(name)
    query = bench.dialect.operations["set_mode"].query.replace("{output}", "1")
    spelt = {"LOAD-1": "POWER", "LOAD-2": "POW", "LOAD-3": "CP", "LOAD-3S": "CP", "LOAD-4": "CPH", "LOAD-5": "MODE P"}
    bench.link.troubles.garbage[query] = spelt[name]
    done = bench.done(bench.load.set_mode(1, "current"))

    assert not done.faultless
    assert "was told constant current, and says constant power" in done.troubles[-1].text


@pytest.mark.parametrize("name", sorted(set(CASES) - NO_TRIPS))
def test_a_trip_is_seen_stays_seen_and_is_cleared_with_the_input_off(name: str) -> None:
    bench = attached(name)
    bench.set_up("current", 0.5)
    bench.done(bench.load.switch(1, True))
    bench.instrument.channels[1].protections["power"] = 1.0
    looks = [bench.done(bench.load.poll(1)) for _ in range(2)]

    assert [(look.tripped, look.on) for look in looks] == [("over-power", False)] * 2
    assert bench.done(bench.load.switch(1, False)).on is False
    bench.instrument.channels[1].protections.clear()
    cleared = bench.done(bench.load.clear_trip(1))
    assert (cleared.on, cleared.faultless) == (False, True), cleared
    assert bench.done(bench.load.poll(1)).tripped is None


@pytest.mark.parametrize("name", sorted(set(CASES) - NO_TRIPS))
def test_a_trip_cleared_while_still_told_to_be_on_brings_the_input_back_and_the_dialect_says_so(name: str) -> None:
    bench = attached(name)
    bench.set_up("current", 0.5)
    bench.done(bench.load.switch(1, True))
    bench.instrument.channels[1].protections["power"] = 1.0
    assert bench.done(bench.load.poll(1)).tripped
    bench.instrument.channels[1].protections.clear()

    assert bench.done(bench.load.clear_trip(1)).on is True
    assert bench.dialect.clear_re_energises


@pytest.mark.parametrize("name", TWO_CHANNELS)
def test_channels_are_set_apart_and_all_off_relies_on_no_earlier_selection(name: str) -> None:
    bench = make(name, **{"3V3": 1, "12V0": 2})
    bench.done(bench.load.attach())
    bench.set_up("current", 0.02, 1)
    bench.set_up("resistance", 1000.0, 2)
    for channel in (1, 2):
        assert bench.done(bench.load.switch(channel, True)).on is True
    assert bench.done(bench.load.poll(1)).amps == approx(0.02, abs=1e-3)
    assert bench.done(bench.load.poll(2)).amps == approx(0.012, abs=1e-3)
    assert bench.done(bench.load.poll(2)).volts == approx(12.0, abs=0.01)
    bench.done(bench.load.settings(1))
    done = bench.done(bench.load.all_off())

    assert (done.on, done.faultless) == (False, True), done
    assert not any(bench.world.loads.is_on(channel) for channel in (1, 2))


@pytest.mark.parametrize("name", TWO_CHANNELS)
def test_a_channel_of_somebody_else_is_not_touched(name: str) -> None:
    bench = attached(name)
    bench.instrument.channels[2].on = True
    done = bench.done(bench.load.all_off())

    assert done.on is False
    assert bench.instrument.channels[2].on


@every
def test_a_load_that_falls_silent_is_a_sample_with_a_fault_and_no_value(name: str) -> None:
    bench = attached(name)
    bench.link.troubles.silent_from = bench.clock.monotonic()
    sample = bench.done(bench.load.poll(1))

    assert sample.fault is not None
    assert (sample.volts, sample.amps, sample.on) == (None, None, None)


@every
def test_of_the_levels_a_look_asks_the_one_of_its_mode(name: str) -> None:
    bench = attached(name)
    bench.set_up("current", 0.05)
    before = len(bench.link.sent)
    assert bench.done(bench.load.poll(1)).level == approx(0.05)
    dialect, sent = bench.dialect, bench.link.sent[before:]
    others = {dialect.operations[f"set_{mode}"].query for mode in ("resistance", "power", "voltage")}
    mine = dialect.operations["set_current"].query

    assert not [query for query in others - {mine} if query.replace("{output}", "1") in sent]


@pytest.mark.parametrize(
    ("identity", "dialect"),
    [
        ("B&K PRECISION,8600,600000000000000000,1.30-1.42", "function-and-input"),
        ("ITECH Ltd., IT8512A+, 800000000000000000, 1.10", "function-and-input"),
        ("Keysight Technologies,EL34243A,XX00000000,1.0.0", "function-by-channel-list"),
        ("RIGOL TECHNOLOGIES,DL3021,DL3A000000000,00.01.04", "function-under-source"),
        ("Siglent Technologies,SDL1020X-E,SDL00000000000,1.1.1.21", "function-under-source"),
        ("CHROMA,63640-80-80,000000000000,1.10", "channel-and-mode"),
        ("THURLBY THANDAR,LD400P,000000,1.00-1.00", "mode-letter"),
    ],
)
def test_who_answers_finds_its_dialect_among_all_that_ship(identity: str, dialect: str) -> None:
    # How these makers answer *IDN?: from memory, digits made up.
    every_one = [known_dialect(name, ".") for name in shipped_dialects()]
    assert [each.name for each in pick(identity, [one for one in every_one if one.role == "load"])] == [dialect]


OWN = """\
dialect: plain-words
role: load
checked_against: simulated; no hardware yet
modes: {current: CURR, power: POW}
operations:
  identify: {query: '*IDN?', reply: identity}
  set_mode: {send: 'FUNC {mode}', query: 'FUNC?', reply: text, words: {CURRENT: current, POWER: power}}
  set_current: {send: 'CURR {value:.3f}', query: 'CURR?'}
  set_power: {send: 'POW {value:.2f}', query: 'POW?'}
  switch: {send: 'INP {on}', query: 'INP?', reply: boolean}
  measure_voltage: {query: 'MEAS:VOLT?'}
  measure_current: {query: 'MEAS:CURR?'}
"""


def test_a_dialect_of_the_users_own_takes_one_file_and_no_code(tmp_path: Path) -> None:
    (tmp_path / "plain-words.yaml").write_text(OWN, encoding="utf-8")
    dialect = find_dialect("plain-words", tmp_path / "bench.yaml")
    bench = made(styles.FUNCTION_AND_INPUT, dialect, {"3V3": 1})
    bench.done(bench.load.attach())
    bench.set_up("power", 0.2)

    assert bench.done(bench.load.switch(1, True)).on is True
    assert bench.done(bench.load.poll(1)).amps == approx(0.2 / 3.3, rel=0.02)
    assert bench.load.modes() == ("current", "power")
    done = bench.done(bench.load.set_mode(1, "resistance"))
    assert "no word for constant resistance" in done.troubles[0].text
    assert bench.done(bench.load.all_off()).on is False
