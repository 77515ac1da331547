"""Creep: a slow even movement well above the noise is found, and nothing else is taken for it."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from itertools import count, takewhile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.collapse import collapse_level
from bringup.core.creep import MOST_BLOCKS, Creep, Creeping
from bringup.core.limits import parse_limits
from bringup.core.quantity import parse_quantity
from tests.small_board import small_board, with_rail

EVERY = 0.2
RESOLUTION = 1e-4


def found(
    value: Callable[[float], float], seconds: float, *, every: float = EVERY, allowed: float = 0.01
) -> tuple[float, Creeping] | None:
    """Feed `value(t)` for so long; return when a creep was found, and the creep."""
    creep = Creep(allowed)
    for t in takewhile(lambda t: t <= seconds, (n * every for n in count())):
        if (seen := creep.feed(t, value(t), RESOLUTION)) is not None:
            return t, seen
    return None


def noisy(seed: int, part: float) -> Callable[[float], float]:
    draw = random.Random(seed)  # noqa: S311 - noise
    return lambda _t: 0.07 * (1.0 + draw.gauss(0.0, part))


def test_a_steady_current_does_not_creep() -> None:
    assert found(lambda _t: 0.07, 600.0) is None


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("part", [0.002, 0.02, 0.2])
def test_noise_is_no_creep_however_much(seed: int, part: float) -> None:
    assert found(noisy(seed, part), 300.0) is None


@pytest.mark.parametrize("folding", [2.0, 3.0, 5.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_current_that_runs_away_is_found_before_it_has_doubled_twice(folding: float, seed: int) -> None:
    draw = random.Random(seed)  # noqa: S311 - noise
    seen = found(lambda t: 0.07 + 1e-3 * math.exp(t / folding) + draw.gauss(0.0, 2e-5), 8 * folding)

    assert seen is not None
    at, creeping = seen
    assert creeping.end > creeping.start
    assert 1e-3 * math.exp(at / folding) < 0.21


@pytest.mark.parametrize("folding", [2.0, 3.0, 5.0])
def test_what_comes_to_rest_is_no_growth(folding: float) -> None:
    assert found(lambda t: 0.07 - 0.03 * math.exp(-t / folding), 8 * folding, allowed=0.5) is None


@pytest.mark.parametrize("slope", [0.0005, -0.0005, 0.002])
def test_a_slope_is_found_as_soon_as_it_has_lasted(slope: float) -> None:
    seen = found(lambda t: 0.07 + slope * t, 60.0)

    assert seen is not None
    at, creeping = seen
    assert 9.9 <= at <= 12.0
    assert creeping.per_minute == pytest.approx(60 * slope, rel=0.05)
    assert (creeping.end - creeping.start) * slope > 0


def test_a_slow_creep_is_found_over_a_longer_time() -> None:
    seen = found(lambda t: 0.07 * (1.0 + 0.02 * t / 600.0), 900.0)

    assert seen is not None
    assert 200.0 < seen[0] < 500.0


def test_a_creep_that_begins_late_in_a_long_step_is_found_soon() -> None:
    seen = found(lambda t: 0.07 + max(0.0, t - 3000.0) * 0.0005, 3100.0)

    assert seen is not None
    assert 3008.9 < seen[0] < 3025.0


def test_a_slope_below_what_is_allowed_is_borne() -> None:
    assert found(lambda t: 0.07 * (1.0 + 0.008 * min(1.0, t / 60.0)), 120.0) is None
    assert found(lambda t: 0.07 + 0.0005 * t, 13.0, allowed=0.2) is None


@pytest.mark.parametrize("at", [3.0, 5.0, 7.5, 11.0, 29.0])
def test_a_step_is_no_creep(at: float) -> None:
    assert found(lambda t: 0.07 if t < at else 0.09, 120.0) is None


def test_a_load_that_comes_and_goes_is_no_creep() -> None:
    assert found(lambda t: 0.07 + 0.02 * (math.sin(2 * math.pi * t / 4.0) > 0), 200.0) is None


def test_few_readings_are_judged_by_their_number() -> None:
    assert found(lambda t: 0.07 + 0.0005 * t, 40.0, every=5.0) is None
    seen = found(lambda t: 0.07 + 0.0005 * t, 120.0, every=5.0)

    assert seen is not None
    assert seen[0] == pytest.approx(50.0)


def test_memory_stays_bounded_over_eight_hours() -> None:
    creep = Creep()
    for second in range(0, 8 * 3600, 5):
        assert creep.feed(float(second), 0.07) is None

    assert len(creep._whole) < MOST_BLOCKS
    assert len(creep._latest) <= 60


@given(st.floats(-100.0, 100.0), st.floats(0.0, 0.5))
def test_what_stands_still_never_creeps(value: float, allowed: float) -> None:
    assert found(lambda _t: value, 30.0, every=1.0, allowed=allowed) is None


# collapse


@pytest.mark.parametrize(
    ("limits", "level"),
    [
        ("3.3 V +/- 2 %", 1.617),
        ("-12 V +/- 2 %", 5.88),
        ("> 3 V", 1.5),
        ("< 50 mV", None),
        ("-1 V .. 1 V", None),
        ("60 mA .. 110 mA", None),
    ],
)
def test_half_the_lower_limit_is_a_collapse(limits: str, level: float | None) -> None:
    assert collapse_level(small_board(), "12V0", parse_limits(limits)) == (level and pytest.approx(level))


def test_what_the_board_file_states_goes_before() -> None:
    board = with_rail("12V0", collapse_below=parse_quantity("10 V"))
    assert collapse_level(board, "12V0", parse_limits("12 V +/- 2 %")) == 10.0
    may_go = with_rail("12V0", collapse_below=parse_quantity("0 V"))
    assert collapse_level(may_go, "12V0", parse_limits("12 V +/- 2 %")) is None


def test_nothing_says_when_a_rail_without_limits_or_an_input_has_collapsed() -> None:
    assert collapse_level(small_board(), "12V0", None) is None
    assert collapse_level(small_board(), "VIN", parse_limits("24 V +/- 2 %")) is None
