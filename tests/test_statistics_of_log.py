"""Statistics of a log: by what they are judged, with how many digits they are shown, behind which mark."""

from __future__ import annotations

from typing import Any

import pytest

from bringup.core.limits import parse_limits
from bringup.core.line import StraightLine
from bringup.core.marks import Marks
from bringup.core.statistics_of_log import (
    deviation_resolution,
    mean_resolution,
    own_limits,
    product_resolution,
    sample_limits,
    slope_resolution,
)

LIMITS = parse_limits("3.3 V ± 2 %")
approx: Any = pytest.approx


@pytest.mark.parametrize(
    ("deviation", "resolution", "digit"),
    [
        (0.00312345, 1e-3, 1e-4),
        (0.0271, 1e-4, 1e-3),
        (2.7e-7, 1e-3, 1e-4),
        (0.0, 1e-3, 1e-4),
        (0.0271, None, 1e-3),
        (0.0, None, None),
    ],
)
def test_a_scatter_has_two_digits_and_none_finer_than_a_tenth_of_the_replies(
    deviation: float, resolution: float | None, digit: float | None
) -> None:
    assert deviation_resolution(deviation, resolution) == approx(digit)


def test_a_mean_has_the_digits_of_the_replies() -> None:
    assert mean_resolution(0.0123, 1e-4) == 1e-4
    assert mean_resolution(0.0123, None) == approx(0.01)


def test_a_slope_has_no_digit_that_its_scatter_or_the_replies_do_not_carry() -> None:
    line = StraightLine()
    for second in range(101):
        line.add(float(second), 3.3 + 1e-6 * second)

    assert slope_resolution(line, 1e-4) == approx(1e-3), "0.1 mV within 100 s is 3.6 mV an hour"
    assert slope_resolution(StraightLine(), 1e-4) is None


def test_watts_are_as_coarse_as_the_worse_factor_makes_them() -> None:
    assert product_resolution(24.0, 0.07, 1e-3, 1e-4) == approx(1e-3)
    assert product_resolution(24.0, 0.07, None, 1e-4) is None


def test_limits_of_its_own_replace_one_end_for_the_samples() -> None:
    least = parse_limits("> 3.1 V")

    found = sample_limits({"minimum": {"3V3": least}}, "3V3", LIMITS)

    assert found is not None
    assert (found.low, found.high) == (least.low, LIMITS.high)
    assert sample_limits({"minimum": {"3V3": least}}, "5V0", LIMITS) == LIMITS
    assert own_limits({"minimum": {"": least}}, "minimum", "5V0") == least


def test_a_moment_lies_behind_the_last_mark_before_it() -> None:
    marks = Marks(100.0, [("quiet", 20.0), ("radio transmits", 10.0)])

    assert marks.next_due == 110.0
    assert marks.take_due(105.0) == []
    assert marks.take_due(111.0) == ["radio transmits"]
    assert marks.press(115.0) == "key 1"
    assert marks.press(115.3) == "", "a key held down"
    assert marks.take_due(121.0) == ["quiet"]
    found = [marks.behind(moment) for moment in (109.9, 110.0, 114.9, 116.0, 120.0)]
    assert found == [
        "",
        "0 s behind the mark 'radio transmits'",
        "4.9 s behind the mark 'radio transmits'",
        "1 s behind the mark 'key 1'",
        "0 s behind the mark 'quiet'",
    ]
    assert marks.next_due == float("inf")


def test_marks_do_not_add_up_in_memory() -> None:
    marks = Marks(0.0)
    for second in range(10_000):
        marks.press(float(second))

    assert marks.behind(9_999.0) == "0 s behind the mark 'key 10000'"
    assert marks.behind(9_000.0) == "", "forgotten: no sample that is still to come lies there"
