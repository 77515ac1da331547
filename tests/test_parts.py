"""Component values of one unit: within tolerance, repeatable, and independent of one another."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from statistics import fmean, stdev

from hypothesis import given
from hypothesis import strategies as st

from bringup.core.limits import Limits
from bringup.core.parts import LOWER, NOMINAL, OUTPUT, REFERENCE, UPPER, nominal_of, parts_of
from bringup.core.solver import solve
from tests.built_boards import buoy, converter, rail

SERIALS = st.from_regex(r"MBL-[0-9]{4}", fullmatch=True)


@given(SERIALS)
def test_every_part_is_within_its_tolerance(serial: str) -> None:
    values = parts_of(buoy(), serial).values
    for part, nominal in ((REFERENCE, 0.8), (UPPER, 140e3), (LOWER, 10e3)):
        assert 0.99 * nominal <= values["12V0", part] <= 1.01 * nominal
    # fixed regulators use at most half of the ± 2 % that the rail may have
    assert 3.3 * 0.99 <= values["3V3", OUTPUT] <= 3.3 * 1.01
    assert -12.0 * 1.01 <= values["-12V", OUTPUT] <= -12.0 * 0.99


@given(SERIALS)
def test_adding_a_part_redraws_no_other(serial: str) -> None:
    design = buoy()
    made = converter("linear", reference=(1.2, 1), upper=(10e3, 1), lower=(10e3, 1))
    larger = replace(design, rails={"NEW": rail("NEW", "12V0", made), **design.rails})
    before, after = parts_of(design, serial).values, parts_of(larger, serial).values
    assert {key: after[key] for key in before} == before
    assert ("NEW", UPPER) in after


def test_units_differ_and_the_same_serial_is_the_same_unit() -> None:
    assert parts_of(buoy(), "MBL-0001") == parts_of(buoy(), "MBL-0001")
    assert parts_of(buoy(), "MBL-0001") != parts_of(buoy(), "MBL-0002")


def test_a_lot_spreads_like_parts_of_three_sigma() -> None:
    drawn = [parts_of(buoy(), f"MBL-{number:04}").values["12V0", UPPER] / 140e3 - 1 for number in range(2000)]
    # 1 % is three sigma: s = 0.333 % (0.329 % with the tails cut); standard error of s 1.6 %, of the mean 0.0074 %
    assert abs(fmean(drawn)) < 0.0003
    assert 0.0030 < stdev(drawn) < 0.0036
    assert max(abs(value) for value in drawn) <= 0.01


def test_without_a_serial_number_every_part_is_nominal() -> None:
    assert parts_of(buoy(), "") is NOMINAL
    assert NOMINAL.value("12V0", UPPER, 140e3) == 140e3


def test_unit_moves_the_rail_as_its_network_says() -> None:
    parts = parts_of(buoy(), "MBL-0007")
    reference, upper, lower = (parts.values["12V0", part] for part in (REFERENCE, UPPER, LOWER))
    volts = solve(buoy(), {"VIN": 24.0}, parts=parts).volts["12V0"]
    assert abs(volts - reference * (1 + upper / lower)) < 1e-9
    assert volts != 12.0


def test_nominal_of_limits_is_stated_or_the_middle_or_unknown() -> None:
    assert nominal_of(Limits("V", Decimal("4.75"), Decimal("5.25"), Decimal(5))) == 5.0
    assert nominal_of(Limits("V", Decimal("4.75"), Decimal("5.25"))) == 5.0
    assert nominal_of(Limits("V", None, Decimal(5))) is None


def test_tolerance_open_on_one_side_draws_nothing_there() -> None:
    design = buoy()
    stated = design.rails["12V0"].converter
    assert stated is not None
    made = replace(stated, upper=Limits("ohm", Decimal(139000), None, Decimal(140000)))
    design = replace(design, rails={**design.rails, "12V0": replace(design.rails["12V0"], converter=made)})
    drawn = [parts_of(design, str(number)).values.get(("12V0", UPPER)) for number in range(200)]
    assert None in drawn
    assert all(value is None or 139e3 <= value <= 140e3 for value in drawn)
