"""The same role tests for a meter in every dialect that ships, on a simulated meter of that style, in memory.

The simulated meters take their spellings from tables of their own, so that a slip in a dialect file shows here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import pytest

from bringup.core.bench import MeterRole
from bringup.core.dialect import Dialect
from bringup.core.reading_time import HEADROOM
from bringup.core.replies import Value
from bringup.files.dialect_file import find_dialect, shipped_dialects
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault
from bringup.runner.roles import Function, Trouble
from bringup.runner.scpi_meter import ScpiMeter
from bringup.simulation import meter_styles as styles
from bringup.simulation.bench import METERS
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.meter_style import Measures, MeterStyle
from bringup.simulation.style import Told
from bringup.simulation.styled_meter import StyledMeter
from tests.fake_instrument import FakeWorld

T = TypeVar("T")
approx: Any = pytest.approx

CASES: dict[str, MeterStyle] = {
    style.model: style
    for style in (
        *(styles.CONFIGURE_AND_READ, styles.OLDER_IMPEDANCE, styles.FUNCTION_AND_READ, styles.CONTINUOUS),
        *(styles.SELECT_AND_QUERY, styles.SHORT_WORDS, styles.TWO_WIRES_ONLY, styles.CONFIGURE_AND_VALUE),
        *(styles.HEADED, styles.VALUE_1, styles.FUNCTION_AND_FETCH, styles.FEWER_FUNCTIONS, styles.WITH_DIVIDER),
    )
}
MEASURES = {
    Function.DC_VOLTS: Measures.DCV,
    Function.AC_VOLTS: Measures.ACV,
    Function.DC_AMPS: Measures.DCI,
    Function.AC_AMPS: Measures.ACI,
    Function.OHMS: Measures.OHM,
    Function.FOUR_WIRE_OHMS: Measures.OHM4,
    Function.CAPACITANCE: Measures.CAP,
    Function.DIODE: Measures.DIODE,
    Function.FREQUENCY: Measures.FREQ,
    Function.TEMPERATURE: Measures.TEMP,
}
FREE_RUNNING = sorted(name for name, style in CASES.items() if style.free_running and name[:-1] != "METER-4")
HIGH = ["METER-10", "METER-11", "METER-12", "METER-20", "METER-22", "METER-30"]
FINDS_ITS_RANGE = {"METER-41"}
SPEEDS = {"METER-30", "METER-40", "METER-41", "METER-50", "METER-51", "METER-52"}
LACKING = {
    "METER-12": {Function.CAPACITANCE, Function.TEMPERATURE},
    "METER-21": {Function.CAPACITANCE},
    "METER-22": {Function.CAPACITANCE},
    "METER-41": {Function.FOUR_WIRE_OHMS},
}
"""What a dialect names and a model has not."""


@dataclass
class Bench:
    world: FakeWorld
    clock: SimulatedClock
    instrument: StyledMeter
    link: MemoryLink
    meter: ScpiMeter
    dialect: Dialect

    def read(self, function: Function = Function.DC_VOLTS, around: float | None = 3.3) -> Value:
        return self.taken(function, around)[0]

    def taken(
        self, function: Function = Function.DC_VOLTS, around: float | None = 3.3
    ) -> tuple[Value, tuple[Trouble, ...]]:
        return self.done(self.meter.read(function, around=around, point="3V3"))

    def done(self, pending: Pending[T]) -> T:
        for _ in range(100):
            if pending.done:
                return pending.value()
            self.clock.wait(self.clock.monotonic() + 1.0)
        raise AssertionError("nothing came")

    def sent_by_reading(self, around: float | None = 3.3, function: Function = Function.DC_VOLTS) -> list[str]:
        before = len(self.link.sent)
        value, troubles = self.taken(function, around)
        assert (value.why, troubles) == ("", ())
        return self.link.sent[before:]


def make(name: str, style: MeterStyle | None = None, dialect: Dialect | None = None, **options: Any) -> Bench:
    style = CASES[name] if style is None else style
    dialect = find_dialect(style.name, ".") if dialect is None else dialect
    world, clock = FakeWorld(probed="3V3"), SimulatedClock()
    instrument = StyledMeter(world, style)
    link = MemoryLink("meter (simulated)", instrument, clock, dialect=dialect)
    meter = ScpiMeter(MeterRole(None, style.name), dialect, link, **options)
    bench = Bench(world, clock, instrument, link, meter, dialect)
    attached = bench.done(meter.attach())
    assert attached.identity is not None
    assert attached.old_errors == ()
    assert attached.dialect is not None
    bench.dialect = attached.dialect
    return bench


every = pytest.mark.parametrize("name", sorted(CASES))


def test_every_meter_dialect_that_ships_is_among_the_cases() -> None:
    meters = {name for name in shipped_dialects() if find_dialect(name, ".").role == "meter"}

    assert {style.name for style in CASES.values()} == meters == set(METERS)
    assert {style.model for style in CASES.values() if style.free_running} - set(FREE_RUNNING) == {
        "METER-40",
        "METER-41",
    }


@every
def test_a_voltage_is_read_on_the_range_that_is_expected(name: str) -> None:
    bench = make(name)
    value, troubles = bench.taken()

    assert (value.number, value.over_range, value.why, troubles) == (approx(3.30612, abs=2e-4), 0, "", ())
    assert bench.instrument.measures is Measures.DCV
    assert bench.instrument.scale in ({None} if name in FINDS_ITS_RANGE else {5.0, 10.0, 20.0})
    assert bench.read(around=30.0).number == approx(3.30612, abs=2e-4)
    assert bench.instrument.scale in ({None} if name in FINDS_ITS_RANGE else {50.0, 100.0, 200.0})
    assert bench.read(around=None).number == approx(3.30612, abs=2e-4)
    assert bench.instrument.scale is None


@pytest.mark.parametrize("name", sorted(set(CASES) - FINDS_ITS_RANGE))
def test_every_range_of_the_dialect_is_the_one_that_the_meter_then_has(name: str) -> None:
    bench = make(name)
    for function in Function:
        for full_scale in bench.dialect.ranges.get(function.value, ()):
            if function.value in bench.dialect.functions:
                bench.taken(function, full_scale / HEADROOM)
                assert (bench.instrument.measures, bench.instrument.scale) == (MEASURES[function], approx(full_scale))


@every
def test_ohms_are_read_in_ohms(name: str) -> None:
    value = (bench := make(name)).read(Function.OHMS, None)

    assert (value.number, bench.instrument.measures) == (approx(4700.0, abs=0.1), Measures.OHM)


@every
@pytest.mark.parametrize("function", sorted(MEASURES))
def test_every_function_that_the_dialect_names_is_set_and_read_in_its_unit_and_any_other_sends_nothing(
    name: str, function: Function
) -> None:
    bench = make(name)
    bench.instrument.applied |= dict.fromkeys((Measures.ACV, Measures.DCI, Measures.ACI), 0.25)
    before = len(bench.link.sent)
    value, troubles = bench.taken(function, None)

    if function.value not in bench.dialect.functions or function in LACKING.get(name, ()):
        assert value.number is None
        assert value.why
        assert troubles
        assert bench.link.sent[before:] == []
        return
    measured = MEASURES[function]
    true = {Measures.DCV: 3.30612, Measures.OHM: 4700.0, Measures.OHM4: 4700.0} | bench.instrument.applied
    assert (value.number, value.why, troubles) == (approx(true[measured], rel=1e-4), "", ())
    assert bench.instrument.measures is measured


@every
def test_the_set_up_is_sent_once_and_not_repeated_while_it_is_known(name: str) -> None:
    bench = make(name)
    first = bench.sent_by_reading()
    second = bench.sent_by_reading()
    other = bench.sent_by_reading(30.0)

    assert len(second) < len(first)
    assert set(second) == {first[-1]}, "what is not set up is only asked"
    assert len(other) == len(first)
    assert bench.sent_by_reading() == first


@every
def test_the_set_up_is_sent_again_after_a_reconnect(name: str) -> None:
    bench = make(name)
    first = bench.sent_by_reading()
    bench.link.troubles.silent_from = bench.clock.monotonic()
    value, troubles = bench.taken()
    assert value.number is None
    assert LinkFault.TIMEOUT in {trouble.fault for trouble in troubles}
    bench.link.troubles.silent_from = math.inf
    again = bench.sent_by_reading()

    assert again[-len(first) :] == first
    assert again[0] == "*IDN?"


@every
@pytest.mark.parametrize("sign", [1, -1])
def test_beyond_the_range_is_over_range_and_no_number(name: str, sign: int) -> None:
    bench = make(name)
    bench.world.points["3V3"] = sign * (3000.0 if name in FINDS_ITS_RANGE else 300.0)
    value = bench.read()

    assert value.number is None
    # Some write the same for both signs.
    assert value.over_range == (sign if len(set(CASES[name].over)) > 1 else 1)


@every
def test_open_leads_are_over_range_in_ohms(name: str) -> None:
    bench = make(name)
    bench.world.probed = None

    assert (bench.read(Function.OHMS, None).number, bench.read(Function.OHMS, None).over_range) == (None, 1)


@every
@pytest.mark.parametrize("line", ["9.91E37", "NAN", "garbage", "+1.0E+00 degC"])
def test_what_is_no_number_is_no_value(name: str, line: str) -> None:
    bench = make(name)
    bench.link.troubles.garbage[bench.sent_by_reading()[-1]] = line
    value = bench.read()

    assert (value.number, value.over_range) == (None, 0)
    assert value.why


@every
def test_a_meter_that_does_not_answer_gives_no_value_and_says_so(name: str) -> None:
    bench = make(name)
    bench.link.troubles.silent_from = bench.clock.monotonic()
    value, troubles = bench.taken()

    assert value.number is None
    assert troubles[0].fault is LinkFault.TIMEOUT


@every
def test_what_is_read_is_of_after_the_question(name: str) -> None:
    bench = make(name)
    bench.read()
    for volts in (1.25, 2.5, 0.0, 3.0):
        bench.world.points["3V3"] = volts
        assert bench.read().number == approx(volts, abs=1e-4)


@pytest.mark.parametrize("name", FREE_RUNNING)
def test_a_free_running_meter_would_answer_with_what_was_there_before(name: str) -> None:
    model = make(name).dialect
    operations = dict(model.operations) | {"read": replace(model.operations["read"], discard=0)}
    bench = make(name, dialect=replace(model, operations=operations, variants=()))
    bench.read()
    bench.world.points["3V3"] = 1.25

    assert bench.read().number == approx(3.30612, abs=1e-4), "or else the tests of freshness prove nothing"


@every
def test_a_set_up_that_is_refused_or_not_taken_is_no_value(name: str) -> None:
    style = CASES[name]
    deaf = replace(style, tells=tuple(each for each in style.tells if not _chooses_ohms(each)))
    bench = make(name, deaf)
    assert bench.read().number is not None
    value, troubles = bench.taken(Function.OHMS, None)

    assert value.number is None
    assert value.why
    assert troubles
    again = bench.link.sent
    bench.read(Function.OHMS, None)
    assert again[-1:] == bench.link.sent[-1:]


def _chooses_ohms(told: Told) -> bool:
    does = told.does.split(", ")
    return "set OHM" in does or "configure OHM" in does


@every
def test_the_integration_covers_whole_periods_of_the_mains_and_is_waited_for(name: str) -> None:
    for cycles in (1.0, 10.0):
        bench = make(name, nplc=cycles)
        before = bench.clock.monotonic()
        bench.read()

        assert bench.instrument.seconds >= cycles * 0.02 - 1e-9
        assert bench.instrument.seconds <= (0.4 if name in SPEEDS else cycles * 0.02 + 1e-9)
        assert bench.clock.monotonic() - before < 4.0


@every
def test_the_slowest_reading_is_given_the_time_that_it_takes(name: str) -> None:
    bench = make(name, nplc=100.0)

    assert bench.read().number == approx(3.30612, abs=2e-4)


@every
def test_the_input_has_ten_megohm_whatever_somebody_left_it_at(name: str) -> None:
    bench = make(name)
    bench.read()

    assert bench.instrument.high_impedance is False
    if CASES[name].name == "function-and-read":
        assert bench.instrument.auto_zero is True


@pytest.mark.parametrize("name", HIGH)
def test_a_high_input_impedance_is_set_after_what_would_undo_it(name: str) -> None:
    bench = make(name, high_impedance=True)
    for around in (3.3, 0.5, None):
        bench.read(around=around)
        assert bench.instrument.high_impedance is True


def test_number_words_and_quoted_replies_stand_in_the_tables_as_they_are_sent() -> None:
    assert make("METER-30").sent_by_reading() == [
        *(":FUNC:VOLT:DC", ":MEAS:VOLT:DC 2", ":RATE:VOLT:DC M", ":MEAS:VOLT:DC:IMP 10M"),
        *(":MEAS:VOLT:DC?", ":MEAS:VOLT:DC?"),
    ]
    assert make("METER-40").sent_by_reading() == ["VDC", "RANGE 3", "RATE M", "FUNC1?", "MEAS1?", "MEAS1?"]
    assert make("METER-41").sent_by_reading(None, Function.OHMS)[:3] == ["OHMS", "AUTO", "RATE M"]
    assert make("METER-40").sent_by_reading(None, Function.FOUR_WIRE_OHMS)[:3] == ["OHMS", "AUTO", "WIRE4"]
    assert make("METER-21").sent_by_reading()[:5] == [
        *(":INIT:CONT OFF", ":FORM:ELEM READ", ':SENS:FUNC "VOLT:DC"', ":SENS:VOLT:DC:RANG 10", ":SYST:ERR?")
    ]


def test_a_meter_that_says_that_it_measures_something_else_gives_no_value() -> None:
    bench = make("METER-50")
    bench.link.troubles.garbage["FUNC?"] = '"RES"'
    value, troubles = bench.taken()

    assert value.why == "the meter was set to dc volts, but says that it is set to '\"RES\"'"
    assert (value.number, troubles[-1].wrong) == (None, True)
    bench.link.troubles.garbage.clear()
    assert bench.read().number == approx(3.30612, abs=2e-4)


@pytest.mark.parametrize("name", HIGH)
def test_what_nothing_powers_is_read_with_ten_megohm_whatever_the_bench_file_says(name: str) -> None:
    bench = make(name)
    bench.meter = ScpiMeter(MeterRole("", high_impedance=True), bench.dialect, bench.link)
    for dead in (False, True, False):
        bench.done(bench.meter.read(Function.DC_VOLTS, around=3.3, point="3V3", dead=dead))
        assert bench.instrument.high_impedance is not dead
