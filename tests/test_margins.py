"""Stress margins, heat, power budgets and proposals, by hand and against published figures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.core.bench import Ceiling, SupplyRole
from bringup.core.board import Board, Converter, ConverterKind, Input, Load, LoadKind, Rail, Rating
from bringup.core.margins import Margin, dropouts, junctions, margins
from bringup.core.procedure import Procedure
from bringup.core.proposal import budgets, proposals
from bringup.core.safety import examine
from bringup.core.safety_margins import examine_heat, examine_margins
from bringup.errors import FileError
from bringup.files.board_file import load_board
from tests.fakes import ROOT
from tests.small_board import apply, bench, lim, procedure, q, small_board, sound, with_input, with_rail

GATE = Rating("Q3 gate", q("12 V"), "16V0")


def sixteen(*ratings: Rating, **converter: object) -> Board:
    """VIN 24 V makes 16 V ± 2 % (a fixed part) and -12 V."""
    made = replace(Converter(ConverterKind.BUCK, efficiency=q("90 %"), output=lim("16 V ± 2 %")), **converter)  # type: ignore[arg-type]
    negative = Rail("N12V", "16V0", expect=lim("-12 V ± 5 %"), converter=Converter(ConverterKind.INVERTING))
    rail = Rail("16V0", "VIN", converter=made, loads=(Load("drive", LoadKind.CURRENT, 0.1, {"asleep": 0.4}),))
    return replace(small_board(rails=(rail, negative)), ratings=ratings)


def only(board: Board, given: Procedure | None = None) -> Margin:
    (margin,) = margins(given or procedure(board=board))
    return margin


class TestRatings:
    def test_a_gate_rated_12_volts_on_a_16_volt_drive_is_refused_before_power(self) -> None:
        given = sound(board=sixteen(GATE), power=apply("18 V", "24 V"))

        found = next(one for one in examine(given, None) if "Q3 gate" in one.message)
        assert found.refused
        assert found.message == "Q3 gate bears 12 V and gets 16 V from 16V0 (at worst 16.32 V)"

    def test_what_only_the_worst_case_exceeds_is_a_warning(self) -> None:
        (found,) = examine_margins(procedure(board=sixteen(replace(GATE, never_above=q("16.2 V")))))

        assert not found.refused
        assert found.message == "Q3 gate bears 16.2 V and may get 16.32 V from 16V0 in the worst case"

    def test_what_it_bears_is_no_finding(self) -> None:
        board = sixteen(replace(GATE, never_above=q("20 V")))

        assert not list(examine_margins(procedure(board=board)))
        assert only(board).left == pytest.approx(100 * (20 - 16.32) / 20)

    def test_a_divider_is_taken_at_its_worst_corner(self) -> None:
        # By hand, 3.3 V through 20 kohm over 10 kohm, all 1 %: nominal 1.1 V, high corner 1.1147157191 V (published as
        # about 1.115 V by ecadworkbench.com's divider guide; the supply exact there).
        exact = Converter(ConverterKind.LINEAR, output=lim("3.3 V ± 0 %"))
        board = small_board(rails=(Rail("3V3", "VIN", converter=exact),))
        rating = Rating("U4 IN", q("1.2 V"), "3V3", upper=lim("20 kΩ ± 1 %"), lower=lim("10 kΩ ± 1 %"))
        margin = only(replace(board, ratings=(rating,)))

        assert margin.nominal == pytest.approx(1.1)
        assert margin.worst == pytest.approx(1.1147157191, rel=1e-9)
        assert margin.driver == "3V3 through 20 kΩ ± 1 % over 10 kΩ ± 1 %"

    def test_between_two_rails_both_worst_cases_count(self) -> None:
        # By hand: 16.32 V and 12.6 V below ground.
        margin = only(sixteen(Rating("C9", q("30 V"), "16V0", down_to="N12V")))

        assert (margin.nominal, margin.worst) == pytest.approx((28.0, 28.92))

    def test_of_two_points_of_one_sign_one_may_be_there_alone(self) -> None:
        margin = only(sixteen(Rating("D2", q("30 V"), "VIN", down_to="16V0")))

        assert (margin.nominal, margin.worst) == pytest.approx((8.0, 30.0))

    def test_an_input_reaches_the_end_of_its_range_or_what_is_applied(self) -> None:
        board = replace(with_input(working=lim("18 V .. 26 V")), ratings=(Rating("C1", q("35 V"), "VIN"),))

        assert only(board).worst == pytest.approx(26.0)
        assert only(board, procedure(apply("18 V", "31 V"), board=board)).worst == pytest.approx(31.0)

    def test_a_current_is_that_of_the_state_that_draws_most(self) -> None:
        margin = only(sixteen(Rating("D1", q("350 mA"), "16V0")))

        assert margin.worst == pytest.approx(0.4)
        assert margin.exceeded


def regulator(volts_in: str, volts_out: str, amps: float, **converter: object) -> Board:
    made = replace(
        Converter(ConverterKind.LINEAR, output=lim(f"{volts_out} ± 0 %"), dropout=q("200 mV")),
        **converter,  # type: ignore[arg-type]
    )
    rail = Rail("VOUT", "VIN", converter=made, loads=(Load("load", LoadKind.CURRENT, amps),))
    vin = Input("VIN", q(volts_in), working=lim(f"{volts_in} ± 0 %"))
    return replace(small_board(vin, rails=(rail,)), ambient=q("40 degC"))


class TestHeat:
    def test_a_regulators_junction(self) -> None:
        # Toshiba e-learning, Basics of LDO regulators, 4.2 (inputs seen; results by its formulas): 3.6 V to 1.8 V at
        # 100 mA, (150 - 25) / 600 mW = 208.3333 degC/W, 40 degC around it: 0.18 W, 77.5 degC.
        board = regulator("3.6 V", "1.8 V", 0.1, thermal_resistance=(150 - 25) / 0.6, max_junction=q("150 degC"))
        (found,) = junctions(procedure(board=board))

        assert found.watts == pytest.approx(0.18, rel=1e-9)
        assert found.hottest == pytest.approx(77.5, rel=1e-9)
        assert found.limit == 150.0

    def test_quiescent_current_counts(self) -> None:
        # By hand, P = (Vin - Vout) Iout + Vin Iq: 0.18 W and 3.6 V times 5 mA.
        board = regulator("3.6 V", "1.8 V", 0.1, quiescent=q("5 mA"))
        (found,) = junctions(procedure(board=board))

        assert found.watts == pytest.approx(0.18 + 0.018, rel=1e-9)
        assert found.hottest is None

    def test_too_hot_a_junction_is_warned_of(self) -> None:
        board = regulator("12 V", "3.3 V", 0.2, thermal_resistance=60.0)
        (found,) = examine_heat(procedure(board=board))

        # By hand: 8.7 V times 0.2 A is 1.74 W; times 60 is 104.4; from 40 to 144 degC.
        assert found.message == (
            "the converter of VOUT loses 1.74 W: its junction would reach 144 °C at 40 °C around it, above 125 °C"
        )
        assert not found.refused

    def test_a_regulator_that_may_drop_out_is_warned_of(self) -> None:
        board = regulator("5 V", "4.7 V", 0.01)
        assert not list(dropouts(board))

        board = replace(board, inputs={"VIN": replace(board.inputs["VIN"], working=lim("4.85 V .. 5.2 V"))})
        (found,) = examine_heat(procedure(board=board))
        assert found.message == "VOUT may fall out of regulation: it needs 4.9 V of VIN, which may be as low as 4.85 V"


class TestPower:
    def test_budgets_of_every_state_and_end_of_the_range(self) -> None:
        # By hand, in small_board: 72.5 mA at 24 V, 90.833 mA at 18 V.
        found = {(state, budget.volts): budget for state, budget in budgets(small_board())}

        assert {volts for _, volts in found} == {18.0, 24.0, 30.0}
        assert {state for state, _ in found} == {"blank", "asleep", "transmitting"}
        assert found["blank", 24.0].amps == pytest.approx(0.0725, rel=1e-6)
        assert found["blank", 18.0].amps == pytest.approx(0.0908333, rel=1e-5)

    def test_a_proposal_is_half_as_much_again_as_coming_up_takes(self) -> None:
        # By hand, from the page of test_preview: 430 mA at 18 V; 645 mA, of two digits 650 mA. 200 uF and what runs
        # behind take far less than 100 ms at that: 200 ms.
        (found,) = proposals(sound(), None)

        assert (found.at, round(found.start_up, 3)) == (18.0, 0.43)
        assert found.current_limit == 0.65
        assert found.limit_time == 0.2
        assert found.over_voltage.level == pytest.approx(26.4)

    def test_a_proposal_keeps_to_the_ceiling_of_the_bench(self) -> None:
        supply = SupplyRole(None, "select-by-number", {"VIN": 1}, ceiling=Ceiling(q("30 V"), q("500 mA")))
        (found,) = proposals(sound(), bench(supply=supply))

        assert (found.current_limit, found.capped) == (0.5, True)

    def test_nothing_is_proposed_where_the_current_is_not_known(self) -> None:
        board = with_rail("12V0", converter=None, expect=lim("12 V ± 2 %"))

        assert not list(proposals(sound(board=board), None))


WRONG = """\
board: Buoy lamp
inputs: {VIN: 12 V}
rails: {5V0: {from: VIN, converter: {kind: buck, output: 5 V ± 2 %, thermal_resistance: THETA}}}
ratings: {Q1 gate: RATING}
"""


@pytest.mark.parametrize(
    ("theta", "rating", "says"),
    [
        ("60 degC/W", "{never_above: 12 V, driven_by: 5V1}", "no input or rail is called '5V1'"),
        ("60 degC/W", "{never_above: 12 V, driven_by: 5V0, upper: 10 kΩ}", "the divider of Q1 gate lacks `lower`"),
        ("60 degC/W", "{never_above: 1 A, driven_by: VIN}", "a current is rated at a rail"),
        ("60 degC/W", "{never_above: 1 A, driven_by: 5V0, down_to: VIN}", "`down_to` says nothing of a current"),
        ("60 degC/W", "{never_above: 1 W, driven_by: 5V0}", "where volts or amperes are due"),
        ("60", "{never_above: 12 V, driven_by: 5V0}", "'60' is no thermal resistance above zero"),
        ("nan K/W", "{never_above: 12 V, driven_by: 5V0}", "is no thermal resistance above zero"),
    ],
)
def test_what_says_nothing_is_refused(theta: str, rating: str, says: str, tmp_path: Path) -> None:
    path = tmp_path / "lamp.yaml"
    path.write_text(WRONG.replace("THETA", theta).replace("RATING", rating), encoding="utf-8")

    with pytest.raises(FileError) as refused:
        load_board(path)
    assert says in str(refused.value)


def test_preview_shows_budget_proposal_margins_and_heat(capsys: pytest.CaptureFixture[str]) -> None:
    first, simulated = ROOT / "procedures/first-power-on.yaml", ROOT / "fixtures/benches/simulated.yaml"

    assert main(["preview", str(first), "--bench", str(simulated)]) == 0
    page = " ".join(capsys.readouterr().out.split())
    assert "VIN transmitting 18 V 235 mA 4.23 W coming up 427 mA" in page
    assert "Proposed for VIN, by the board file: current limit 430 mA" in page
    # By hand: 30 V through 99 kohm over 47.47 kohm is 9.723 V.
    assert "Q1 gate never above 20 V gets 9.723 V 51 % left from VIN through 100 kΩ ± 1 % over 47 kΩ ± 1 %" in page
    assert "3V3 63.2 mW junction 60 °C at 50 °C limit 125 °C" in page
