"""The line through values that are not kept, against certified values and Python's own of a list of them all."""

from __future__ import annotations

import statistics

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.core.line import StraightLine

# NIST StRD linear regression, data set Norris: as transcribed alike in three public test suites (y, then x); slope and
# its standard deviation are the certified ones, which those suites quote. The file itself was not seen.
RESPONSES = (
    "0.1 338.8 118.1 888 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 557.7 228.3 "
    "998 888.8 119.6 0.3 0.6 557.6 339.3 888 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"
)
PREDICTORS = (
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777 558.2 0.4 0.6 775.5 666.9 338 447.5 11.6 556 228.1 "
    "995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999 779 11.1 118.3 229.2 669.1 448.9 0.5"
)


def line_of(moments: list[float], values: list[float]) -> StraightLine:
    line = StraightLine()
    for moment, value in zip(moments, values, strict=True):
        line.add(moment, value)
    return line


def test_slope_and_its_error_are_the_certified_ones() -> None:
    line = line_of([float(x) for x in PREDICTORS.split()], [float(y) for y in RESPONSES.split()])

    assert line.count == 36
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.slope_error == pytest.approx(0.429796848199937e-3, rel=1e-10)


@settings(max_examples=40)
@given(st.lists(st.floats(-10, 10), min_size=2, max_size=40), st.floats(0.01, 60), st.floats(0, 1e6))
def test_the_slope_is_that_of_the_whole_list_whatever_the_clock_says(
    values: list[float], every: float, begun: float
) -> None:
    moments = [index * every for index in range(len(values))]

    found = line_of([begun + moment for moment in moments], values).slope

    wanted = statistics.linear_regression(moments, values).slope
    assert found == pytest.approx(wanted, rel=1e-6, abs=1e-7 / every)


def test_a_line_takes_two_moments_and_its_error_three_values() -> None:
    assert StraightLine().slope is None
    assert line_of([5.0, 5.0], [1.0, 2.0]).slope is None
    assert line_of([0.0, 2.0], [1.0, 2.0]).slope == 0.5
    assert line_of([0.0, 2.0], [1.0, 2.0]).slope_error is None
    assert line_of([0.0, 1.0, 2.0], [1.0, 2.0, 3.0]).slope_error == 0.0


def test_a_drift_beneath_a_large_value_shows_after_hours() -> None:
    line = StraightLine()
    for second in range(36_000):
        line.add(1e6 + second, 24.0 + 1e-3 * second / 3600 + (1e-4 if second % 2 else -1e-4))

    assert line.slope is not None
    assert line.slope * 3600 == pytest.approx(1e-3, rel=1e-4)
