"""An electronic load in an attempt: on only in regulation, watched, off at every end, never at the supply's expense."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bringup.core.bench import LoadCeiling
from bringup.core.faults import Fault, FaultKind
from bringup.core.loaded import load_protection
from bringup.core.procedure import Apply, Dwell, PowerOff, Sink, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, Kind, Result
from bringup.errors import BenchError
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt
from bringup.runner.protocols import Told
from bringup.runner.records import Interruption, ProgramEnd
from bringup.simulation.person import SimulatedPerson
from tests.fakes import ROOT, SEEN, SimulatedBench, simulated_bench, with_steps
from tests.test_host_program import ProgramFake
from tests.test_irreversible import BURN, MEASURE, when_begun

BENCH = ROOT / "fixtures/benches/simulated-load.yaml"
APPLY = Step(0, Apply("VIN", (parse_quantity("24 V"),), parse_quantity("400 mA")))
WAIT = Step(0, Dwell(parse_quantity("6 s")))
approx: Any = pytest.approx


def q(text: str) -> Any:
    return parse_quantity(text)


def drawing(rail: str = "3V3", mode: str = "current", level: str = "50 mA", stop: str = "2.5 V") -> Step:
    return Step(0, Sink(rail, mode, q(level), q(stop) if stop else None))


class Noting(list[str]):
    """What was sent on a link, which also goes into one list for all links, with its moment."""

    def __init__(self, clock: Any, every: list[tuple[float, str]]) -> None:
        super().__init__()
        self._clock, self._every = clock, every

    def append(self, text: str) -> None:
        self._every.append((self._clock.monotonic(), text))
        super().append(text)


def loaded(*steps: Step, **changes: Any) -> SimulatedBench:
    return simulated_bench(with_steps(APPLY, *steps), history=SEEN, bench_path=BENCH, **changes)


def noted(bench: SimulatedBench) -> list[tuple[float, str]]:
    """Every message to supply and load from now on, in the order of sending."""
    every: list[tuple[float, str]] = []
    assert bench.load_link is not None
    for link in (bench.supply_link, bench.load_link):
        link.sent = Noting(bench.clock, every)
    return every


def at_step(bench: SimulatedBench, step: int, act: Any) -> Any:
    """Return a `tell` that acts a second after that step began."""

    def tell(told: Told) -> None:
        bench.told.append(told)
        if told.kind == "step-begun" and told.step == step:
            now = bench.clock.monotonic()
            bench.clock.at(now + 1.0, lambda: act(bench.clock.monotonic()), wakes=False)

    return tell


def draws(bench: SimulatedBench, channel: int = 2) -> bool:
    return bench.world.loads.is_on(channel)


def moments(bench: SimulatedBench) -> list[str]:
    """What went off, in order, as it was told."""
    return [
        told.text
        for told in bench.told
        if "OFF" in told.text and "verified" in told.text and told.kind in ("event", "power")
    ]


def load_set_to(bench: SimulatedBench) -> list[str]:
    assert bench.load_link is not None
    return [text for text in bench.load_link.sent if "?" not in text]


# drawing


def protected(tmp_path: Path, *steps: Step) -> SimulatedBench:
    """A bench whose load has protections of its own, with levels."""
    path = tmp_path / "bench.yaml"
    board = ROOT / "fixtures/boards/mooring-buoy-logger.yaml"
    path.write_text(
        f"bench: Test bench\nsimulate: {{board: {board}}}\n"
        "supply: {dialect: select-by-number, outputs: {VIN: 1}}\nmeter: {dialect: configure-and-read}\n"
        "load: {dialect: function-and-input, channels: {3V3: 1}, ceiling: {current: 500 mA, power: 3 W}}\n"
        "probing: fixed wiring\n",
        encoding="utf-8",
    )
    return simulated_bench(with_steps(APPLY, *steps), history=SEEN, bench_path=path)


def test_the_loads_own_protections_lie_above_what_it_draws_and_are_on_before_it_draws(tmp_path: Path) -> None:
    bench = protected(tmp_path, drawing(level="100 mA"), Step(0, Sink("3V3")))

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    set_to = load_set_to(bench)
    guard = [text for text in set_to if "PROT" in text]
    assert guard == ["CURR:PROT 0.15", "CURR:PROT:STAT ON", "POW:PROT 0.42075"]
    assert set_to.index("CURR 0.1") < set_to.index(guard[0]) < set_to.index(guard[-1]) < set_to.index("INP ON")


@pytest.mark.parametrize(
    ("asked", "answer", "words"),
    [
        ("CURR:PROT?", "30.0", "over-current protection was set to 150 mA but the load reads back 30 A"),
        ("CURR:PROT?", "0.02", "over-current protection was set to 150 mA but the load reads back 20 mA"),
        ("CURR:PROT:STAT?", "0", "over-current protection was to be on, and the load says that it is not"),
        ("POW:PROT?", "150", "over-power protection was set to"),
    ],
)
def test_a_load_that_does_not_take_its_protections_draws_nothing(
    tmp_path: Path, asked: str, answer: str, words: str
) -> None:
    bench = protected(tmp_path, drawing(level="100 mA"))
    assert bench.load_link is not None
    bench.load_link.troubles.garbage[asked] = answer

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert words in outcome.cause
    assert "INP ON" not in load_set_to(bench)


@pytest.mark.parametrize(
    ("mode", "level", "volts", "amps", "watts"),
    [
        ("current", 0.1, (3.2, 3.4), 0.15, 0.425),
        ("current", 0.48, (3.2, 3.4), 0.5, 2.04),
        ("power", 1.0, (2.5, 3.4), 0.5, 1.25),
        ("resistance", 34.0, (3.2, 3.4), 0.15, 0.425),
        ("current", 0.1, (0.0, 0.0), 0.15, 3.0),
        ("power", 1.0, (0.0, 0.0), 0.5, 1.25),
    ],
)
def test_levels_of_a_loads_protections_stay_within_the_benchs_ceiling(
    mode: str, level: float, volts: tuple[float, float], amps: float, watts: float
) -> None:
    found = load_protection(mode, level, volts, LoadCeiling(q("500 mA"), q("3 W")))

    assert (found.over_current, found.over_power) == (approx(amps), approx(watts))
    assert load_protection("resistance", 34.0, (0.0, 0.0), LoadCeiling()).over_current is None


def test_each_draw_is_set_in_order_read_before_and_under_load_and_taken_off_again() -> None:
    bench = loaded(drawing(), drawing("5V0", "power", "300 mW", "4 V"), Step(0, Sink("3V3")), WAIT)
    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    set_to = load_set_to(bench)
    assert set_to[:7] == [
        "INP OFF,(@2)",
        "VOLT:SENS:SOUR INT,(@2)",
        "FUNC CURR,(@2)",
        "CURR:RANG 0.05,(@2)",
        "CURR 0.05,(@2)",
        "VOLT:INH:VON 2.5,(@2)",
        "INP ON,(@2)",
    ]
    assert set_to[-3:] == ["INP OFF,(@2)", "INP OFF,(@1)", "INP OFF,(@2)"]
    kept = [each for each in outcome.readings if each.instrument == "load"]
    assert [(each.point, each.kind, each.aspect) for each in kept] == [
        ("3V3", Kind.VOLTAGE, "at the load, nothing drawn"),
        ("3V3", Kind.VOLTAGE, "at the load"),
        ("3V3", Kind.CURRENT, "at the load"),
        ("5V0", Kind.VOLTAGE, "at the load, nothing drawn"),
        ("5V0", Kind.VOLTAGE, "at the load"),
        ("5V0", Kind.POWER, "at the load"),
    ]
    assert kept[2].value == approx(0.05, rel=0.01)
    assert kept[5].value == approx(0.3, rel=0.01)
    assert {each.result for each in kept} == {Result.PASS, Result.RECORDED}
    assert moments(bench)[-3:] == [
        "the load at 3V3 is OFF, verified by asking",
        "the load at 5V0 is OFF, verified by asking",
        "VIN OFF, verified by asking",
    ]
    assert (outcome.off_verified, outcome.load_off) == (True, True)
    # The trip of the input follows: twice 1.3 times the 68.905 mA of the board and what is drawn, at 24 V behind two
    # converters of 88 % and 90 %: 50 mA at 5 V are 13.15 mA there, 300 mW are 15.78 mA.
    assert [text for kind, text, _ in bench.record.events if kind == "trip-level"] == [
        "VIN: from here on switched off above 213.3 mA",
        "VIN: from here on switched off above 254.3 mA",
        "VIN: from here on switched off above 220.2 mA",
    ]


def test_a_rail_that_is_out_of_its_limits_is_not_loaded() -> None:
    too_high = Fault("5V0", FaultKind.UPPER_VALUE, 116e3)
    bench = loaded(drawing("5V0", stop="4 V"), WAIT, faults=[too_high])
    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert "5V0 at the load, nothing drawn voltage 5." in outcome.cause
    assert not any("INP ON" in text for text in load_set_to(bench))
    assert outcome.off_verified is True


def test_volts_that_damage_cut_power_when_the_load_reads_them() -> None:
    bench = loaded(drawing("3V3"), WAIT)
    assert bench.load_link is not None
    bench.load_link.troubles.garbage["MEAS:VOLT? (@2)"] = "4.2"
    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause == "3V3 reads 4.2 V, above the 3.9 V that damage it"
    assert outcome.readings[-1].value == approx(4.2)
    assert not any("INP ON" in text for text in load_set_to(bench))


def test_a_load_that_does_not_draw_what_it_was_set_to_fails_the_step() -> None:
    bench = loaded(drawing("3V3", "resistance", "33 Ω"), WAIT)
    assert bench.load_link is not None
    bench.load_link.troubles.garbage["MEAS:CURR? (@2)"] = "0.02"
    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert "3V3 at the load current 20 mA, wanted" in outcome.cause
    assert not draws(bench)


# every end


def test_in_an_emergency_the_outputs_go_off_first_and_the_load_after_them() -> None:
    bench = loaded(drawing(), WAIT)
    every = noted(bench)
    outcome = bench.run(tell=at_step(bench, 2, lambda now: bench.clock.interrupt(Interruption.OFF_ASKED, now)))

    assert outcome.result is AttemptResult.CALLED_OFF
    shown = [told.text for told in bench.told if told.text.startswith("every ")]
    assert (outcome.off_verified, outcome.load_off, draws(bench), bench.on()) == (True, True, False, False)
    assert set(shown) == {
        "every channel of the load is OFF, verified by asking",
        "every output OFF, verified by asking",
    }
    offs = [text for _, text in every if text in ("OUTP OFF", "INP OFF,(@2)")]
    assert offs[-2:] == ["OUTP OFF", "INP OFF,(@2)"]


def test_a_load_that_is_lost_ends_the_attempt_and_the_output_goes_off_all_the_same() -> None:
    bench = loaded(drawing(), WAIT)
    assert bench.load_link is not None
    troubles = bench.load_link.troubles
    outcome = bench.run(tell=at_step(bench, 2, lambda now: setattr(troubles, "silent_from", now)))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "the load is lost while it draws from 3V3" in outcome.cause
    assert (outcome.off_verified, outcome.load_off, bench.on()) == (True, False, False)
    assert any("LOAD STATE UNKNOWN: switch the load off at its own switch" in told.text for told in bench.told)
    assert "load-unknown" in bench.record.kinds()


def test_a_load_that_is_silent_in_an_orderly_end_does_not_keep_the_output_on_for_long() -> None:
    bench = loaded(drawing(), Step(0, PowerOff()))
    assert bench.load_link is not None
    troubles, every = bench.load_link.troubles, noted(bench)
    begun: list[float] = []

    def tell(told: Told) -> None:
        bench.told.append(told)
        if told.kind == "step-begun" and told.step == 2:
            troubles.silent_from = bench.clock.monotonic()
            begun.append(bench.clock.monotonic())

    outcome = bench.run(tell=tell)

    assert "the load could not be switched off" in outcome.cause
    assert min(at for at, sent in every if sent == "OUTP OFF" and at >= begun[0]) - begun[0] < 3.0
    assert (outcome.result, outcome.off_verified, outcome.load_off) == (AttemptResult.BROKEN_OFF, True, False)


def test_a_supply_that_is_lost_keeps_nobody_from_switching_the_load_off() -> None:
    bench = loaded(drawing(), WAIT, attended=False)
    outcome = bench.run(
        tell=at_step(bench, 2, lambda now: setattr(bench.supply_link.troubles, "silent_from", now)),
    )

    assert outcome.off_verified is False
    assert outcome.load_off is True
    assert not draws(bench)


def test_a_rail_that_falls_below_the_stop_voltage_is_the_units_failure() -> None:
    sag = Fault("3V3", FaultKind.EXCESS_LOAD, 0.6)
    bench = loaded(drawing(stop="3 V"), WAIT)
    outcome = bench.run(tell=at_step(bench, 2, lambda _now: bench.world.plant(sag)))

    assert outcome.result is AttemptResult.FAILED, outcome.cause
    assert "under constant current 50 mA, below the load's stop voltage of 3 V" in outcome.cause
    assert outcome.off_verified is True
    assert not draws(bench)


# as it is met


class Answers(SimulatedPerson):
    """Answers every choice by one text."""

    def __init__(self, clock: Any, text: str) -> None:
        super().__init__(clock=clock)
        self.text, self.texts = text, list[str]()

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        self.texts.append(prompt.text)
        return super().ask(replace(prompt, suggestion=self.text) if "of the load" in prompt.text else prompt)


def found_on(answer: str) -> tuple[SimulatedBench, Answers]:
    bench = loaded(WAIT)
    ask = Answers(bench.clock, answer)
    bench.changes["ask"] = ask
    bench.world.loads.turn(2, "current", 0.1, 0.0, 0.0)
    instrument: Any = bench.load_link._instrument  # type: ignore[union-attr]
    instrument.channels[2].levels["current"] = 0.1
    instrument.channels[2].on = True
    bench.world.loads.switch(2, 0.0, on=True)
    return bench, ask


def test_a_load_found_on_is_shown_and_switched_off_once_that_is_logged() -> None:
    bench, ask = found_on("switch the load off and go on")
    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert "channel 2 of the load (3V3) is ON, constant current 100 mA; it draws 0 A at 0 V" in ask.texts[0]
    assert "channel 2 of the load was found on and switched off" in [text for _, text, _ in bench.record.events]
    assert not draws(bench)


def test_a_load_that_is_to_stay_on_stops_the_attempt_before_it_begins() -> None:
    bench, _ = found_on("leave it on and stop here")
    with pytest.raises(BenchError, match="the load was found on: channel 2 of the load"):
        bench.run()

    assert draws(bench)
    assert load_set_to(bench) == []
    assert bench.record.started == []


def test_attaching_switches_nothing_on_and_a_procedure_without_load_leaves_it_alone() -> None:
    bench = loaded(WAIT)
    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    assert load_set_to(bench) == []
    assert outcome.load_off is None
    assert [info.role for info in bench.record.started[0].instruments] == ["supply", "meter", "load"]


@pytest.mark.parametrize(("query", "answer", "ends_at_once"), [("VOLT", "40", True), ("CURR", "what?", False)])
def test_in_an_irreversible_step_volts_that_damage_cut_power_and_a_lost_load_waits(
    query: str, answer: str, ends_at_once: bool
) -> None:
    bench = simulated_bench(with_steps(APPLY, MEASURE, drawing(), BURN), history=SEEN, bench_path=BENCH)
    assert bench.load_link is not None
    fake = bench.changes["programs"] = ProgramFake(bench.clock, takes=30.0, end=ProgramEnd(0))
    garbage, begun = bench.load_link.troubles.garbage, list[float]()

    def disturb() -> None:
        begun.append(bench.clock.monotonic())
        garbage[f"MEAS:{query}? (@2)"] = answer

    when_begun(fake, 5.0, disturb)
    outcome = bench.run(ask=SimulatedPerson(attended=True, clock=bench.clock))

    assert (outcome.off_verified, bench.on(), draws(bench)) == (True, False, False)
    assert (bench.clock.monotonic() - begun[0] < 10.0) == ends_at_once
    assert (outcome.result is AttemptResult.FAILED) == ends_at_once, outcome.cause
