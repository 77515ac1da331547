"""The load by itself: every doubt before a channel draws, what a look at one means, off verified or unknown."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest

from bringup.core.bench import LoadRole
from bringup.files.dialect_file import find_dialect
from bringup.runner.endings import BrokenOff, CalledOff, Trip
from bringup.runner.load_role import LoadSample
from bringup.runner.load_watch import Damaging, Draw, LoadLost, judge_load
from bringup.runner.scpi_load import ScpiLoad
from bringup.runner.sinking import Sinking
from bringup.simulation.load_styles import FUNCTION_BY_CHANNEL_LIST
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.styled_load import StyledLoad
from tests.fake_instrument import FakeWorld
from tests.test_wait import Desk

DRAW = Draw(2, "3V3", "current", 0.05, 2.5, 3.6)
the_dialect = cache(find_dialect)


class LoadDesk(Desk):
    """A wait point with a load."""

    def __init__(self) -> None:
        super().__init__()
        self.world = FakeWorld()
        self.world.loads.at[2] = 3.3
        dialect = the_dialect("function-by-channel-list", ".")
        self.instrument = StyledLoad(self.world, FUNCTION_BY_CHANNEL_LIST, pace=0.0)
        self.link = MemoryLink("load", self.instrument, self.clock, dialect=dialect)
        load = ScpiLoad(LoadRole(None, dialect.name, {"5V0": 1, "3V3": 2}), dialect, self.link)
        self.sinking = Sinking(load, self.waits, self.watch.load, self.journal)
        self.waits.result(load.attach())

    def draw(self) -> None:
        self.sinking.prepare(DRAW)
        self.sinking.go(DRAW)

    def draws(self) -> bool:
        return bool(self.world.loads.is_on(2))


@pytest.fixture
def desk() -> LoadDesk:
    return LoadDesk()


@pytest.mark.parametrize(
    ("query", "answer", "said"),
    [
        ("CURR? (@2)", "0.5", "the load's level was set to 50 mA but the load reads back 500 mA"),
        ("FUNC? (@2)", "RES", "it was told constant current, and says constant resistance"),
        ("INP? (@2)", "1", "channel 2 of the load was switched off but the load says that it is on"),
        ("INP? (@2)", "7", "channel 2 of the load was switched off but the load does not say whether it is off"),
        ("VOLT:INH:VON? (@2)", "0", "the load's stop voltage was set to 2.5 V but the load reads back 0 V"),
        ("SYST:ERR?", '-222,"Data out of range"', "the load's sense went wrong: the instrument reports -222"),
    ],
)
def test_a_doubt_while_it_is_set_up_keeps_it_off(desk: LoadDesk, query: str, answer: str, said: str) -> None:
    desk.link.troubles.garbage[query] = answer
    with pytest.raises(BrokenOff, match=said.replace("(", r"\(")):
        desk.sinking.prepare(DRAW)

    assert not desk.draws()
    assert not any("INP ON" in text for text in desk.link.sent)


def test_an_earlier_trip_is_left_to_a_person(desk: LoadDesk) -> None:
    desk.instrument.channels[2].trip = "over-power"
    with pytest.raises(BrokenOff, match=r"channel 2 of the load has tripped before \(over-power\)"):
        desk.sinking.prepare(DRAW)


def test_one_that_says_it_is_off_when_switched_on_counts_as_on_all_the_same(desk: LoadDesk) -> None:
    desk.sinking.prepare(DRAW)
    desk.link.troubles.garbage["INP? (@2)"] = "0"
    with pytest.raises(BrokenOff, match="the load at 3V3 was switched on, and it says that it is off"):
        desk.sinking.go(DRAW)

    assert desk.sinking.on == (DRAW,)
    desk.link.troubles.garbage.clear()
    assert desk.sinking.emergency() is None
    assert (desk.draws(), desk.sinking.off_verified) == (False, True)


def test_a_load_that_nobody_touched_is_left_alone_unless_off_was_asked_for(desk: LoadDesk) -> None:
    before = len(desk.link.sent)
    desk.sinking.emergency()
    assert desk.link.sent[before:] == []

    desk.sinking.emergency(asked=True)
    assert [text for text in desk.link.sent[before:] if "?" not in text] == ["INP OFF,(@1)", "INP OFF,(@2)"]


def test_one_that_cannot_be_switched_off_is_unknown_in_large_words_and_nothing_is_raised(desk: LoadDesk) -> None:
    desk.draw()
    desk.link.troubles.lost_at = desk.clock.monotonic()
    begun = desk.clock.monotonic()
    assert desk.sinking.emergency() is None

    assert desk.sinking.off_verified is False
    assert desk.clock.monotonic() - begun <= 8.0
    assert "LOAD STATE UNKNOWN: switch the load off at its own switch" in desk.told[-1].text
    assert desk.record.kinds()[-1] == "load-unknown"


def test_it_is_watched_while_it_draws_and_two_silent_looks_mean_that_it_is_lost(desk: LoadDesk) -> None:
    desk.draw()
    desk.waits.sleep(3.0)
    looks = sum(text == "MEAS:VOLT? (@2)" for text in desk.link.sent)
    assert looks >= 6
    desk.link.troubles.silent_from = desk.clock.monotonic()
    with pytest.raises(LoadLost, match="the load is lost while it draws from 3V3: 2 looks in a row brought nothing"):
        desk.waits.sleep(10.0)


def test_volts_that_damage_trip_at_the_first_look_though_the_amperes_have_no_value(desk: LoadDesk) -> None:
    desk.draw()
    desk.waits.sleep(1.0)
    desk.link.troubles.garbage["MEAS:CURR? (@2)"] = "what?"
    desk.world.loads.at[2] = 3.7
    with pytest.raises(Trip, match=r"3V3 reads 3\.7\d* V at the load, above the 3\.6 V that damage it"):
        desk.waits.sleep(10.0)


def look(**changes: Any) -> LoadSample:
    facts: dict[str, Any] = {
        "volts": 3.3,
        "amps": 0.05,
        "watts": 0.165,
        "on": True,
        "mode": "current",
        "level": 0.05,
    }
    return LoadSample(0.0, 2, **{**facts, **changes})


@pytest.mark.parametrize(
    ("changes", "ending", "said"),
    [
        ({"tripped": "over-power"}, Trip, "the load's over-power protection tripped at 3V3, which reads 3.3 V there"),
        ({"tripped": "over-temperature"}, BrokenOff, "the load's over-temperature protection tripped"),
        ({"volts": 2.4}, Trip, "3V3 has fallen to 2.4 V under constant current 50 mA, below the load's stop voltage"),
        ({"volts": 3.7}, Damaging, "3V3 reads 3.7 V at the load, above the 3.6 V that damage it"),
        ({"volts": None, "over_range": True}, Damaging, "3V3: the load reads over range; that counts as above"),
        ({"on": False}, BrokenOff, "the load at 3V3 was found off though nobody here switched it"),
        ({"level": 0.08}, CalledOff, "is set to constant current 80 mA, not to constant current 50 mA"),
        ({"mode": "power", "level": 1.0}, CalledOff, "is set to constant power 1 W, not to constant current 50 mA"),
    ],
)
def test_what_a_look_means(changes: dict[str, Any], ending: type[Exception], said: str) -> None:
    with pytest.raises(ending, match=said) as raised:
        judge_load(DRAW, look(**changes))

    assert raised.type is ending


def test_a_look_that_cannot_be_told_or_is_as_it_should_be_ends_nothing() -> None:
    judge_load(DRAW, look())
    judge_load(DRAW, look(on=None, mode=None, level=None))
