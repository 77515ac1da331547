"""Ripple in an attempt: by a scope or the meter's AC range, and how it was measured kept with it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.procedure import Dwell, Step
from bringup.core.quantity import parse_quantity
from bringup.core.reading import Reading
from bringup.core.safety import examine
from bringup.core.safety_ripple import needs_scope
from bringup.core.under_load import Ripple
from bringup.core.words import AttemptResult, Result
from bringup.runner.prompts import PromptKind
from bringup.runner.protocols import Told
from bringup.runner.scpi_scope import ScpiScope
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.person import SimulatedPerson
from bringup.simulation.scope_styles import SCOPE_STYLES
from bringup.simulation.styled_scope import StyledScope
from tests.fakes import BENCH, ROOT, SEEN, SimulatedBench, simulated_bench, the_bench, the_dialect, with_steps
from tests.test_load_attempt import APPLY

CHARACTERISATION = ROOT / "fixtures/benches/simulated-characterisation.yaml"
TEN = parse_quantity("10 us")
MISSING = Fault("3V3", FaultKind.CAPACITOR_MISSING)


def by_scope(*points: str, expect: str = "< 50 mV") -> Step:
    action = Ripple(points, "scope", TEN, ground="spring")
    return Step(0, action, expect={"": parse_limits(expect)}, end_on_fail=False)


def bench_of(*steps: Step, faults: tuple[Fault, ...] = ()) -> tuple[SimulatedBench, StyledScope]:
    """The simulated bench with its scope, which `simulated_bench` does not make."""
    bench = simulated_bench(with_steps(APPLY, *steps), history=SEEN, bench_path=CHARACTERISATION, faults=faults)
    role = bench.bench.scope
    assert role is not None
    made = StyledScope(bench.world, SCOPE_STYLES[role.dialect], channel=role.channel)
    dialect = the_dialect(role.dialect, BENCH)
    link = MemoryLink("scope (simulated)", made, bench.clock, dialect=dialect)
    bench.changes["scope"] = ScpiScope(role, dialect, link)
    return bench, made


def ripples(outcome: AttemptOutcome) -> dict[str | None, Reading]:
    return {each.point: each for each in outcome.readings if each.aspect.startswith("ripple")}


def test_a_sound_rail_passes_and_the_value_says_how_it_was_measured() -> None:
    bench, _ = bench_of(by_scope("5V0", "3V3"))

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    found = ripples(outcome)
    assert set(found) == {"5V0", "3V3"}
    assert found["3V3"].aspect == "ripple peak to peak"
    assert found["3V3"].instrument == "scope"
    assert found["3V3"].note.startswith("scope, AC coupled, 20 MHz, probe 10:1, ground spring; 10 µs and ")
    assert found["3V3"].resolution == pytest.approx(1e-4), "a screen of 100 mV in 256 steps"
    assert isinstance(bench.ask, SimulatedPerson)
    asked = [prompt for prompt, _ in bench.ask.asked if prompt.kind is PromptKind.GO and "Scope probe" in prompt.text]
    assert [prompt.text for prompt in asked] == [
        "Scope probe on 5V0 at TP3, ground connection: spring",
        "Scope probe on 3V3 at TP4, ground connection: spring",
    ]
    assert "scope" in [info.role for info in bench.record.started[0].instruments]


def test_a_wave_beyond_the_screen_is_measured_again_coarser_and_fails_by_its_own_value() -> None:
    bench, scope = bench_of(by_scope("3V3", expect="< 5 mV"), faults=(MISSING,))

    found = ripples(bench.run())["3V3"]

    assert found.result is Result.FAIL
    assert found.value is not None
    assert found.value > 0.005
    assert scope.acquired > 1


def test_a_scope_without_a_number_gives_no_value_and_the_step_none_either() -> None:
    bench, scope = bench_of(by_scope("3V3"))
    scope.channel = 3  # its probe hangs on another one

    outcome = bench.run()

    found = ripples(outcome)["3V3"]
    assert (found.value, found.result) == (None, Result.NO_VALUE)
    assert outcome.result is AttemptResult.INCOMPLETE


def test_ripple_is_judged_by_the_step_alone_never_by_limits_of_dc() -> None:
    bench, _ = bench_of(replace(by_scope("3V3"), expect={}))

    assert ripples(bench.run())["3V3"].result is Result.RECORDED


def test_the_meters_ac_range_gives_rms_with_its_band() -> None:
    bench, _ = bench_of(Step(0, Ripple(("3V3",), "meter", TEN, band="20 Hz to 100 kHz"), expect={}))

    found = ripples(bench.run())["3V3"]

    assert (found.aspect, found.instrument, found.result) == ("ripple RMS", "meter", Result.RECORDED)
    assert found.value == pytest.approx(bench_rms(bench), rel=0.1)
    assert "RMS, band 20 Hz to 100 kHz" in found.note


def test_dc_that_damages_the_point_under_the_meter_is_seen_before_its_ac() -> None:
    runaway = Fault("12V0", FaultKind.UPPER_OPEN, after=1.0)
    step = Step(1, Ripple(("12V0",), "meter", TEN, band="any"))
    bench = simulated_bench(
        with_steps(APPLY, Step(0, Dwell(parse_quantity("3 s"))), step), history=SEEN, faults=[runaway]
    )

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert "12V0 reads 23.98" in outcome.cause
    kept = [each for each in outcome.readings if each.step == 2]
    assert [(each.aspect, each.result) for each in kept] == [("DC before ripple", Result.RECORDED)]


def test_ac_volts_over_every_range_cut_power() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(0, Ripple(("3V3",), "meter", TEN, band="any"))), history=SEEN)

    def too_much(told: Told) -> None:
        if told.reading is not None and told.reading.aspect == "DC before ripple":
            bench.meter_link.troubles.garbage["READ?"] = "+9.90000000E+37"

    outcome = bench.run(tell=too_much)

    assert outcome.result is AttemptResult.FAILED
    assert "3V3 is over range" in outcome.cause
    assert outcome.off_verified is True
    assert ripples(outcome)["3V3"].result is Result.NO_VALUE


def test_the_usual_simulated_meter_measures_it_too() -> None:
    step = Step(0, Ripple(("3V3",), "meter", TEN, band="20 Hz to 100 kHz"), expect={})
    sound, missing = (simulated_bench(with_steps(APPLY, step), history=SEEN, faults=each) for each in ((), (MISSING,)))
    assert sound.bench.meter is not None
    assert sound.bench.meter.dialect == "configure-and-read"

    found, more = (ripples(bench.run())["3V3"] for bench in (sound, missing))

    assert (found.aspect, found.result) == ("ripple RMS", Result.RECORDED)
    assert found.value == pytest.approx(bench_rms(sound), abs=15e-6)
    assert more.value is not None
    assert more.value > 0.002


def bench_rms(bench: SimulatedBench) -> float:
    """What the simulated board has on 3V3: 319.28 uV less the scope's own 2 % of a division, over 2 root 3."""
    return (319.282e-6 - 0.02 * 12.5e-3) / (2 * 3**0.5)


@pytest.mark.parametrize(
    ("step", "path", "message"),
    [
        (by_scope("3V3"), BENCH, "`ripple` by a scope, and the bench file names none"),
        (
            Step(0, Ripple(("3V3",), "meter", TEN, band="20 Hz to 100 kHz")),
            ROOT / "fixtures/benches/handheld.yaml",
            "`ripple` by a meter that is read by hand",
        ),
    ],
)
def test_a_bench_that_cannot_is_refused(step: Step, path: Path, message: str) -> None:
    found = examine(with_steps(APPLY, step), the_bench(path))

    assert message in [each.message for each in found if each.refused]


def test_only_a_step_that_asks_a_scope_has_it_opened() -> None:
    assert needs_scope(with_steps(APPLY, by_scope("3V3")))
    assert not needs_scope(with_steps(APPLY, Step(0, Ripple(("3V3",), "meter", TEN, band="x"))))
