"""The measurement-system study against the published worked example, by both methods; and its refusals in words."""

from __future__ import annotations

import pytest

import bringup.core.distributions
from bringup.core.gauge import (
    INTERACTION,
    MEASUREMENT,
    PARTS,
    REPEATABILITY,
    REPRODUCIBILITY,
    TOTAL,
    by_ranges,
    by_variance,
)
from bringup.core.range_constants import highest_range, mean_and_deviation, one_range
from bringup.errors import NoStatistic
from tests.needs_scipy import needs_scipy

# AIAG, Measurement Systems Analysis, 4th edition (2010), chapter III B: 10 parts, 3 appraisers, 3 trials. The manual
# was not seen: data and results of the analysis of variance second-hand, averages and ranges from memory; all
# recomputed (statsmodels, and the worksheet redone).
# fmt: off
ROWS = [
    (0.29, 0.41, 0.64, 0.08, 0.25, 0.07, 0.04, -0.11, -0.15),
    (-0.56, -0.68, -0.58, -0.47, -1.22, -0.68, -1.38, -1.13, -0.96),
    (1.34, 1.17, 1.27, 1.19, 0.94, 1.34, 0.88, 1.09, 0.67),
    (0.47, 0.50, 0.64, 0.01, 1.03, 0.20, 0.14, 0.20, 0.11),
    (-0.80, -0.92, -0.84, -0.56, -1.20, -1.28, -1.46, -1.07, -1.45),
    (0.02, -0.11, -0.21, -0.20, 0.22, 0.06, -0.29, -0.67, -0.49),
    (0.59, 0.75, 0.66, 0.47, 0.55, 0.83, 0.02, 0.01, 0.21),
    (-0.31, -0.20, -0.17, -0.63, 0.08, -0.34, -0.46, -0.56, -0.49),
    (2.26, 1.99, 2.01, 1.80, 2.12, 2.19, 1.77, 1.45, 1.87),
    (-1.36, -1.25, -1.31, -1.68, -1.62, -1.50, -1.49, -1.77, -2.16),
]
# fmt: on
WORKSHEET = {
    str(part): {name: list(row[at : at + 3]) for name, at in (("A", 0), ("B", 3), ("C", 6))}
    for part, row in enumerate(ROWS, 1)
}


def test_the_table_of_the_analysis_is_the_published_one() -> None:
    found = by_variance(WORKSHEET)

    assert found.pooled, "the interaction is less than repeatability"
    assert {each.name: each.freedom for each in found.sources} == {
        "appraisers": 2, "units": 9, "appraisers x units": 18, "repeats": 60,
    }  # fmt: skip
    squares = {each.name: each.squares for each in found.sources}
    assert squares["appraisers"] == pytest.approx(3.167262222, rel=1e-8)
    assert squares["units"] == pytest.approx(88.36193444, rel=1e-8)
    assert squares["appraisers x units"] == pytest.approx(0.3589822222, rel=1e-8)
    assert squares["repeats"] == pytest.approx(2.758933333, rel=1e-8)
    assert [each.ratio for each in found.sources[:3]] == pytest.approx([39.617, 245.614, 0.43372], rel=1e-4)


@pytest.mark.parametrize(
    ("name", "published", "sigma", "contribution"),
    [
        (REPEATABILITY, 0.199933, 0.1999331797, 3.4),
        (REPRODUCIBILITY, 0.226838, 0.2268375215, 4.4),
        (MEASUREMENT, 0.302373, 0.3023715223, 7.8),
        (PARTS, 1.042327, 1.0423274938, 92.2),
        (TOTAL, 1.085, 1.0852995632, 100),
    ],
)
def test_components_by_variance_are_the_published_ones(
    name: str, published: float, sigma: float, contribution: float
) -> None:
    found = by_variance(WORKSHEET).component(name)

    assert found.sigma == pytest.approx(published, abs=5e-6 if name != TOTAL else 5e-4)
    assert found.sigma == pytest.approx(sigma, rel=1e-8)
    assert found.contribution == pytest.approx(contribution, abs=0.05)


def test_grr_and_categories_by_variance() -> None:
    found = by_variance(WORKSHEET, width=8.0)

    assert found.component(MEASUREMENT).of_total == pytest.approx(27.86, abs=0.005)
    assert found.component(MEASUREMENT).of_tolerance == pytest.approx(100 * 6 * 0.3023715223 / 8)
    assert found.categories == pytest.approx(4.861, abs=5e-4)
    assert found.component(INTERACTION).sigma == 0


@pytest.mark.parametrize(
    ("name", "sigma", "percent"),
    [(REPEATABILITY, 0.20188, 17.62), (REPRODUCIBILITY, 0.22963, 20.04), (MEASUREMENT, 0.30575, 26.68),
     (PARTS, 1.10456, 96.38), (TOTAL, 1.14610, 100)],
)  # fmt: skip
def test_components_by_ranges_are_the_published_ones(name: str, sigma: float, percent: float) -> None:
    found = by_ranges(WORKSHEET).component(name)

    assert found.sigma == pytest.approx(sigma, rel=3e-4)
    assert found.of_total == pytest.approx(percent, abs=0.01)


def test_categories_and_the_one_wide_range() -> None:
    found = by_ranges(WORKSHEET)

    assert found.categories == pytest.approx(5.094, abs=5e-3)
    assert [(part, name) for part, name, _ in found.wide] == [("4", "B")]
    assert found.wide[0][2] == pytest.approx(1.02)
    # Published 0.8816, with D4 = 2.58; the constant to its full length is 2.5746.
    assert found.range_limit == pytest.approx(0.8816, rel=3e-3)


@pytest.mark.parametrize(
    ("n", "d2", "d3", "d4", "one"),
    # Recomputed by numerical integration elsewhere; printed tables agree to two units of their last place.
    [(2, 1.12838, 0.85250, 3.2665, 0.7071), (3, 1.69257, 0.88837, 2.5746, 0.5231),
     (5, 2.32593, 0.86408, 2.1145, 0.4030), (10, 3.07751, 0.79705, 1.7770, 0.3146)],
)  # fmt: skip
def test_the_constants_of_ranges(n: int, d2: float, d3: float, d4: float, one: float) -> None:
    assert mean_and_deviation(n) == pytest.approx((d2, d3), abs=6e-6)
    assert highest_range(n) == pytest.approx(d4, abs=6e-5)
    assert one_range(n) == pytest.approx(one, abs=6e-5)


CROSSED = {
    "1": {"A": [1.0, 1.1], "B": [2.0, 2.1]},
    "2": {"A": [2.0, 2.1], "B": [1.0, 1.1]},
    "3": {"A": [1.5, 1.6], "B": [1.5, 1.6]},
}


@needs_scipy
def test_an_interaction_that_is_there_is_kept() -> None:
    found = by_variance(CROSSED)

    # By hand: cell means -0.5, +0.5, 0 off: squares 2 * 4 * 0.25 = 2, mean square 1; repeats 6 * 0.005 / 6 = 0.005.
    assert not found.pooled
    assert found.component(INTERACTION).sigma == pytest.approx(((1 - 0.005) / 2) ** 0.5)
    assert found.component(REPEATABILITY).sigma == pytest.approx(0.005**0.5)


def test_a_large_interaction_asks_for_scipy_where_there_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bringup.core.distributions, "special", lambda: None)

    with pytest.raises(NoStatistic, match="the F distribution is computed by scipy"):
        by_variance(CROSSED)


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ({"1": {"A": [1, 2], "B": [1, 2]}, "2": {"A": [1, 2]}}, "2 was not measured by B"),
        ({"1": {"A": [1, 2], "B": [1, 2]}}, "2 units, 2 appraisers and 2 repeats of each at least; there are 1, 2"),
        ({"1": {"A": [1], "B": [2]}, "2": {"A": [1], "B": [1]}}, "there are 2, 2 and 1"),
        ({"1": {"A": [1, 2], "B": [1, 2, 3]}, "2": {"A": [1, 2], "B": [1, 2]}}, "as many repeats of each; there are"),
        ({"1": {"A": [1, 1], "B": [1, 1]}, "2": {"A": [1, 1], "B": [1, 1]}}, "that differ, and all 8 are the same"),
    ],
)  # fmt: skip
def test_what_makes_no_study_is_said(cells: dict[str, dict[str, list[float]]], words: str) -> None:
    for method in (by_variance, by_ranges):
        with pytest.raises(NoStatistic, match=words):
            method(cells)
