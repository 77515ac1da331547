"""Statistics of values that are not kept, against Python's own of a list of them all."""

from __future__ import annotations

import math
import random
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.running import Running

sizes = st.floats(min_value=1e-12, max_value=1e9)
readings = st.lists(sizes | sizes.map(lambda size: -size) | st.just(0.0), min_size=2, max_size=60)
"""Values from a picovolt to a gigaohm, of either sign."""


def of(values: list[float]) -> Running:
    running = Running()
    for value in values:
        running.add(value)
    return running


@given(readings)
def test_mean_and_deviation_are_those_of_the_whole_list(values: list[float]) -> None:
    running = of(values)

    assert running.mean == statistics.mean(values)
    assert running.deviation is not None
    assert math.isclose(running.deviation, statistics.stdev(values), rel_tol=4e-16, abs_tol=5e-324)


@given(readings)
def test_the_order_does_not_matter(values: list[float]) -> None:
    forward, backward = of(values), of(values[::-1])

    assert (forward.mean, forward.deviation) == (backward.mean, backward.deviation)


def test_144_000_samples_that_differ_in_the_last_digits_lose_nothing() -> None:
    noise = random.Random(8)  # noqa: S311 - noise, not a secret
    values = [24.0 + 1e-9 * noise.gauss(0, 1) for _ in range(144_000)]

    running = of(values)

    assert running.mean == statistics.fmean(values)
    centred = [value - 24.0 for value in values]
    expected = math.sqrt((math.fsum(d * d for d in centred) - math.fsum(centred) ** 2 / 144_000) / 143_999)
    assert running.deviation == pytest.approx(expected, rel=1e-13)
    assert running.deviation == pytest.approx(1e-9, rel=0.01)


def test_a_jump_of_many_orders_of_magnitude_does_not_hide_the_noise() -> None:
    running = of([1e9, 0.1, 0.2, -1e9])

    assert running.mean == statistics.mean([1e9, 0.1, 0.2, -1e9])


def test_few_values_have_no_deviation_and_none_have_no_mean() -> None:
    assert of([3.3]).mean == 3.3
    assert of([3.3]).deviation is None
    assert of([3.3, 3.3]).deviation == 0.0
    with pytest.raises(ValueError, match="the mean of no values"):
        _ = Running().mean


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_what_is_no_number_is_refused(value: float) -> None:
    with pytest.raises((ValueError, OverflowError), match=r"NaN|Infinity"):
        Running().add(value)
