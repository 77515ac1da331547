"""The simulated meter, over a world whose points have fixed voltages."""

from __future__ import annotations

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.simulation.figures import normal, nr2, nr3, uniform
from bringup.simulation.meter import Meter
from tests.fake_instrument import FakeWorld
from tests.test_status import Talk

OVER = "+9.90000000E+37"


@pytest.fixture
def world() -> FakeWorld:
    return FakeWorld(probed="3V3")


@pytest.fixture
def meter(world: FakeWorld) -> Talk:
    return Talk(Meter(world))


def value(reply: str | None) -> float:
    assert reply is not None
    return float(reply)


def test_volts_are_read_with_the_digits_that_are_worth_something(meter: Talk) -> None:
    meter("CONF:VOLT:DC 10")
    reply = meter("READ?")

    assert value(reply) == pytest.approx(3.30612, abs=2e-4)
    assert reply is not None
    assert reply[0] == "+"
    assert len(reply.partition("E")[0].partition(".")[2]) == 5


@pytest.mark.parametrize(("nplc", "decimals"), [("0.02", 3), ("0.2", 4), ("1", 5), ("10", 5)])
def test_a_shorter_integration_gives_fewer_digits_and_takes_less_time(meter: Talk, nplc: str, decimals: int) -> None:
    meter(f"CONF:VOLT:DC 10;:VOLT:DC:NPLC {nplc}")
    before = meter.now
    reply = str(meter("READ?"))

    assert len(reply.partition("E")[0].partition(".")[2]) == decimals
    # Twice the integration: automatic zero. 0.5 ms: reading the message.
    assert meter.now - before == pytest.approx(2 * float(nplc) / 50 + 0.0005)
    meter("VOLT:DC:ZERO:AUTO OFF")
    before = meter.now
    meter("READ?")
    assert meter.now - before == pytest.approx(float(nplc) / 50 + 0.0005)


def test_the_world_is_asked_for_the_mean_over_the_integration_time(meter: Talk, world: FakeWorld) -> None:
    meter("CONF:VOLT:DC 10;:VOLT:DC:NPLC 1;:READ?")

    assert world.asked == [("volts", 0.02)]


def test_integration_times_in_between_are_rounded_up_to_what_there_is(meter: Talk) -> None:
    meter("VOLT:DC:NPLC 0.5")
    assert value(meter("VOLT:DC:NPLC?")) == 1.0
    meter("VOLT:DC:NPLC MAX;:RES:NPLC MIN")
    assert [float(part) for part in str(meter("VOLT:NPLC?;:SENS:RES:NPLC?")).split(";")] == [100.0, 0.02]
    meter("VOLT:DC:NPLC 500")
    assert meter("SYST:ERR?") == '-222,"Data out of range"'


@pytest.mark.parametrize(
    ("true", "full_scale"),
    [(0.05, 0.1), (0.095, 0.1), (0.119, 1.0), (0.5, 1.0), (3.3, 10.0), (11.9, 10.0), (12.1, 100.0), (-24.0, 100.0)],
)
def test_autorange_settles_where_the_value_belongs(
    meter: Talk, world: FakeWorld, true: float, full_scale: float
) -> None:
    world.points["3V3"] = true
    reply = meter("MEAS:VOLT:DC?")

    assert value(reply) == pytest.approx(true, rel=1e-4, abs=1e-5)
    assert value(meter("VOLT:DC:RANG?")) == full_scale
    assert meter("VOLT:DC:RANG:AUTO?") == "1"


def test_a_value_beyond_the_range_is_over_range_for_both_signs(meter: Talk, world: FakeWorld) -> None:
    for true in (12.1, -12.1):
        world.points["3V3"] = true
        assert meter("CONF:VOLT:DC 10;:READ?") == OVER
        assert meter("STAT:QUES:COND?") == "1"
    world.points["3V3"] = 11.9
    assert meter("READ?") != OVER
    assert meter("STAT:QUES:COND?") == "0"


def test_the_meter_loads_the_board_with_ten_megohm_until_it_is_told_otherwise(world: FakeWorld) -> None:
    loads: list[float] = []

    class Listening(FakeWorld):
        def probe_volts(self, now: float, aperture: float, input_resistance: float) -> float:
            loads.append(input_resistance)
            return super().probe_volts(now, aperture, input_resistance)

    meter = Talk(Meter(Listening(probed="3V3")))
    meter("CONF:VOLT:DC 10;:READ?")
    meter("VOLT:DC:IMP:AUTO ON;:READ?")
    meter("VOLT:DC:RANG 100;:READ?")
    meter("CONF:VOLT:DC 10;:READ?")
    meter("INP:IMP:AUTO ON;:READ?")

    assert loads == [1e7, 1e10, 1e7, 1e7, 1e10]


def test_resistance_is_read_with_the_test_current_of_its_range(meter: Talk, world: FakeWorld) -> None:
    meter("CONF:RES 10 KOHM")

    assert value(meter("READ?")) == pytest.approx(4700.0, rel=1e-4)
    assert world.asked == [("ohms", 1e-4)]
    assert meter("CONF:RES 1000;:READ?") == OVER
    assert meter("STAT:QUES:COND?") == "512"
    assert value(meter("MEAS:RES?")) == pytest.approx(4700.0, rel=1e-4)


def test_an_open_probe_is_over_range_in_ohms(meter: Talk) -> None:
    meter("SIM:PROB NONE")

    assert meter("CONF:RES;:READ?") == OVER


def test_amperes_read_nothing_on_an_open_input(meter: Talk) -> None:
    assert abs(value(meter("CONF:CURR:DC 1 A;:READ?"))) < 1e-4


def test_ac_volts_are_the_rms_of_what_lies_beside_the_dc(meter: Talk, world: FakeWorld) -> None:
    world.noise = 12e-3
    meter("CONF:VOLT:AC")

    assert meter("FUNC?") == '"VOLT:AC"'
    assert meter("CONF?") == '"VOLT:AC +1.000000E+01,+1.000000E-05"'
    assert value(meter("READ?")) == pytest.approx(12e-3, rel=2e-3)
    assert value(meter("MEAS:VOLT:AC? 1")) == pytest.approx(12e-3, rel=2e-2)
    assert meter("VOLT:AC:RANG?") == "+1.00000000E+00"
    world.noise = 0.0
    assert 0.0 <= value(meter("READ?")) < 1e-3
    world.noise = 2.0
    assert meter("READ?") == OVER
    assert meter("SYST:ERR?") == '+0,"No error"'


def test_samples_come_as_a_list_and_fetch_repeats_them(meter: Talk) -> None:
    meter("CONF:VOLT:DC 10;:VOLT:DC:NPLC 1;:SAMP:COUN 5")
    readings = str(meter("READ?"))

    assert len(readings.split(",")) == 5
    assert meter("FETC?") == readings
    meter("INIT")
    assert meter("FETC?") != readings
    meter("CONF:VOLT:DC 10")
    assert meter("FETC?") is None
    assert meter("SYST:ERR?") == '-230,"Data corrupt or stale"'


def test_a_bus_trigger_starts_what_was_initiated(meter: Talk) -> None:
    meter("CONF:VOLT:DC 10;:TRIG:SOUR BUS")
    assert meter("READ?") is None
    assert meter("SYST:ERR?") == '-214,"Trigger deadlock"'
    meter("*TRG")
    assert meter("SYST:ERR?") == '-211,"Trigger ignored"'
    meter("INIT;INIT")
    assert meter("SYST:ERR?") == '-213,"Init ignored"'
    meter("*TRG")
    assert value(meter("FETC?")) == pytest.approx(3.306, abs=0.01)
    meter("INIT;:ABOR;*TRG")
    assert meter("SYST:ERR?") == '-211,"Trigger ignored"'


def test_configure_presets_and_answers_what_it_is(meter: Talk) -> None:
    meter("VOLT:DC:NPLC 1;:SAMP:COUN 3;:TRIG:SOUR BUS;:CONF:VOLT:DC AUTO")

    assert meter("VOLT:DC:NPLC?;:SAMP:COUN?;:TRIG:SOUR?;:VOLT:DC:RANG:AUTO?") == "+1.00000000E+01;1;IMM;1"
    assert meter("CONF:VOLT:DC 10,1 MV;:CONF?") == '"VOLT +1.000000E+01,+1.000000E-03"'
    assert meter("FUNC?") == '"VOLT"'
    meter('FUNC "RES"')
    assert meter("SENS:FUNC?") == '"RES"'
    meter('FUNC "PRES";:CONF:VOLT:DC 2000;:CONF:VOLT:DC -1')
    assert meter("SYST:ERR:ALL?") == (
        '-224,"Illegal parameter value",-222,"Data out of range",-222,"Data out of range"'
    )


def test_errors_are_answered_with_a_sign(meter: Talk) -> None:
    assert meter("SYST:ERR?") == '+0,"No error"'


def test_the_same_meter_at_the_same_time_reads_the_same(world: FakeWorld) -> None:
    def readings(serial: str) -> list[str | None]:
        meter = Talk(Meter(FakeWorld(probed="3V3"), serial=serial))
        meter("CONF:VOLT:DC 10;:VOLT:DC:NPLC 1")
        return [meter("READ?") for _ in range(20)]

    assert readings("A") == readings("A")
    assert readings("A") != readings("B")
    assert len(set(readings("A"))) > 1


def test_noise_has_the_size_that_the_range_and_the_board_give_it(world: FakeWorld) -> None:
    def spread(noise: float, nplc: str) -> float:
        meter = Talk(Meter(FakeWorld(probed="3V3", noise=noise)))
        meter(f"CONF:VOLT:DC 10;:VOLT:DC:NPLC {nplc};:SAMP:COUN 400")
        return statistics.pstdev(float(part) for part in str(meter("READ?")).split(","))

    assert spread(0.0, "1") == pytest.approx(12.6e-6, rel=0.25)
    assert spread(0.0, "0.2") == pytest.approx(104e-6, rel=0.25)
    assert spread(0.01, "1") == pytest.approx(0.01, rel=0.25)


def test_noise_is_normal_and_errors_are_uniform() -> None:
    drawn = [normal("key", index) for index in range(4000)]
    spread = [uniform("key", index) for index in range(4000)]

    assert statistics.mean(drawn) == pytest.approx(0.0, abs=0.06)
    assert statistics.pstdev(drawn) == pytest.approx(1.0, abs=0.05)
    assert sum(abs(one) > 2 for one in drawn) / 4000 == pytest.approx(0.0455, abs=0.015)
    assert statistics.mean(spread) == pytest.approx(0.0, abs=0.04)
    assert max(map(abs, spread)) <= 1.0


@given(st.floats(-1e9, 1e9), st.integers(-6, 2))
def test_numbers_are_written_no_finer_than_their_resolution(value: float, exponent: int) -> None:
    resolution = 10.0**exponent
    for text in (nr3(value, resolution), nr2(value, resolution)):
        assert float(text) == pytest.approx(value, abs=0.51 * resolution + abs(value) * 1e-12)
    mantissa, power = nr3(value, resolution).split("E")
    last_digit = int(power) - len(mantissa.partition(".")[2])
    assert last_digit >= exponent


@pytest.mark.parametrize(
    ("value", "resolution", "text"),
    [
        (3.3060123, 1e-5, "+3.30601E+00"),
        (9.999999, 1e-5, "+1.000000E+01"),
        (0.000004, 1e-5, "+0.00000E+00"),
        (-0.05, 1e-3, "-5.0E-02"),
        (4700.04, 0.01, "+4.70004E+03"),
        (123456.0, 100.0, "+1.235E+05"),
    ],
)
def test_numbers_with_an_exponent(value: float, resolution: float, text: str) -> None:
    assert nr3(value, resolution) == text
