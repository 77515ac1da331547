"""When successive readings count as settled: noise yes, ramps no, missing values never."""

from __future__ import annotations

import math
from dataclasses import asdict
from random import Random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from bringup.core.replies import Value, read_number
from bringup.core.settling import AT_LEAST, MANNERS, Manner, Settler, State, manner_of
from bringup.core.words import Kind

VOLTS = MANNERS[Kind.VOLTAGE]
OHMS = MANNERS[Kind.RESISTANCE]


def value(number: float | None, resolution: float | None = None) -> Value:
    return Value(number, repr(number), resolution)


def feed(settler: Settler, numbers: list[float | None], every: float = 0.1, resolution: float | None = None) -> State:
    for index, number in enumerate(numbers):
        settler.feed(index * every, value(number, resolution))
    return settler.state


def test_three_equal_readings_are_settled_and_two_are_not() -> None:
    settler = Settler(VOLTS)
    assert feed(settler, [3.3, 3.3]) is State.SETTLING
    assert settler.feed(0.2, value(3.3)) is State.SETTLED
    assert settler.last == value(3.3)
    assert settler.mean == pytest.approx(3.3)
    assert settler.scatter == 0.0


def test_a_rail_that_comes_up_settles_when_it_is_up() -> None:
    settler = Settler(VOLTS)
    rising = [0.0, 0.9, 1.9, 2.8, 3.29, 3.3001, 3.3, 3.3002]
    assert feed(settler, [*rising]) is State.SETTLING
    assert settler.feed(0.8, value(3.3)) is State.SETTLED
    assert (settler.lowest, settler.highest) == (0.0, 3.3002)
    assert settler.mean == pytest.approx(3.3, abs=1e-4)


def test_readings_of_one_moment_do_not_settle() -> None:
    settler = Settler(VOLTS)
    assert feed(settler, [3.3] * 10, every=0.0) is State.SETTLING


def test_fast_readings_of_a_slow_ramp_do_not_settle() -> None:
    settler = Settler(VOLTS)
    assert feed(settler, [3.3 + 0.01 * 0.005 * index for index in range(900)], every=0.005) is State.SETTLING


def test_a_ramp_that_hides_below_the_last_digit_does_not_settle_at_once() -> None:
    settler = Settler(VOLTS)
    # 150 mV a second, shown in steps of 10 mV: for three readings the display stands still.
    shown = [math.floor(index * 0.15 * 0.02 / 0.01) * 0.01 for index in range(200)]
    assert feed(settler, [*shown], every=0.02, resolution=0.01) is State.SETTLING


def test_a_hiccuping_rail_never_settles_and_gives_its_range() -> None:
    settler = Settler(VOLTS)
    assert feed(settler, [0.2, 3.1] * 30) is State.NEVER
    assert (settler.lowest, settler.highest) == (0.2, 3.1)
    assert settler.mean is None


def test_noise_wider_than_any_limits_never_settles() -> None:
    noise = Random(7)  # noqa: S311 - repeatable noise
    settler = Settler(VOLTS)
    assert feed(settler, [3.3 + noise.uniform(-0.3, 0.3) for _ in range(60)]) is State.NEVER


def test_nothing_changes_once_it_is_settled_or_given_up() -> None:
    settled, given_up = Settler(VOLTS), Settler(VOLTS)
    feed(settled, [3.3] * 3)
    assert settled.feed(9.0, value(0.0)) is State.SETTLED
    assert settled.last == value(3.3)
    given_up.feed(0.0, value(None))
    assert given_up.give_up(VOLTS.bound - 0.01) is State.SETTLING
    assert given_up.give_up(VOLTS.bound) is State.NEVER
    assert feed(given_up, [3.3] * 3) is State.NEVER


def test_missing_values_are_counted_and_are_never_zero() -> None:
    settler = Settler(VOLTS)
    assert feed(settler, [None] * 5) is State.SETTLING
    assert (settler.missing, settler.lowest, settler.highest, settler.last) == (5, None, None, None)
    for index, number in enumerate([3.3, None, 3.3, None, 3.3]):
        settler.feed(1.0 + index, value(number))
    assert settler.state is State.SETTLED
    assert (settler.missing, settler.lowest, settler.highest) == (7, 3.3, 3.3)


def test_infinity_and_nan_are_missing_values() -> None:
    settler = Settler(VOLTS)
    feed(settler, [math.nan, math.inf])
    assert (settler.missing, settler.lowest) == (2, None)


def test_nothing_but_missing_values_never_settles() -> None:
    settler = Settler(VOLTS)
    assert feed(settler, [None] * 60) is State.NEVER
    assert settler.missing == 51
    assert settler.last is None


def test_over_range_settles_as_over_range() -> None:
    settler = Settler(OHMS)
    over = read_number("+9.9E37")
    assert [settler.feed(0.4 * index, over) for index in range(4)][-2:] == [State.SETTLING, State.SETTLED]
    assert settler.last is over
    assert (settler.mean, settler.lowest) == (None, None)


def test_over_range_now_and_then_is_not_settled() -> None:
    settler = Settler(VOLTS)
    over, under = read_number("9.9E37"), read_number("-9.9E37")
    for index in range(60):
        settler.feed(0.1 * index, (over, under, value(3.3))[index % 3])
    assert settler.state is State.NEVER


@pytest.mark.parametrize("tau", [1.0, 3.0, 8.0])
@pytest.mark.parametrize("every", [0.05, 0.25, 1.0])
@pytest.mark.parametrize("noise", [0.0, 0.0005, 0.01])
def test_a_charging_capacitor_is_not_settled_early(tau: float, every: float, noise: float) -> None:
    source = Random(3)  # noqa: S311 - repeatable noise
    settler = Settler(Manner(**{**_fields(OHMS), "bound": 1000.0}))
    at = 0.0
    while settler.state is State.SETTLING:
        true = 4700 * (1 - math.exp(-at / tau))
        settler.feed(at, value(true * (1 + source.gauss(0, noise)), 0.01))
        at += every
        assert at < 900
    assert settler.mean is not None
    assert settler.mean == pytest.approx(4700, rel=0.02 + 3 * noise)


def _fields(manner: Manner) -> dict[str, float]:
    return asdict(manner)


def test_what_a_meter_integrates_into_a_current_ramp_never_settles_within_the_bound() -> None:
    settler = Settler(OHMS)
    # A constant test current into bare capacitance: 10 kohm a second, for ever.
    assert feed(settler, [10_000 * 0.1 * index for index in range(301)], every=0.1) is State.NEVER


def test_every_kind_has_a_manner() -> None:
    for kind in Kind:
        manner = manner_of(kind)
        assert manner.bound > manner.horizon > 0
        assert manner.noise_relative >= manner.relative
    assert manner_of(Kind.RESISTANCE).bound > manner_of(Kind.VOLTAGE).bound


@given(
    centre=st.floats(-50, 50),
    errors=st.lists(st.floats(-1, 1), min_size=AT_LEAST, max_size=AT_LEAST),
    every=st.floats(0.1, 0.5),
)
def test_readings_that_agree_within_tolerance_settle_whatever_their_noise(
    centre: float, errors: list[float], every: float
) -> None:
    tolerance = max(VOLTS.relative * abs(centre), VOLTS.least)
    settler = Settler(VOLTS)
    assert feed(settler, [centre + error * tolerance / 8 for error in errors], every=every) is State.SETTLED


@given(centre=st.floats(-50, 50), share=st.floats(0.01, 0.4), seed=st.integers(0, 10_000))
def test_a_constant_with_bounded_noise_always_settles(centre: float, share: float, seed: int) -> None:
    source = Random(seed)  # noqa: S311 - repeatable noise
    swing = share * max(VOLTS.noise_relative * abs(centre), VOLTS.noise_least)
    settler = Settler(VOLTS)
    # Twenty readings a second.
    feed(settler, [centre + source.uniform(-swing, swing) for _ in range(100)], every=0.05)
    assert settler.state is State.SETTLED
    assert settler.mean == pytest.approx(centre, abs=swing)


@settings(max_examples=30)
@given(
    start=st.floats(-50, 50),
    slope=st.floats(-100, 100),
    every=st.floats(0.02, 0.5),
    resolution=st.sampled_from([None, 1e-6, 1e-4, 1e-3]),
)
def test_a_ramp_faster_than_the_tolerance_never_settles(
    start: float, slope: float, every: float, resolution: float | None
) -> None:
    count = math.ceil(VOLTS.bound / every) + 1
    largest = abs(start) + abs(slope) * count * every
    tolerance = max(VOLTS.relative * largest, VOLTS.least, VOLTS.counts * (resolution or 0))
    assume(abs(slope) * VOLTS.horizon > 1.05 * tolerance + 2 * (resolution or 0))
    ramp = [start + slope * every * index for index in range(count)]
    if resolution:
        ramp = [round(number / resolution) * resolution for number in ramp]
    settler = Settler(VOLTS)
    assert feed(settler, [*ramp], every=every, resolution=resolution) is State.NEVER
    assert (settler.lowest, settler.highest) == (min(ramp[: _fed(settler, ramp)]), max(ramp[: _fed(settler, ramp)]))


def _fed(settler: Settler, ramp: list[float]) -> int:
    """How many were taken before it gave up."""
    assert settler.last is not None
    assert settler.last.number is not None
    return ramp.index(settler.last.number) + 1
