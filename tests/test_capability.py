"""Capability against published examples: every index with its interval, and words where there is none."""

from __future__ import annotations

import math

import pytest

import bringup.core.capability as module
from bringup.core.capability import capability, nearest_index, range_freedom, two_sided_index
from bringup.errors import NoStatistic
from tests.needs_scipy import needs_scipy

# fmt: off
AMPLIFIERS = [
    4.54, 4.87, 4.66, 4.90, 4.68, 5.22, 4.43, 5.14, 3.07, 4.22, 5.09, 3.41, 5.75, 5.16, 3.96, 5.37,
    5.70, 4.11, 4.83, 4.51, 4.57, 4.16, 5.73, 3.64, 5.48, 4.95, 4.57, 4.46, 4.75, 5.38, 5.19, 4.35,
    4.98, 4.87, 3.53, 4.46, 4.57, 4.69, 5.27, 4.67, 5.03, 4.50, 5.35, 4.55, 4.05, 6.63, 5.32, 5.24,
    5.73, 5.08, 5.07, 5.42, 5.05, 5.70, 4.79, 4.34, 5.06, 4.64, 4.82, 3.24, 4.79, 4.46, 3.84, 5.05,
    5.46, 4.64, 6.13, 4.31, 4.81, 4.98, 4.95, 5.57, 4.11, 4.15, 5.95
]
# fmt: on


def test_ppk_and_its_interval_are_those_of_a_published_example() -> None:
    # SAS/QC User's Guide, CAPABILITY procedure, "Displaying a Confidence Interval for Cpk" (page qcug_capability_
    # a0000001605, data in sample CAPSPEC3; both seen): limits 4 and 6 dB, 90 %: 0.328 to 0.496. It uses the standard
    # deviation of all values, which makes it Ppk here. Further digits recomputed with scipy.
    found = capability(AMPLIFIERS, 4, 6, confidence=0.90).ppk

    assert (round(found.low, 3), round(found.high, 3), found.nearer) == (0.328, 0.496, "lower")
    assert [found.value, found.low, found.high] == pytest.approx([0.411919775813, 0.327598703862, 0.496240847764])


@needs_scipy
def test_pp_of_the_same_example_has_the_interval_that_scipy_gives() -> None:
    found = capability(AMPLIFIERS, 4, 6, confidence=0.90).pp

    assert found is not None
    assert [found.value, found.low, found.high] == pytest.approx([0.508961831729, 0.439538, 0.576922], abs=5e-7)


@needs_scipy
def test_cp_and_cpk_are_those_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.1.6 (from memory): limits 8 and 20, mean 16, standard deviation 2: Cp 1, Cpk 0.6667.
    # Intervals by the formulas at n = 50, recomputed with scipy.
    both = two_sided_index(2, 49, 8, 20, 0.95)
    nearest = nearest_index(16, 2, 50, 49, 8, 20, 0.95)

    assert [both.value, both.low, both.high] == pytest.approx([1.0, 0.802482, 1.197126], abs=5e-7)
    assert [nearest.value, nearest.low, nearest.high] == pytest.approx([0.666667, 0.505551, 0.827782], abs=5e-7)
    assert nearest.nearer == "upper"


def test_one_limit_gives_the_indices_towards_it_and_no_two_sided_ones() -> None:
    found = capability(AMPLIFIERS, None, 6)

    assert found.ppk.value == pytest.approx(0.606003887646)
    assert (found.ppk.nearer, found.cp, found.pp, found.why_not) == ("upper", None, None, "")


def test_a_drift_lowers_ppk_and_leaves_cpk() -> None:
    still = [0.001 * (-1) ** place for place in range(40)]
    drifting = [value + 0.001 * place for place, value in enumerate(still)]

    calm, moved = (capability([3.3 + value for value in values], 3.2, 3.4) for values in (still, drifting))

    assert moved.ppk.value < 0.6 * calm.ppk.value
    assert moved.within == pytest.approx(calm.within, rel=0.03)


def test_the_moving_range_is_worth_fewer_degrees_of_freedom_than_a_standard_deviation() -> None:
    # One range of two values is |x1 - x2|: var / mean^2 = (2 - 4/pi) / (4/pi), 1 / (2 of that) = 0.876, told as 1.
    # Many: 0.8264 / n of variance (derived; the efficiency of 0.605 of mean successive differences, from memory).
    assert range_freedom(2) == 1.0
    assert range_freedom(10_000) / 10_000 == pytest.approx(0.605, abs=5e-4)
    assert all(range_freedom(n) <= n - 1 for n in range(2, 50))


@pytest.mark.parametrize(
    ("values", "low", "high", "words"),
    [
        ([3.3], 3, 4, "a capability takes 2 values, there is 1"),
        ([3.3, 3.3], 3, 4, "divides by the standard deviation, and all 2 values are the same"),
        ([3.3, 3.4], None, None, "takes limits, and these readings have none"),
        ([3.3, math.nan], 3, 4, "'nan' is not a number"),
    ],
)
def test_no_capability_is_said_in_words(values: list[float], low: float | None, high: float | None, words: str) -> None:
    with pytest.raises(NoStatistic, match=words):
        capability(values, low, high)


def test_without_scipy_cpk_and_ppk_are_left_and_the_others_are_said_to_be_missing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "special", lambda: None)

    found = capability(AMPLIFIERS, 4, 6)

    assert (found.cp, found.pp) == (None, None)
    assert found.why_not == "Cp and Pp are left out: their intervals need scipy"
    assert found.cpk.low < found.cpk.value < found.cpk.high
