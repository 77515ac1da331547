"""Intervals, tests for outliers, control charts, trend, analysis of variance, correlation: against published values."""

from __future__ import annotations

import itertools
import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

import bringup.core.distributions as module
import bringup.core.variance as analysis
from bringup.core.charts import (
    average_limits,
    broken_rules,
    chart,
    climbing,
    middle_slope,
    moving_average,
    orders_beyond,
    trend,
)
from bringup.core.correlation import correlation
from bringup.core.distributions import t_quantile
from bringup.core.intervals import (
    clopper_pearson,
    deviation_interval,
    difference_interval,
    mean_interval,
    median_interval,
    quantile,
)
from bringup.core.outliers import count_odd, critical_value, grubbs, several
from bringup.core.spread import Summary
from bringup.core.variance import one_way
from bringup.core.yields import FirstYield, wilson
from bringup.errors import NoStatistic
from tests.needs_scipy import needs_scipy

# NIST/SEMATECH e-Handbook 1.3.5.17.1 (seen), data of Tietjen and Moore.
URANIUM = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
# fmt: off
# e-Handbook 1.3.5.17.3, data of Rosner (from memory, with its results).
ROSNER = [
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70,
    1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40,
    2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
]
# NIST StRD, SiRstv.dat (seen): resistivity of silicon, five instruments.
SILICON = {
    "1": [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    "2": [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    "3": [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    "4": [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    "5": [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
}
# NIST StRD, AtmWtAg.dat (seen): atomic weight of silver less 107.868, in 1e-7, two instruments.
SILVER = {
    "1": [1568, 1465, 1572, 1785, 1446, 1903, 1526, 1494, 1616, 1587, 1519, 1486,
          1419, 1569, 1508, 1672, 1385, 1518, 1662, 1424, 1360, 1333, 1610, 1477],
    "2": [1079, 1344, 1513, 1197, 1604, 1385, 1642, 1365, 1151, 1082, 1517, 1448,
          1198, 1482, 1334, 1609, 1101, 1512, 1469, 1360, 1254, 1261, 1450, 1368],
}
# NIST StRD, Norris.dat (seen): ozone by two instruments, y and x.
NORRIS = [
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5), (668.5, 666.3),
    (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4), (0.1, 0.6), (778.1, 775.5),
    (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6), (557.7, 556.0), (228.3, 228.1), (998.0, 995.8),
    (888.8, 887.6), (119.6, 120.2), (0.3, 0.3), (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2),
    (998.5, 999.0), (778.9, 779.0), (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9),
    (0.2, 0.5),
]
# fmt: on


def small_limits(offset: str, replicates: int) -> dict[str, list[Decimal]]:
    """NIST StRD, SmLs01 to SmLs09: nine treatments after a large offset, as in the files (seen)."""
    base = Decimal(offset)
    found = {}
    for treatment in range(9):
        first = base + (Decimal("0.4"), Decimal("0.3"), Decimal("0.5"))[0 if not treatment else 1 + (treatment + 1) % 2]
        pairs = [first - Decimal("0.1"), first + Decimal("0.1")] * ((replicates - 1) // 2)
        found[str(treatment + 1)] = [first, *pairs]
    return found


class TestIntervals:
    # Newcombe, Statistics in Medicine 17 (1998) 857, Table I: Wilson second-hand, Clopper-Pearson from memory; all
    # recomputed with statsmodels and scipy.
    def test_wilson(self) -> None:
        assert wilson(81, 263) == pytest.approx((0.2552885199, 0.3662095770), abs=1e-9)
        assert wilson(0, 20) == pytest.approx((0, 0.1611251581), abs=1e-9)
        assert wilson(20, 20) == pytest.approx((0.8388748419, 1), abs=1e-9)

    @needs_scipy
    def test_clopper_pearson(self) -> None:
        ends = [(found.low, found.high) for found in (clopper_pearson(81, 263), clopper_pearson(20, 20))]

        assert ends[0] == pytest.approx((0.2527367456, 0.3676219226), abs=1e-9)
        assert ends[1] == pytest.approx((0.8315665290, 1), abs=1e-9)
        # NIST/SEMATECH e-Handbook 7.2.4.1 (seen): 4 of 20, 90 %: 0.071354 to 0.401029 (its last digit one too high).
        found = clopper_pearson(4, 20, 0.9)
        assert (found.low, found.high) == pytest.approx((0.071354, 0.401029), abs=2e-6)

    @needs_scipy
    def test_a_lot_tells_both_intervals_of_its_yield(self) -> None:
        told = FirstYield(passed_first=16, judged=20, passed_last=18, undecided=0).lines()

        # 4 of 20 mirrored; Clopper-Pearson at 95 %: 0.0573 to 0.4366 fail (scipy.stats.binomtest).
        assert "  the lot's own lies between 58 % and 92 % (95 %, Wilson)" in told
        assert "  or between 56 % and 94 % (95 %, Clopper-Pearson)" in told

    @needs_scipy
    def test_student_and_chi_squared(self) -> None:
        # JCGM 100:2008 table G.2 (from memory, recomputed): 95 % of 4 degrees of freedom 2.776, of 20 2.086.
        assert [round(t_quantile(0.975, freedom), 3) for freedom in (4, 20)] == [2.776, 2.086]
        found = mean_interval(Summary(5, 10.0, 2.0, 8, 12))
        assert found.high - 10 == pytest.approx(2.776445 * 2 / math.sqrt(5), rel=1e-6)
        # Chi-squared of 10 degrees of freedom: 3.247 and 20.483 hold 95 % (e-Handbook 1.3.6.7.4, from memory).
        spread = deviation_interval(Summary(11, 0.0, 1.0, -1, 1))
        assert (10 / spread.high**2, 10 / spread.low**2) == pytest.approx((3.247, 20.483), abs=5e-4)

    @needs_scipy
    def test_the_difference_of_two_means_is_welchs(self) -> None:
        # By hand: 2^2/8 + 3^2/12 = 1.25; freedom 1.25^2 / (0.5^2/7 + 0.75^2/11) = 18.006; t 2.1009 (t of 18, GUM table
        # G.2 from memory: 2.10): half 2.1009 * 1.11803 = 2.3489.
        found = difference_interval(Summary(8, 10.0, 2.0, 7, 13), Summary(12, 13.0, 3.0, 8, 18))

        assert (found.low, found.high) == pytest.approx((3 - 2.3489, 3 + 2.3489), abs=5e-4)
        with pytest.raises(NoStatistic, match="takes 2 values on each side"):
            difference_interval(Summary(1, 10.0, None, 10, 10), Summary(12, 13.0, 3.0, 8, 18))

    def test_quantiles_lie_on_the_line_between_values(self) -> None:
        # Definition 7: of 1, 2, 3, 4 the quartile is 1.75 (as R and spreadsheets have it; from memory).
        assert [quantile([4, 1, 3, 2], share) for share in (0, 0.25, 0.5, 1)] == [1, 1.75, 2.5, 4]

    def test_the_median_lies_between_the_second_and_ninth_of_ten_values(self) -> None:
        # Order statistics 2 and 9 of 10: 1 - 2 (1 + 10) / 1024 = 0.9785 (David and Nagaraja, from memory).
        found = median_interval(list(range(1, 11)))

        assert (found.low, found.high) == (2, 9)
        assert found.confidence == pytest.approx(1 - 22 / 1024)
        # 1.96 standard deviations of a binomial distribution of 20,000 halves are 138.6.
        assert median_interval(list(range(20_000))).low == pytest.approx(10_000 - 138.6, abs=1.5)
        with pytest.raises(NoStatistic, match="5 values are too few for an interval of the median at 95 %"):
            median_interval([1, 2, 3, 4, 5])


class TestOutliers:
    @needs_scipy
    def test_grubbs(self) -> None:
        found = grubbs(URANIUM)

        assert (found.place, found.odd) == (7, True)
        # 2.4687 and, one-sided, 2.032 as printed; two-sided by scipy.
        assert found.statistic == pytest.approx(2.468764611, rel=1e-9)
        assert critical_value(8, 0.05 / 8) == pytest.approx(2.031652002, rel=1e-9)
        assert found.critical == pytest.approx(2.126645087, rel=1e-9)

    @needs_scipy
    def test_the_generalised_test_finds_three(self) -> None:
        found = several(ROSNER, 10)

        printed = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
        critical = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]
        assert [each.statistic for each in found] == pytest.approx(printed, abs=1.1e-3)
        assert [each.critical for each in found] == pytest.approx(critical, abs=1.1e-3)
        assert count_odd(found) == 3
        assert {ROSNER[each.place] for each in found[:3]} == {6.01, 5.42, 5.34}

    def test_too_few_or_equal_ones_are_said(self) -> None:
        with pytest.raises(NoStatistic, match="Grubbs' test takes 3 values, there are 2"):
            grubbs([1.0, 2.0])
        with pytest.raises(NoStatistic, match="no value is odd: all 3 are the same"):
            grubbs([1.0, 1.0, 1.0])
        with pytest.raises(NoStatistic, match="several outliers takes 10 values, there are 8"):
            several(URANIUM, 2)


class TestCharts:
    def test_the_chart_of_individuals_is_that_of_the_handbook(self) -> None:
        # NIST/SEMATECH e-Handbook 6.3.2.2 (second-hand): centre 50.81, limits 45.8159 and 55.8041, nothing outside.
        found = chart([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])

        assert (found.centre, found.low, found.high) == pytest.approx((50.81, 45.8159, 55.8041), abs=5e-5)
        assert found.broken == ()

    def test_the_moving_average_is_that_of_the_handbook(self) -> None:
        # e-Handbook 6.3.2.4 (second-hand): weight 0.3, from 50.
        values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
                  49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
        printed = [50.00, 50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
                   50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip

        assert [round(each, 2) for each in moving_average(values, 50, 0.3)] == printed
        # s 2.0539: 47.4115 (cut, not rounded) and 52.5884.
        assert average_limits(50, 2.0539, 0.3) == pytest.approx((47.4115, 52.5884), abs=1e-4)

    def test_a_small_shift_that_lasts_is_seen_in_the_weighted_mean(self) -> None:
        # To and fro by 1: moving range 2, sigma some 1.8; then 4 units up, none of them beyond 3 sigma (5.5).
        before = [(-1.0) ** place for place in range(30)]
        found = chart([*before, *(4 + value for value in before[:10])])

        assert not [each for each in found.broken if each[0] == 1]
        assert min(found.shifted) >= 30
        assert chart(before).shifted == ()

    def test_each_rule_is_told_at_the_last_point_of_its_window(self) -> None:
        # A made-up sequence; expected places (from 1) found by hand.
        # fmt: off
        scores = [0.1, 0.5, -0.3, 2.1, 0.4, 2.3, 1.2, 1.3, 0.2, 1.4, 1.1, 0.3, 0.4, 0.2, 0.6, 0.1, 0.8, 0.7, -3.2, -0.1]
        # fmt: on
        found: dict[int, list[int]] = {}
        for rule, place in broken_rules(scores):
            found.setdefault(rule, []).append(place + 1)

        assert found == {1: [19], 2: [6], 3: [8, 10, 11], 4: [11, 12, 13, 14, 15, 16, 17, 18]}

    def test_few_and_equal_values_make_no_chart(self) -> None:
        with pytest.raises(NoStatistic, match="a control chart takes 8 values, there are 3"):
            chart([1, 2, 3])
        with pytest.raises(NoStatistic, match="takes values that differ, and all 8 are the same"):
            chart([3.3] * 8)


class TestTrend:
    @pytest.mark.parametrize(
        ("count", "s", "share"),
        # Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987), table A18 (from memory).
        [(4, 6, 0.042), (4, 4, 0.167), (5, 10, 0.0083), (5, 8, 0.042), (5, 2, 0.408), (10, 21, 0.036), (10, 23, 0.023)],
    )
    def test_orders_are_as_rare_as_the_table_says(self, count: int, s: int, share: float) -> None:
        assert orders_beyond(count, s) == pytest.approx(share, abs=5.5e-4)

    def test_the_share_is_that_of_all_orders(self) -> None:
        def s_of(order: tuple[int, ...]) -> int:
            return sum(1 if other > one else -1 for one, other in itertools.combinations(order, 2))

        every = [s_of(order) for order in itertools.permutations(range(6))]
        for s in range(-15, 16):
            assert orders_beyond(6, s) == pytest.approx(sum(each >= s for each in every) / 720)

    def test_a_climb_is_found_with_its_slope_and_ties_are_allowed_for(self) -> None:
        found = trend([3.300, 3.301, 3.303, 3.302, 3.305, 3.306])
        assert found.s == 13
        assert found.slope == pytest.approx(0.00125, abs=1e-4)
        assert found.chance == pytest.approx(2 * 6 / 720)

        tied = trend([1, 1, 2, 2, 3, 3, 4, 4, 5, 5])
        # S 40; variance [10 * 9 * 25 - 5 * 2 * 1 * 9] / 18 = 120: z = 39 / 10.954 = 3.560 (by hand).
        assert tied.s == 40
        assert tied.chance == pytest.approx(0.00037, abs=1e-5)

    def test_alternating_values_have_none_and_equal_ones_are_said(self) -> None:
        assert trend([3.3, 3.4] * 6).chance > 0.5
        with pytest.raises(NoStatistic, match="no trend: all 6 values are the same"):
            trend([3.3] * 6)
        with pytest.raises(NoStatistic, match="a test for trend takes 5 values, there are 4"):
            trend([1, 2, 3, 4])


class TestAnalysisOfVariance:
    def test_silicon(self) -> None:
        found = one_way(SILICON)

        assert (found.between_freedom, found.within_freedom) == (4, 20)
        assert found.between_squares == pytest.approx(5.11462616e-2, rel=1e-12)
        assert found.within_squares == pytest.approx(2.1663656e-1, rel=1e-12)
        assert found.between_mean_square == pytest.approx(1.27865654e-2, rel=1e-12)
        assert found.within_mean_square == pytest.approx(1.0831828e-2, rel=1e-12)
        assert found.ratio == pytest.approx(1.18046237440255, rel=1e-12)
        assert found.explained == pytest.approx(0.190999039051129, rel=1e-12)
        assert found.residual == pytest.approx(0.104076068334656, rel=1e-12)

    @needs_scipy
    def test_how_often_chance_does_as_much(self) -> None:
        assert one_way(SILICON).chance == pytest.approx(0.349447493402, rel=1e-9)  # scipy.stats.f_oneway

    def test_silver(self) -> None:
        # Certified: F 15.9467335677930, R-squared 0.257426544538321. Constant stiffness: all digits but four alike.
        whole = {name: [Decimal(f"107.868{digits}") for digits in of] for name, of in SILVER.items()}

        found = one_way(whole)

        assert found.between_squares == pytest.approx(3.638341875e-9, rel=1e-12)
        assert found.within_squares == pytest.approx(1.04951729166667e-8, rel=1e-12)
        assert (found.ratio, found.explained) == pytest.approx((15.946733567793, 0.257426544538321), rel=1e-12)
        # As the floats that a logbook keeps: ten digits are left.
        floats = one_way({name: [float(value) for value in of] for name, of in whole.items()})
        assert floats.ratio == pytest.approx(15.946733567793, rel=1e-7)

    @pytest.mark.parametrize(
        ("offset", "replicates", "ratio", "explained"),
        [("1", 21, 21, 0.482758620689655), ("1000000", 21, 21, 0.482758620689655),
         ("1000000000000", 21, 21, 0.482758620689655), ("1000000000000", 201, 201, 0.471830985915493)],
        ids=["SmLs01", "SmLs04", "SmLs07", "SmLs08"],
    )  # fmt: skip
    def test_small_differences_after_large_offsets(
        self, offset: str, replicates: int, ratio: float, explained: float
    ) -> None:
        found = one_way(small_limits(offset, replicates))

        assert (found.ratio, found.residual) == (ratio, 0.1)
        assert found.explained == pytest.approx(explained, rel=1e-14)

    def test_where_there_is_none_the_reason_is_said(self) -> None:
        with pytest.raises(NoStatistic, match="takes 2 groups, there is L1"):
            one_way({"L1": [1.0, 2.0]})
        with pytest.raises(NoStatistic, match="these 2 have one each"):
            one_way({"L1": [1.0], "L2": [2.0]})
        with pytest.raises(NoStatistic, match="in each all values are the same"):
            one_way({"L1": [1.0, 1.0], "L2": [2.0, 2.0]})

    def test_without_scipy_chance_is_not_told(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(analysis, "special", lambda: None)

        assert one_way(SILICON).chance is None


class TestCorrelation:
    def test_ozone(self) -> None:
        # Certified R-squared 0.999993745883712.
        found = correlation([x for _, x in NORRIS], [y for y, _ in NORRIS])

        assert found.r**2 == pytest.approx(0.999993745883712, rel=1e-13)

    def test_the_interval_is_fishers(self) -> None:
        # r = 0.7, n = 28: artanh 0.7 = 0.8673, -+ 0.3920: tanh 0.4753 to tanh 1.2593 (by hand).
        a = [math.cos(k * math.pi / 14) for k in range(28)]
        b = [0.7 * math.cos(k * math.pi / 14) + math.sqrt(0.51) * math.sin(k * math.pi / 14) for k in range(28)]

        found = correlation(a, b)

        assert found.n == 28
        assert found.r == pytest.approx(0.7)
        assert (found.low, found.high) == pytest.approx((0.4425, 0.8509), abs=5e-5)
        assert found.surely

    def test_opposite_rails_and_unrelated_ones(self) -> None:
        assert correlation([1, 2, 3, 4], [4, 3, 2, 1]).r == -1.0
        assert not correlation([1, 2, 3, 4, 5], [1, -1, 0, -1, 1]).surely
        with pytest.raises(NoStatistic, match="a correlation takes 4 values, there are 3"):
            correlation([1, 2, 3], [1, 2, 3])
        with pytest.raises(NoStatistic, match="all 4 of one side are the same"):
            correlation([1, 2, 3, 4], [5, 5, 5, 5])


def test_without_scipy_the_message_says_what_it_is_for_and_how_to_have_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "special", lambda: None)

    with pytest.raises(NoStatistic, match="Student's t is computed by scipy, which is not installed") as told:
        grubbs(URANIUM)
    assert "pip install 'bringup[statistics]'" in told.value.what_to_do


@given(st.lists(st.integers(-5, 5), min_size=2, max_size=40))
def test_pairs_that_climb_are_counted_as_if_each_was_looked_at(values: list[int]) -> None:
    pairs = [(one, other) for place, one in enumerate(values) for other in values[place + 1 :]]

    assert climbing(values) == sum((other > one) - (other < one) for one, other in pairs)


def test_the_slope_of_many_values_is_found_without_looking_at_all_pairs() -> None:
    values = [0.25 * place + (place * 7919 % 13) for place in range(20_001)]

    assert middle_slope(values) == pytest.approx(0.25, abs=2e-3)
    assert middle_slope([3.0 + 0.5 * place for place in range(301)]) == 0.5
