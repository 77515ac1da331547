"""Figures of a sweep, against published worked examples and cases done by hand."""

from __future__ import annotations

from typing import Any

import pytest

from bringup.core.sweep_figures import dropout, efficiency, line_regulation, load_regulation, starts_at, stops_at
from bringup.core.uncertainty import propagated
from bringup.core.under_load import LINE_FORMULAS, LOAD_FORMULAS

approx: Any = pytest.approx


@pytest.mark.parametrize(
    ("points", "nominal", "formula", "percent"),
    [
        # scienceaq.com, article 397697: 12 V with no load, 11 V at full load: 9.1 %.
        ([(0.0, 12.0), (1.0, 11.0)], 12.0, "ends over full load", 9.0909091),
        # By hand: the same volts over the nominal ones, and over those nearest to half load.
        ([(0.0, 12.0), (1.0, 11.0)], 12.0, "ends over nominal", 8.3333333),
        ([(1.0, 11.0), (0.4, 11.5), (0.0, 12.0)], 12.0, "ends over half load", 8.6956522),
        ([(0.0, -12.0), (1.0, -11.0)], -12.0, "ends over full load", 9.0909091),
    ],
)
def test_load_regulation_by_each_formula(
    points: list[tuple[float, float]], nominal: float, formula: str, percent: float
) -> None:
    found = load_regulation(points, nominal, formula)

    assert (found.value, found.note) == (approx(percent, rel=1e-7), LOAD_FORMULAS[formula])


@pytest.mark.parametrize(
    ("points", "formula", "percent"),
    [
        # A textbook's example (Floyd, Electronic Devices, chapter on regulators; from memory): 0.25 V for a fall of 5 V
        # in input, 15 V nominal: 0.333 % a volt.
        ([(20.0, 14.75), (25.0, 15.0)], "ends per volt", 0.3333333),
        ([(20.0, 14.75), (25.0, 15.0)], "ends over nominal", 1.6666667),
        # powermateusa.com: the larger of the deviations at high and low line from that at nominal line, in percent.
        ([(18.0, 14.9), (24.0, 15.0), (30.0, 15.2)], "largest deviation", 1.3333333),
    ],
)
def test_line_regulation_by_each_formula(points: list[tuple[float, float]], formula: str, percent: float) -> None:
    found = line_regulation(points, 24.0, 15.0, formula)

    assert (found.value, found.note) == (approx(percent, rel=1e-6), LINE_FORMULAS[formula])


def test_efficiency_of_a_published_converter() -> None:
    # progreeny.com, example 1: 12.0 V and 0.95 A in, 5.0 V and 2.0 A out; recomputed 87.719298 %.
    assert efficiency(12.0, 0.95, 5.0, 2.0).value == approx(87.719298, rel=1e-8)
    assert efficiency(12.0, 0.0, 5.0, 0.0).value is None


def test_dropout_is_told_where_the_rail_is_just_in_regulation() -> None:
    # By hand: 5 V, lost at 5.4 V in (4.85 V is 3 % down), kept at 5.6 V.
    found = dropout([(8.0, 5.0), (6.0, 5.0), (5.6, 4.98), (5.4, 4.85), (5.0, 4.5)])
    assert (found.value, found.bound) == (approx(0.62), False)
    assert found.note == "in regulation at 5.6 V in, at 5.4 V no longer"

    kept = dropout([(8.0, 5.0), (7.0, 5.0)])
    assert (kept.value, kept.bound) == (approx(2.0), True)


def test_where_a_rail_starts_and_stops_lies_between_two_points() -> None:
    rising = [(12.0, 0.0), (13.0, 0.1), (14.0, 12.0)]
    assert (starts_at(rising, 12.0).value, starts_at(rising, 12.0).note) == (14.0, "between 13 V and 14 V")
    falling = [(14.0, -12.0), (13.0, -12.0), (12.0, 0.0)]
    assert (stops_at(falling, -12.0).value, stops_at(falling, -12.0).note) == (12.0, "between 13 V and 12 V")


def test_what_does_not_show_has_no_value_and_says_why() -> None:
    assert starts_at([(14.0, 12.0)], 12.0).why == "it is up at the first point already (14 V)"
    assert starts_at([(12.0, 0.0)], 12.0).why == "it does not come up"
    assert stops_at([(12.0, 0.0)], 12.0).why == "it is down at the first point already (12 V)"
    assert stops_at([(14.0, 12.0)], 12.0).why == "it does not stop"
    assert line_regulation([(24.0, 5.0)], 24.0, 5.0, "ends per volt").value is None
    assert load_regulation([], 5.0, "ends over nominal").value is None
    assert dropout([(8.0, 0.0)]).value is None


@pytest.mark.parametrize(
    ("points", "formula", "used", "standard"),
    [
        # By hand, for 10 mV at each reading. 100 % * (V0 - V1) / V1: slopes 100 / 11 and 100 * 12 / 121 % a volt.
        ([(0.0, 12.0), (1.0, 11.0)], "ends over full load", 2, 0.1345),
        # 100 / 12 % a volt, twice: root-sum-square.
        ([(0.0, 12.0), (1.0, 11.0)], "ends over nominal", 2, 0.11785),
        # Three readings: 100 / 11.5 twice, and 100 * 1 / 11.5 ** 2 of the one at half load.
        ([(1.0, 11.0), (0.4, 11.5), (0.0, 12.0)], "ends over half load", 3, 0.12321),
        # Of two points the one at no load is as near to half load: 100 * 11 / 144 and 100 / 12 % a volt.
        ([(0.0, 12.0), (1.0, 11.0)], "ends over half load", 2, 0.11303),
    ],
)
def test_how_sure_a_regulation_is_follows_from_the_readings_that_it_uses(
    points: list[tuple[float, float]], formula: str, used: int, standard: float
) -> None:
    found = load_regulation(points, 12.0, formula)

    assert found.of is not None
    volts = [each for _, each in found.used]
    assert len(volts) == used
    assert found.of(*volts) == found.value
    assert propagated(found.of, volts, [0.01] * used) == approx(standard, rel=1e-3)


def test_how_sure_the_largest_deviation_is_does_not_hang_on_its_sign() -> None:
    found = line_regulation([(18.0, 14.9), (24.0, 15.0), (30.0, 15.02)], 24.0, 15.0, "largest deviation")

    assert found.of is not None
    assert [each for _, each in found.used] == [14.9, 15.0]
    # By hand: 100 / 15 and 100 * 14.9 / 225 % a volt, 10 mV each.
    assert propagated(found.of, [14.9, 15.0], [0.01, 0.01]) == approx(0.09397, rel=1e-3)
