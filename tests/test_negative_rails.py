"""Rails made from negative rails: files, limits of the design, the solver by hand, simulated board, power budget."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from bringup.core.board import Board
from bringup.core.budget import expected_current, missing_facts
from bringup.core.design_limits import designed
from bringup.core.design_values import nominal_volts, sign_of
from bringup.core.faults import Fault, FaultKind
from bringup.core.solver import solve
from bringup.errors import FileError
from bringup.files.board_file import load_board
from tests.built_boards import near
from tests.built_worlds import bench

BOARD = """board: Buoy winch driver
inputs: {VIN: {voltage: 24 V, range: 18 V .. 30 V, capacitance: 10 uF}}
rails:
  12V0: {from: VIN, expect: 12 V ± 2 %, converter: {kind: buck, starts_at: 14 V, efficiency: 80 %}}
  N12V: {from: 12V0, expect: -12 V ± 2 %, converter: {kind: inverting, starts_at: 8 V, efficiency: 75 %}}
  N5V: {from: N12V, FIFTH}
  N3V: {from: N12V, loads: {amplifier: 40 mA}, converter: {kind: buck, starts_at: 6 V, efficiency: 90 %,
        reference: 0.6 V ± 1 %, upper: 40 kΩ ± 1 %, lower: 10 kΩ ± 1 %}}
  P5V: {from: N5V, loads: {relay: 10 mA}, expect: 5 V ± 2 %, converter: {kind: inverting, starts_at: 2 V,
        efficiency: 80 %}}
"""
LINEAR = """expect: -5 V ± 2 %, loads: {sensor chain: 20 mA},
        converter: {kind: linear, dropout: 500 mV, quiescent: 1 mA, reference: 1.25 V ± 1 %, upper: 720 Ω ± 1 %,
        lower: 240 Ω ± 1 %}"""


def read(folder: Path, fifth: str = LINEAR) -> Board:
    path = folder / "board.yaml"
    path.write_text(BOARD.replace("FIFTH", fifth), encoding="utf-8")
    return load_board(path)


def test_a_rail_has_the_sign_of_its_source_unless_an_inverting_converter_turns_it(tmp_path: Path) -> None:
    known = read(tmp_path)

    assert [sign_of(known, name) for name in known.rails] == [1.0, -1.0, -1.0, -1.0, 1.0]
    # 0.6 V * (1 + 40 / 10) = 3 V, made from a negative rail by a converter that is not inverting
    assert nominal_volts(known, "N3V") == near(-3.0)


def test_the_operating_point_by_hand(tmp_path: Path) -> None:
    found = solve(read(tmp_path), {"VIN": 24.0})

    assert (found.volts["N5V"], found.volts["N3V"], found.volts["P5V"]) == (near(-5.0), near(-3.0), near(5.0))
    # P5V: 5 V * 10 mA / (0.8 * 5 V) = 12.5 mA; N5V: 20 + 12.5 = 32.5 mA out, linear: 33.5 mA in with its own 1 mA
    # N3V: 3 V * 40 mA / (0.9 * 12 V) = 11.1111 mA; N12V gives 44.6111 mA
    assert found.rail_amps["N12V"] == near(0.0335 + 0.12 / 10.8)
    # 12V0: 12 V * 44.6111 mA / (0.75 * 12 V) = 59.4815 mA; VIN: 12 V * 59.4815 mA / (0.8 * 24 V) = 37.1759 mA
    assert found.input_amps["VIN"] == near(0.0371759259, 1e-7)
    # the linear one loses 7 V * 32.5 mA and 12 V * 1 mA
    assert found.losses["N5V"] == near(7 * 0.0325 + 12 * 0.001)


def test_the_budget_and_the_limits_of_the_design_know_them(tmp_path: Path) -> None:
    known = read(tmp_path)
    found = designed(known, "N3V")

    assert missing_facts(known, "VIN", 24.0) == ""
    assert expected_current(known, "VIN", 24.0).amps == near(0.0371759259, 1e-7)
    assert found is not None
    # its corners by hand: 0.606 V by 1 + 40.4 / 9.9, and 0.594 V by 1 + 39.6 / 10.1
    assert (found.limits.low, found.limits.high) == (Decimal("-3.078969697"), Decimal("-2.922950495"))


def test_the_simulated_board_settles_where_the_solver_says(tmp_path: Path) -> None:
    known = read(tmp_path)
    world, wanted = bench(known, lead_resistance=0.001), solve(known, {"VIN": 24.0})

    for name in known.rails:
        assert world.point_volts(name, 1.0) == pytest.approx(wanted.volts[name], rel=1e-2), name
    assert world.terminal_amps(1, 1.0) == pytest.approx(wanted.input_amps["VIN"], rel=2e-2)


def test_a_linear_regulator_without_headroom_follows_the_negative_rail(tmp_path: Path) -> None:
    # 1.5 A too much is beyond the limit of N12V's converter: it falls until the loads fade to that limit
    found = solve(read(tmp_path), {"VIN": 24.0}, faults=(Fault("N12V", FaultKind.EXCESS_LOAD, 1.5),)).volts

    assert -5.0 < found["N12V"] < -1.0
    assert found["N5V"] == near(found["N12V"] + 0.5)


@pytest.mark.parametrize(
    ("fifth", "said"),
    [
        ("expect: 5 V ± 2 %, converter: {kind: linear}", "N5V reads 5 V, which no linear converter makes from N12V, a"),
        ("expect: -5 V ± 2 %, converter: {kind: inverting}", "N5V reads -5 V, which no inverting converter makes from"),
        ("expect: -15 V ± 2 %, converter: {kind: buck}", "N5V (-15 V) lies beyond the 12 V that N12V may come down to"),
        ("expect: -5 V ± 2 %, converter: {kind: boost}", "a boost converter cannot make -5 V from -12 V"),
        ("expect: -9 V ± 2 %, converter: {kind: linear, dropout: 4 V}", "N5V (-9 V and 4 V of dropout) lies beyond"),
    ],
)
def test_what_no_such_converter_makes_is_refused(fifth: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(FileError) as refused:
        read(tmp_path, fifth)

    assert any(said in problem.message for problem in refused.value.problems), refused.value.problems
