"""Switching on and off: the order on the wire, every doubt before power, off verified or said to be unknown."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from bringup.core.words import AttemptResult
from bringup.runner.feed import Feed
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.protocols import Told
from bringup.runner.roles import Protection
from bringup.runner.scpi_supply import ScpiSupply
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.person import SimulatedPerson
from bringup.simulation.supply import Supply
from tests.fakes import BENCH, ROOT, SEEN, SimulatedBench, picked, simulated_bench, the_dialect

ON = "OUTP ON"


def applying(**changes: object) -> SimulatedBench:
    return simulated_bench(picked("apply"), history=SEEN, **changes)  # type: ignore[arg-type]


def told_to(bench: SimulatedBench) -> list[str]:
    """Every setting that was sent to the supply, the selections of an output apart."""
    return [text for text in bench.supply_link.sent if not text.endswith("?") and not text.startswith("INST")]


def test_the_order_is_the_same_every_time() -> None:
    bench = applying()

    bench.run()

    assert told_to(bench) == [
        "OUTP OFF",
        "VOLT 0",
        "CURR 0.4",
        "VOLT:PROT 26.4",
        "VOLT:PROT:STAT ON",
        "CURR:PROT:STAT OFF",
        "VOLT:SENS:SOUR INT",
        "VOLT 1",
        ON,
        "CURR:PROT:STAT OFF",
        "VOLT 18",
        "CURR:PROT:STAT OFF",
        "VOLT 24",
        "CURR:PROT:DEL 0.2",
        "CURR:PROT 0.230261",
        "CURR:PROT:STAT ON",
        "OUTP OFF",
    ]


def test_nothing_is_on_before_the_person_says_go() -> None:
    states: list[bool] = []

    class Watching(SimulatedPerson):
        def ask(self, prompt: Prompt) -> Pending[Answer]:
            if prompt.kind is PromptKind.GO:
                states.append(bench.on())
                assert "voltage 1 V, then 18 V, 24 V" in prompt.lines
            return super().ask(prompt)

    bench = applying(ask=Watching(attended=True))
    outcome = bench.run()

    assert states == [False]
    assert outcome.result is AttemptResult.PASSED


def test_whoever_says_go_is_told_every_voltage_that_follows_without_a_question() -> None:
    bench = applying(ask=(person := SimulatedPerson(attended=True)))

    bench.run()

    (go,) = [prompt.text for prompt, _ in person.asked if prompt.kind is PromptKind.GO]
    assert go == (
        "VIN, short check at 1 V, then 18 V, 24 V. "
        "Enter switches it ON and goes up to 24 V without asking again; a missed limit ends that, output OFF"
    )
    assert ("go", "VIN, short check at 1 V, then 18 V, 24 V") in [each[:2] for each in bench.record.events]


def test_a_go_for_one_voltage_tells_of_no_other() -> None:
    feed = Feed("VIN", 1, 24.0, 0.4, 1.0)

    assert feed.words[0] == "voltage 24 V"
    assert feed.what_enter_does(by_hand=False) == "Enter switches it ON"
    assert feed.what_enter_does(by_hand=True) == "Enter, then switch it on when told"


def test_a_go_by_hand_tells_that_each_further_voltage_is_dictated() -> None:
    feed = Feed("VIN", 1, 1.0, 0.4, 1.0, then=(18.0, 24.0))

    assert feed.words_by_hand[0] == "voltage 1 V, then 18 V, 24 V"
    assert feed.what_enter_does(by_hand=True).endswith("when told; each further voltage is asked for")


@pytest.mark.parametrize(
    ("query", "reply", "says"),
    [
        ("VOLT?", "5.0", "the voltage at its minimum was set to 0 V but the supply reads back 5 V"),
        ("CURR?", "2.0", "the current limit was set to 400 mA but the supply reads back 2 A"),
        ("VOLT:PROT?", "60.0", "the over-voltage protection was set to 26.4 V but the supply reads back 60 V"),
        ("VOLT:PROT?", "5.0", "the over-voltage protection was set to 26.4 V but the supply reads back 5 V"),
        ("VOLT:PROT:STAT?", "0", "over-voltage protection was switched on, and the supply says that it is"),
        ("CURR:PROT:STAT?", "1", "over-current protection was switched off for the start-up, and the supply says that"),
        ("OUTP?", "1", "output 1 was to be switched off, and the supply says that it is on"),
        ("SYST:ERR?", '-222,"Data out of range"', "Data out of range"),
        ("CURR?", "nonsense", "the current limit"),
        ("VOLT?", "9.9E37", "'9.9E37' cannot be read back"),
        ("OUTP?", "9", "output 1 was to be switched off, and the supply does not say"),
    ],
)
def test_any_doubt_before_power_leaves_it_off(query: str, reply: str, says: str) -> None:
    bench = applying()
    exact = query if query in _queries() else next(text for text in _queries() if text.startswith(query))

    def tell(told: Told) -> None:
        if told.kind == "step-begun":
            bench.supply_link.troubles.garbage[exact] = reply

    outcome = bench.run(tell=tell)

    assert ON not in bench.supply_link.sent
    assert outcome.result is AttemptResult.BROKEN_OFF
    assert says in outcome.cause
    assert outcome.exit_code == 3
    assert not bench.on()


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"over_voltage": None, "disabled": (Protection.OVER_VOLTAGE,)}, "and the supply says that it is off"),
        ({"over_voltage": 30.0}, "over-voltage protection was set to 26.4 V but the supply reads back 30 V"),
    ],
)
def test_protection_that_is_another_when_all_is_read_back_together_is_noticed(
    monkeypatch: pytest.MonkeyPatch, changes: dict[str, Any], says: str
) -> None:
    bench = applying()
    told = bench.supply.settings
    monkeypatch.setattr(bench.supply, "settings", lambda out: told(out).then(lambda found: replace(found, **changes)))

    outcome = bench.run()

    assert ON not in bench.supply_link.sent
    assert outcome.result is AttemptResult.BROKEN_OFF
    assert says in outcome.cause


def go_lines_of(bench: SimulatedBench) -> list[str]:
    lines: list[str] = []

    class Reading(SimulatedPerson):
        def ask(self, prompt: Prompt) -> Pending[Answer]:
            lines.extend(prompt.lines if prompt.kind is PromptKind.GO else ())
            return super().ask(prompt)

    assert bench.run(ask=Reading(attended=True)).result is AttemptResult.PASSED
    return lines


@pytest.mark.parametrize(
    ("without", "says"),
    [
        (("over_voltage_state",), "over-voltage protection 26.4 V (the supply cannot be asked whether it is on)"),
        (
            ("over_voltage_state", "set_over_voltage"),
            "no over-voltage protection: this supply has none that can be set from here",
        ),
    ],
)
def test_whoever_says_go_is_told_what_is_not_known_of_the_protection(without: tuple[str, ...], says: str) -> None:
    bench = applying()
    assert bench.bench.supply is not None
    dialect = the_dialect(bench.bench.supply.dialect, BENCH)
    poor = replace(dialect, operations={k: v for k, v in dialect.operations.items() if k not in without})
    bench.supply = ScpiSupply(bench.bench.supply, poor, bench.supply_link, monotonic=bench.clock.monotonic)

    assert says in go_lines_of(bench)


def test_over_current_protection_that_does_not_enable_ends_it() -> None:
    bench = applying()

    def tell(told: Told) -> None:
        if told.kind == "power" and told.text == "VIN set to 24 V":
            bench.supply_link.troubles.garbage["CURR:PROT:STAT?"] = "0"

    outcome = bench.run(tell=tell)

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "over-current protection was switched on, and the supply says that it is off" in outcome.cause
    assert outcome.off_verified is True


@cache
def _queries() -> frozenset[str]:
    bench = applying()
    bench.run()
    return frozenset(text for text in bench.supply_link.sent if text.endswith("?"))


def test_a_supply_that_stays_off_when_switched_on_is_noticed() -> None:
    bench = applying()

    def spoil() -> None:
        bench.supply_link.troubles.garbage["OUTP?"] = "0"

    outcome = bench.run(ask=Going(bench.clock, spoil))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "switched on, and the supply says that it is off" in outcome.cause
    assert outcome.off_verified is True
    assert not bench.on()


def test_an_unknown_state_names_what_the_supply_answered_instead() -> None:
    bench = applying()

    def babble() -> None:
        bench.supply_link.troubles.garbage["OUTP?"] = "HELLO"

    outcome = bench.run(ask=Going(bench.clock, babble))

    assert outcome.off_verified is False
    said = [text for kind, text, _ in bench.record.events if kind == "off-unknown"]
    assert all("asked OUTP?, it answered 'HELLO'" in text for text in said[:1])
    assert said


class Going(SimulatedPerson):
    """Does something the moment the person says go."""

    def __init__(self, clock: SimulatedClock, then: Callable[[], None]) -> None:
        super().__init__(attended=True, clock=clock)
        self._then = then

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        if prompt.kind is PromptKind.GO:
            self._then()
        return super().ask(prompt)


def test_off_that_cannot_be_verified_is_said_in_large_letters_and_recorded() -> None:
    bench = applying()

    def deaf() -> None:
        bench.supply_link.troubles.silent_from = bench.clock.monotonic() + 1.0

    outcome = bench.run(ask=Going(bench.clock, deaf))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.off_verified is False
    assert bench.record.ends[0][2] is False
    assert "off-unknown" in bench.tell_kinds()
    assert "off-unknown" in bench.record.kinds()
    said = next(told.text for told in bench.told if told.kind == "off-unknown")
    assert "OUTPUT STATE UNKNOWN" in said
    assert "its own switch" in said


def test_the_state_is_called_unknown_soon() -> None:
    bench = applying()
    at: list[float] = []

    def deaf() -> None:
        at.append(bench.clock.monotonic() + 1.0)
        bench.supply_link.troubles.silent_from = at[0]

    said: list[float] = []

    def tell(told: Told) -> None:
        if told.kind == "off-unknown":
            said.append(bench.clock.monotonic() - at[0])

    bench.run(ask=Going(bench.clock, deaf), tell=tell)

    assert said[0] < 10.0


def test_off_is_tried_again_when_the_link_comes_back() -> None:
    bench = applying()

    def deaf_for_a_while() -> None:
        now = bench.clock.monotonic()
        bench.supply_link.troubles.silent_from = now + 1.0
        bench.supply_link.troubles.silent_until = now + 7.0

    outcome = bench.run(ask=Going(bench.clock, deaf_for_a_while))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "did not answer" in outcome.cause
    assert outcome.off_verified is True
    assert not bench.on()


def test_an_earlier_trip_is_cleared_only_with_the_output_off_and_the_voltage_down() -> None:
    bench = applying()
    _leave_a_trip(bench)

    outcome = bench.run()

    sent = told_to(bench)
    clear = next(index for index, text in enumerate(sent) if "CLE" in text)
    assert sent[clear - 2 : clear] == ["OUTP OFF", "VOLT 0"]
    assert next(text for text in sent[clear:] if "CLE" not in text) == "OUTP OFF"
    assert "trip-cleared" in bench.record.kinds()
    assert outcome.result is AttemptResult.PASSED


def test_a_supply_that_comes_back_on_when_it_is_cleared_does_so_at_the_lowest_voltage_and_goes_off_again() -> None:
    class Clearing(SimulatedPerson):
        def ask(self, prompt: Prompt) -> Pending[Answer]:
            if "Enter clears it" in prompt.text:
                # From here on it behaves as if it had never been told off.
                assert isinstance(panel, Supply)
                panel._stages[1].wanted_on = True
            return super().ask(prompt)

    bench = applying(ask=Clearing(attended=True))
    panel = bench.supply_link._instrument
    _leave_a_trip(bench)
    seen: list[tuple[bool, float]] = []

    def tell(told: Told) -> None:
        if told.data.get("kind") in ("came-back-on", "trip-cleared"):
            now = bench.clock.monotonic()
            seen.append((bench.on(), bench.world.terminal_volts(1, now)))

    outcome = bench.run(tell=tell)

    sent = told_to(bench)
    assert "came-back-on" in bench.record.kinds()
    assert [on for on, _ in seen] == [True, True]
    assert max(volts for _, volts in seen) < 1.0
    cleared = max(index for index, text in enumerate(sent) if "CLE" in text)
    assert sent[cleared + 1] == "OUTP OFF"
    assert outcome.result is AttemptResult.PASSED


def test_without_anybody_an_earlier_trip_is_not_cleared() -> None:
    bench = applying(attended=False)
    _leave_a_trip(bench)
    bench.supply_link.troubles.identity = "INVENTED,S1,1,1"

    outcome = bench.run(unattended=True, procedure=replace(bench.procedure, unattended_after_first_power=True))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "the supply's over-voltage has tripped on VIN before; nobody is here to clear it" in outcome.cause
    assert not [text for text in bench.supply_link.sent if "CLE" in text]


def _leave_a_trip(bench: SimulatedBench) -> None:
    """Leave output 1 tripped by its over-voltage protection."""
    world, clock = bench.world, bench.clock
    world.set_voltage(1, 10.0, clock.monotonic())
    world.set_over_voltage(1, 5.0, clock.monotonic())
    world.switch(1, True, clock.monotonic())
    clock.wait(clock.monotonic() + 0.5)
    assert world.tripped(1, clock.monotonic()) is not None
    assert not math.isnan(world.terminal_volts(1, clock.monotonic()))


def test_an_output_left_alone_is_never_told_anything() -> None:
    bench = applying(bench_path=ROOT / "fixtures/benches/corner-bench.yaml")

    bench.run()

    selected = [text for text in bench.supply_link.sent if text.startswith("INST:NSEL 3")]
    told = bench.supply_link.sent
    for index, text in enumerate(told):
        if text == "INST:NSEL 3":
            assert told[index + 1].endswith("?")
    assert selected
