"""Statistics of readings against published values: summary, order, odd ones, capability; and laws of the histogram."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.core.spread import Summary, capability, drifts, histogram, modified_scores, neighbours, odd_ones, summary

NUMACC1 = [10000001.0, 10000003.0, 10000002.0]
NUMACC3 = [1000000.2, *[1000000.1, 1000000.3] * 500]
# fmt: off
MAVRO = [
    2.00180, 2.00170, 2.00180, 2.00190, 2.00180, 2.00170, 2.00150, 2.00140, 2.00150, 2.00150, 2.00170,
    2.00180, 2.00180, 2.00190, 2.00190, 2.00210, 2.00200, 2.00160, 2.00140, 2.00130, 2.00130, 2.00150,
    2.00150, 2.00160, 2.00150, 2.00140, 2.00130, 2.00140, 2.00150, 2.00140, 2.00150, 2.00160, 2.00150,
    2.00160, 2.00190, 2.00200, 2.00200, 2.00210, 2.00220, 2.00230, 2.00240, 2.00250, 2.00270, 2.00260,
    2.00260, 2.00260, 2.00270, 2.00260, 2.00250, 2.00240
]
AMPLIFIERS = [
    4.54, 4.87, 4.66, 4.90, 4.68, 5.22, 4.43, 5.14, 3.07, 4.22, 5.09, 3.41, 5.75, 5.16, 3.96, 5.37, 5.70,
    4.11, 4.83, 4.51, 4.57, 4.16, 5.73, 3.64, 5.48, 4.95, 4.57, 4.46, 4.75, 5.38, 5.19, 4.35, 4.98, 4.87,
    3.53, 4.46, 4.57, 4.69, 5.27, 4.67, 5.03, 4.50, 5.35, 4.55, 4.05, 6.63, 5.32, 5.24, 5.73, 5.08, 5.07,
    5.42, 5.05, 5.70, 4.79, 4.34, 5.06, 4.64, 4.82, 3.24, 4.79, 4.46, 3.84, 5.05, 5.46, 4.64, 6.13, 4.31,
    4.81, 4.98, 4.95, 5.57, 4.11, 4.15, 5.95
]
# fmt: on


@pytest.mark.parametrize(
    ("values", "mean", "deviation", "lag"),
    [
        # NIST Statistical Reference Datasets, NumAcc1.dat and NumAcc3.dat, certified (seen in usnistgov/dataplot).
        (NUMACC1, 10000002, 1, -0.5),
        (NUMACC3, 1000000.2, 0.1, -0.999),
        # NIST StRD, Mavro.dat: data seen there, certified values by way of other programs' tests, recomputed in mpmath.
        (MAVRO, 2.001856, 0.000429123454003053, 0.937989183438248),
    ],
)
def test_the_summary_is_that_of_nist(values: list[float], mean: float, deviation: float, lag: float) -> None:
    of = summary(values)

    assert of.mean == pytest.approx(mean, rel=1e-14)
    assert of.deviation == pytest.approx(deviation, rel=1e-9)
    assert neighbours(values) == pytest.approx(lag, rel=1e-9)


def test_cpk_and_its_interval_are_those_of_a_published_example() -> None:
    # SAS/QC User's Guide, CAPABILITY procedure, "Displaying a Confidence Interval for Cpk" (page qcug_capability_
    # a0000001605, data in sample CAPSPEC3; both seen): limits 4 and 6 dB, 90 %: 0.328 to 0.496.
    found = capability(summary(AMPLIFIERS), 4, 6, confidence=0.90)

    assert found is not None
    assert (round(found.low, 3), round(found.high, 3), found.nearer) == (0.328, 0.496, "lower")


def test_cpk_is_that_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.1.6 (from memory): limits 8 and 20, mean 16, standard deviation 2: Cpk 0.6667.
    found = capability(Summary(50, 16, 2, 10, 22), 8, 20)

    assert found is not None
    assert found.cpk == pytest.approx(0.6667, abs=5e-5)
    # Interval by the formula at n = 50, recomputed with scipy: 0.505551 to 0.827782.
    assert [found.low, found.high] == pytest.approx([0.505551, 0.827782], abs=5e-7)


def test_one_limit_gives_the_capability_towards_it() -> None:
    found = capability(Summary(50, 16, 2, 10, 22), None, 20)

    assert found is not None
    assert found.cpk == pytest.approx(4 / 6)
    assert found.nearer == "upper"


@pytest.mark.parametrize(("values", "low", "high"), [([3.3], 3, 4), ([3.3, 3.3], 3, 4), ([3.3, 3.4], None, None)])
def test_no_capability_of_one_value_of_equal_ones_or_without_a_limit(
    values: list[float], low: float | None, high: float | None
) -> None:
    assert capability(summary(values), low, high) is None


def test_fewer_units_make_a_wider_interval() -> None:
    wide = [capability(Summary(n, 3.3, 0.01, 3.28, 3.32), 3.234, 3.366) for n in (2, 5, 30, 500)]
    widths = [found.high - found.low for found in wide if found is not None]

    assert widths == sorted(widths, reverse=True)
    assert len(widths) == 4


def test_modified_scores_find_the_odd_one_of_a_published_set() -> None:
    # Data of Tietjen and Moore as in NIST/SEMATECH e-Handbook 1.3.5.17.1 (seen); the score by Iglewicz and Hoaglin
    # (e-Handbook 1.3.5.17, from memory), recomputed by hand: median 201.37, MAD 0.995.
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    expected = [-1.3965, -1.2473, -0.7999, -0.3728, 0.3728, 0.3932, 0.5491, 29.9627]

    assert [round(score, 4) for score in modified_scores(values)] == expected
    assert odd_ones(values) == [7]


def test_one_that_differs_from_equal_ones_is_odd_and_equal_ones_are_not() -> None:
    assert odd_ones([3.3] * 9 + [3.4]) == [9]
    assert odd_ones([3.3] * 9) == []
    assert odd_ones([3.3, 3.3, 3.3, 9.9]) == [], "too few to tell"


def test_values_that_climb_drift_and_those_that_alternate_do_not() -> None:
    assert drifts([3.30 + 0.001 * place for place in range(20)])
    assert not drifts([3.30 + 0.001 * (-1) ** place for place in range(20)])
    assert neighbours([3.3, 3.3, 3.3]) is None


sizes = st.floats(min_value=-1e6, max_value=1e6).map(lambda value: round(value, 6))


@settings(max_examples=50)
@given(st.lists(sizes, min_size=1, max_size=60))
def test_every_value_is_in_one_bin_and_the_bins_join(values: list[float]) -> None:
    bins = histogram(values)

    assert sum(each.count for each in bins) == len(values)
    assert len(bins) <= 14
    width = bins[0].high - bins[0].low
    slack = 1e-6 * width + 1e-9 * max(1, abs(max(values, key=abs)))
    assert bins[0].low - slack <= min(values)
    assert max(values) <= bins[-1].high + slack
    for one, other in pairwise(bins):
        assert math.isclose(one.high, other.low, rel_tol=1e-9, abs_tol=1e-12)


@settings(max_examples=50)
@given(st.lists(sizes, min_size=2, max_size=40), st.floats(min_value=-1e3, max_value=1e3))
def test_shifting_all_values_shifts_the_mean_and_nothing_else(values: list[float], by: float) -> None:
    of, moved = summary(values), summary([value + by for value in values])

    assert moved.mean == pytest.approx(of.mean + by, abs=1e-6)
    assert moved.deviation == pytest.approx(of.deviation, abs=1e-6, rel=1e-6)
    assert of.lowest <= of.mean + 1e-9 * abs(of.mean) + 1e-12
    assert of.mean <= of.highest + 1e-9 * abs(of.mean) + 1e-12


def test_a_summary_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="no values"):
        summary([])
