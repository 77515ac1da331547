"""Limits from the design, against worked figures; preferred values against the standard's series."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.core.board import Across, Board, Converter, ConverterKind, Load, LoadKind, Rail, Tolerances
from bringup.core.design_limits import all_designed, designed, feedback_limits, narrower, root_sum_square
from bringup.core.design_values import nominal_volts
from bringup.core.expectation import basis_of, voltage_limits
from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import Limits, parse_limits
from bringup.core.preferred import E24, E96, E192, next_to, odd_parts, series_of
from bringup.core.quantity import parse_quantity
from bringup.core.safety_design import examine_design
from bringup.core.solver import solve
from bringup.core.words import LimitsFrom
from bringup.errors import NotationError
from bringup.files.board_file import load_board
from bringup.logbook.filters import Filters
from bringup.logbook.queries import readings
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from tests.fakes import SEEN, picked, simulated_bench
from tests.logbook_samples import add_attempt, ohms, start
from tests.small_board import lim, q, small_board, with_converter


def part(text: str, unit: str) -> Limits:
    """A part's value as a board file states it, exact where it has no tolerance."""
    try:
        exact = parse_quantity(text, unit)
    except NotationError:
        return parse_limits(text, unit)
    return Limits(unit, exact.value, exact.value, exact.value, text)


def network(reference: str, upper: str, lower: str, **others: object) -> Converter:
    made = Converter(
        ConverterKind.LINEAR, reference=part(reference, "V"), upper=part(upper, "ohm"), lower=part(lower, "ohm")
    )
    return replace(made, **others)  # type: ignore[arg-type]


def test_the_set_point_of_a_feedback_regulator_is_that_of_its_data_sheet() -> None:
    # Texas Instruments TPS7A25 data sheet, 8.2.2.2: 1.24 V, 3.6 Mohm over 1.18 Mohm gives 5.023 V.
    limits = feedback_limits(network("1.24 V", "3.6 MΩ", "1.18 MΩ"))

    assert limits is not None
    assert float(limits.nominal or 0) == pytest.approx(5.0230508475, rel=1e-9)
    assert limits.low == limits.nominal == limits.high, "parts without tolerance are exact"


def test_an_adjustable_regulator_with_three_terminals_has_its_reference_across_the_upper_resistor() -> None:
    # Vout = Vref (1 + R2 / R1) + Iadj R2, R1 from output to adjust pin (from memory, as data sheets of the kind give
    # it): 1.25 V, R1 240 ohm, R2 720 ohm: 5.000 V without, 5.036 V with 50 uA.
    plain = network("1.25 V", "240 Ω", "720 Ω", reference_across=Across.UPPER)
    with_current = replace(plain, feedback_current=lim("50 uA +0 % -0 %"))

    assert (feedback_limits(plain) or plain).nominal == Decimal(5)  # type: ignore[union-attr]
    assert (feedback_limits(with_current) or plain).nominal == Decimal("5.036")  # type: ignore[union-attr]


def test_root_sum_square_and_corners_of_a_divider_agree_with_the_sensitivity_formula() -> None:
    # 0.6 V, 45.3 kohm over 10 kohm, all 1 %, by hand from k = 1 - Vref / Vout (no published figures found):
    # corners 3.2315364356 V and 3.4066381818 V; root-sum-square 1.530383 %, 50.778 mV.
    converter = network("0.6 V ± 1 %", "45.3 kΩ ± 1 %", "10 kΩ ± 1 %")
    worst, squares = feedback_limits(converter), root_sum_square(converter)

    assert worst is not None
    assert squares is not None
    ends = [float(end or 0) for end in (worst.low, worst.nominal, worst.high)]
    assert ends == pytest.approx([3.2315364356, 3.318, 3.4066381818], rel=1e-9)
    k = 1 - 0.6 / 3.318
    share = (0.01**2 + 2 * (k * 0.01) ** 2) ** 0.5
    assert 100 * share == pytest.approx(1.530383, rel=1e-6)
    assert float(squares.high or 0) == pytest.approx(3.318 * (1 + share), rel=1e-9)
    assert float(squares.low or 0) == pytest.approx(3.318 * (1 - share), rel=1e-9)
    assert 3.318 * share == pytest.approx(0.050778, rel=1e-4)


def test_a_feedback_current_of_either_sign_widens_both_sums() -> None:
    # By hand: 0.6 V, 100 kohm over 100 kohm: 1.2 V; -100 nA .. 100 nA through 100 kohm: 10 mV to either side.
    converter = network("0.6 V", "100 kΩ", "100 kΩ", feedback_current=lim("-100 nA .. 100 nA"))
    worst, squares = feedback_limits(converter), root_sum_square(converter)

    assert worst is not None
    assert squares is not None
    assert (worst.low, worst.nominal, worst.high) == (Decimal("1.19"), Decimal("1.2"), Decimal("1.21"))
    assert (squares.low, squares.high) == (worst.low, worst.high), "one contribution alone is its own root-sum-square"


def board(*rails: Rail) -> Board:
    return small_board(rails=rails)


FIXED = Converter(ConverterKind.LINEAR, output=lim("3.3 V ± 1 %"), output_resistance=q("100 mΩ"))


def test_a_fixed_part_has_its_own_tolerance_and_sags_by_the_loads_of_the_whole_branch() -> None:
    # By hand: 100 mA and, through a linear regulator, 60 mA: 160 mA, 1.3 times that in 0.1 ohm is 20.8 mV.
    first = Rail("3V3", "VIN", converter=FIXED, loads=(Load("logic", LoadKind.CURRENT, 0.1),))
    second = Rail("1V2", "3V3", expect=lim("1.2 V ± 2 %"), converter=Converter(ConverterKind.LINEAR),
                  loads=(Load("core", LoadKind.CURRENT, 0.06),))  # fmt: skip
    plain = Rail("3V3A", "3V3")
    known = board(first, second, plain)
    found, passed_on = designed(known, "3V3"), designed(known, "3V3A")

    assert found is not None
    assert (found.limits.low, found.limits.high) == (Decimal("3.2462"), Decimal("3.333"))
    assert found.basis == (
        "worst case of its own 3.3 V ± 1 %, less up to 20.8 mV in 100 mΩ at 208 mA (1.3 times what hangs on it)"
    )
    assert passed_on is not None
    assert passed_on.limits == found.limits
    assert passed_on.basis.startswith("as 3V3, to which it is plainly connected: worst case of")
    assert nominal_volts(known, "3V3") == pytest.approx(3.3)
    assert voltage_limits(known, "3V3A") == (found.limits, LimitsFrom.COMPUTED)


def test_the_board_file_chooses_which_sum_judges() -> None:
    worst = voltage_limits(small_board(), "12V0")[0]
    squares = voltage_limits(small_board(tolerances=Tolerances.ROOT_SUM_SQUARE), "12V0")[0]

    assert worst is not None
    assert squares is not None
    assert (worst.low or 0) < (squares.low or 0) < 12 < (squares.high or 0) < (worst.high or 0)
    known = small_board(tolerances=Tolerances.ROOT_SUM_SQUARE)
    assert basis_of(known, "12V0", LimitsFrom.COMPUTED).startswith("root-sum-square of 0.8 V ± 1 % × (1 + 140 kΩ")


def test_limits_narrower_than_what_the_parts_allow_are_pointed_out() -> None:
    stated = dict(small_board().rails)
    stated["12V0"] = replace(stated["12V0"], expect=lim("12 V ± 1 %"))
    known = replace(small_board(), rails=stated)

    (found,) = examine_design(known)
    assert found.message == (
        "the stated limits of 12V0, 12 V ± 1 %, are narrower than the worst case of its parts, 11.66 V .. 12.349 V: "
        "a sound unit may fail them"
    )
    assert not found.refused
    wide = replace(known, rails=stated | {"12V0": replace(stated["12V0"], expect=lim("12 V ± 5 %"))})
    assert [narrower(wide, each) for each in all_designed(wide)] == ["", ""]


def test_faults_of_a_regulator_with_three_terminals_change_places() -> None:
    # By hand, 12 V in: its upper resistor shorted or its lower one open, nothing holds it back; the other two leave
    # the 1.25 V reference at the output.
    converter = network(
        "1.25 V", "240 Ω", "720 Ω", reference_across=Across.UPPER, dropout=q("1 V"), output_resistance=None
    )
    known = board(Rail("5V0", "VIN", converter=converter))

    def volts(kind: FaultKind, value: float | None = None) -> float:
        return solve(known, {"VIN": 12.0}, faults=(Fault("5V0", kind, value),)).volts["5V0"]

    assert solve(known, {"VIN": 12.0}).volts["5V0"] == pytest.approx(5.0)
    assert volts(FaultKind.LOWER_OPEN) == volts(FaultKind.UPPER_SHORTED) == pytest.approx(11.0)
    assert volts(FaultKind.UPPER_OPEN) == volts(FaultKind.LOWER_SHORTED) == pytest.approx(1.25)
    assert volts(FaultKind.LOWER_VALUE, 480.0) == pytest.approx(3.75)


def test_an_open_resistor_leaves_the_feedback_current_to_the_other_one() -> None:
    # By hand: 1.25 V + 720 Ω * 100 µA across the upper resistor, 0.8 V + 140 kΩ * 1 µA across the lower one.
    adjustable = network(
        *("1.25 V", "240 Ω", "720 Ω"), reference_across=Across.UPPER, dropout=q("1 V"),
        output_resistance=None, feedback_current=lim("100 uA ± 5 %"),
    )  # fmt: skip
    buck = network("0.8 V", "140 kΩ", "10 kΩ", output_resistance=None, feedback_current=lim("1 uA ± 5 %"))
    for converter, kind, volts in (
        (adjustable, FaultKind.UPPER_OPEN, 1.322),
        (adjustable, FaultKind.LOWER_SHORTED, 1.25),
        (buck, FaultKind.LOWER_OPEN, 0.94),
        (buck, FaultKind.UPPER_SHORTED, 0.8),
    ):
        known = board(Rail("5V0", "VIN", converter=converter))
        found = solve(known, {"VIN": 12.0}, faults=(Fault("5V0", kind),))
        assert found.volts["5V0"] == pytest.approx(volts)


class TestPreferredValues:
    def test_the_series_are_those_of_the_standard(self) -> None:
        # IEC 60063, as the PyPI package eseries 1.2.1 gives it: E96 is every other value of E192; of E192 only 920
        # differs from the rounded geometric series (919).
        assert (len(E192), len(set(E192)), E192[185]) == (192, 192, 920)
        assert E96[:6] == (100, 102, 105, 107, 110, 113)
        assert E96[-3:] == (931, 953, 976)
        assert tuple(round(100 * 10 ** (step / 96)) for step in range(96)) == E96
        # Of E24 eight differ from its rounded series (26, 29, 32, 35, 38, 42, 46, 83 by rule).
        by_rule = [round(10 * 10 ** (step / 24)) for step in range(24)]
        own = [value for value, other in zip(E24, by_rule, strict=True) if value != other]
        assert (len(E24), own) == (24, [27, 30, 33, 36, 39, 43, 47, 82])
        both = sorted(value for value in E96 if series_of(Decimal(value)) == "E24")
        assert both == [100, 110, 130, 150, 200, 750], "only these are in E24 and E96"

    @pytest.mark.parametrize(
        ("ohms", "series"),
        [("4700", "E24"), ("0.1", "E24"), ("45300", "E96"), ("1.01", "E192"), ("9200000", "E192"), ("141000", ""),
         ("10.05", ""), ("0", "")],
    )  # fmt: skip
    def test_a_value_is_found_in_the_first_series_that_has_it(self, ohms: str, series: str) -> None:
        assert series_of(Decimal(ohms)) == series

    def test_what_is_in_none_is_queried_with_its_neighbours(self) -> None:
        known = with_converter("12V0", upper=lim("141 kΩ ± 1 %"))

        (odd,) = odd_parts(known)
        assert odd.message == (
            "the upper feedback resistor of 12V0 is 141 kΩ, which is in none of E24, E96 and E192 (IEC 60063); "
            "next to it are 140 kΩ and 142 kΩ"
        )
        assert next_to(Decimal(995)) == (Decimal(988), Decimal(1000))
        assert not list(odd_parts(small_board()))


CODES = [("R47", 0.47), ("4R7", 4.7), ("470R", 470), ("4K7", 4700), ("47K", 47000), ("47K3", 47300), ("470K", 470000),
         ("4M7", 4700000), ("0R1", 0.1)]  # fmt: skip
BOARD_FILE = """\
board: Buoy lamp
inputs: {VIN: 12 V}
rails:
  3V3: {from: VIN, probe: TP1, converter: {kind: linear, dropout: 1 V, reference: 0.8 V ± 1 %, UPPER, LOWER}}
"""


@pytest.mark.parametrize(("code", "ohms"), CODES)
def test_a_board_file_takes_resistors_in_letter_code(code: str, ohms: float, tmp_path: Path) -> None:
    # IEC 60062:2016 as an encyclopaedia tabulates it, and 0R1 by its rule.
    text = BOARD_FILE.replace("UPPER", f"upper: {code} ± 1 %").replace("LOWER", f"lower: {code}")
    path = tmp_path / "lamp.yaml"
    path.write_text(text, encoding="utf-8")
    converter = load_board(path).rails["3V3"].converter

    assert converter is not None
    assert converter.upper is not None
    assert converter.lower is not None
    assert float(converter.upper.nominal or 0) == float(converter.lower.nominal or 0) == ohms
    assert float(converter.upper.high or 0) == pytest.approx(1.01 * ohms, rel=1e-12)


def test_check_queries_an_odd_resistor_of_a_board_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "lamp.yaml"
    path.write_text(BOARD_FILE.replace("UPPER", "upper: 31.3 kΩ").replace("LOWER", "lower: 10K"), encoding="utf-8")

    assert main(["check", str(path)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "worth knowing" in said
    assert "31.3 kΩ, which is in none of E24, E96 and E192 (IEC 60063); next to it are 31.2 kΩ and 31.6 kΩ" in said


def test_readings_keep_how_their_limits_came_about() -> None:
    bench = simulated_bench(picked("apply", "measure", "power_off"), history=SEEN)

    taken = {reading.point: reading for reading in bench.run().readings if not reading.aspect and reading.unit == "V"}

    assert taken["12V0"].limits_basis.startswith(
        "worst case of 0.8 V ± 1 % × (1 + 140 kΩ ± 1 % / 10 kΩ ± 1 %), less up"
    )
    assert (taken["3V3"].limits_from, taken["3V3"].limits_basis) == (LimitsFrom.BOARD, "")


def test_the_logbook_gives_the_basis_back(tmp_path: Path) -> None:
    path = tmp_path / "book.db"
    learnt = replace(ohms(), limits_from=LimitsFrom.SISTERS, limits_basis="learnt from 3 units that passed")
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start("MBL-0001"), [learnt])

    (logged,) = read(path, lambda connection: readings(connection, Filters()))
    assert logged.reading.limits_basis == "learnt from 3 units that passed"
    assert logged.as_json()["limits_basis"] == "learnt from 3 units that passed"


@pytest.mark.parametrize("text", ["3.3 V ± 120 %", "3.3 V +150 % -2 %", "100 ohm ± 101 %"])
def test_a_tolerance_above_the_value_itself_is_refused(text: str) -> None:
    with pytest.raises(NotationError, match=r"a tolerance of \S+ % is more than the value itself"):
        parse_limits(text)
