import math
import re
from decimal import Decimal
from pathlib import Path

import pytest

from bringup.core.board import Board, ConverterKind, LoadKind
from bringup.errors import FileError
from bringup.files.board_file import load_board

BOARDS = Path(__file__).parent.parent / "fixtures" / "boards"

# IEC 60063: E96 is round(100 * 10 ** (i / 96)); E24 as tabulated in it (from memory, checked against a package).
E96 = {round(100 * 10 ** (i / 96)) for i in range(96)}
E24 = {10 * n for n in (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)}


@pytest.fixture(scope="module")
def logger() -> Board:
    return load_board(BOARDS / "mooring-buoy-logger.yaml")


def board_from(tmp_path: Path, text: str) -> Board:
    path = tmp_path / "board.yaml"
    path.write_text(text, encoding="utf-8")
    return load_board(path)


def test_the_demo_board_is_read_whole(logger: Board) -> None:
    assert (logger.name, logger.revision, logger.serial_pattern) == ("Mooring buoy logger", "B", "MBL-[0-9]{4}")
    assert list(logger.inputs) == ["VIN"]
    assert list(logger.rails) == ["12V0", "5V0", "3V3", "1V8", "VREF", "N12V"]
    assert logger.states == ("blank", "programmed", "asleep", "transmitting")
    assert [logger.input_of(rail) for rail in logger.rails] == ["VIN"] * 6
    vin = logger.inputs["VIN"]
    assert vin.working is not None
    assert [vin.working.low, vin.working.high] == [Decimal(18), Decimal(30)]
    assert vin.damage_above is not None
    assert vin.damage_above.value == 33
    assert vin.capacitance is not None
    assert vin.capacitance.value == Decimal("0.000100")


def test_every_fact_of_a_converter_arrives(logger: Board) -> None:
    converter = logger.rails["12V0"].converter
    assert converter is not None
    assert converter.kind is ConverterKind.BUCK
    assert converter.starts_at is not None
    assert converter.starts_at.number == 14
    assert converter.stops_at is not None
    assert converter.stops_at.number == 12.5
    assert converter.soft_start is not None
    assert converter.soft_start.number == 0.004
    assert converter.efficiency is not None
    assert (converter.efficiency.number, converter.efficiency.unit) == (88.0, "%")
    assert converter.upper is not None
    assert converter.upper.nominal == 140_000
    assert [converter.upper.low, converter.upper.high] == [Decimal(138_600), Decimal(141_400)]
    assert converter.quiescent is not None
    assert converter.quiescent.number == 0.001
    assert converter.dropout is None


def network_of(board: Board, rail: str) -> list[Decimal]:
    """Return reference, upper and lower of a rail, empty where it has no network."""
    converter = board.rails[rail].converter
    parts = () if converter is None else (converter.reference, converter.upper, converter.lower)
    return [part.nominal for part in parts if part is not None and part.nominal is not None]


@pytest.mark.parametrize(("rail", "volts"), [("12V0", 12), ("5V0", 5), ("1V8", Decimal("1.8")), ("N12V", 12)])
def test_the_demo_boards_feedback_networks_give_their_nominal_voltages(
    logger: Board, rail: str, volts: Decimal
) -> None:
    reference, upper, lower = network_of(logger, rail)

    assert abs(reference * (1 + upper / lower) / volts - 1) < Decimal("0.001")


def test_the_demo_boards_resistors_can_be_bought(logger: Board) -> None:
    parts = [part for rail in logger.rails for part in network_of(logger, rail)[1:]]

    assert len(parts) == 8
    assert all(int(f"{part:.2e}"[:4].replace(".", "")) in E24 | E96 for part in parts)


def test_the_demo_board_states_what_every_step_needs(logger: Board) -> None:
    points = list(logger.points())
    assert len({point.probe for point in points} - {""}) == len(points) == 7
    for point in points:
        assert point.capacitance
        assert point.unpowered_resistance
        assert point.ground
        assert point.damage_above
        assert point.ground.accepts(point.unpowered_resistance.value)


def test_loads_have_the_kind_of_their_unit_and_a_value_for_each_state(logger: Board) -> None:
    chain, light = logger.rails["12V0"].loads
    assert (chain.name, chain.kind) == ("sensor chain", LoadKind.CURRENT)
    assert (chain.value(None), chain.value("asleep"), chain.value("blank")) == (0.02, 0.001, 0.02)
    assert (light.kind, light.default) == (LoadKind.POWER, 0.4)
    (indicator,) = logger.inputs["VIN"].loads
    assert (indicator.kind, indicator.default) == (LoadKind.RESISTANCE, 4700)


def test_a_load_without_default_is_absent_in_the_states_it_does_not_name(tmp_path: Path) -> None:
    board = board_from(
        tmp_path,
        "board: Buoy lamp\nstates: [dark, lit]\n"
        "rails: {5V0: {expect: 5 V ± 5 %, loads: {lamp: {lit: 50 Ω}, timer: {lit: 1 mA}}}}\n",
    )
    lamp, timer = board.rails["5V0"].loads
    assert (lamp.value("lit"), lamp.value("dark")) == (50, math.inf)
    assert (timer.value("lit"), timer.value("dark")) == (0.001, 0)


def test_a_board_of_nothing_but_limits_is_a_board() -> None:
    board = load_board(BOARDS / "buoy-lamp.yaml")

    assert (board.revision, board.states, list(board.inputs)) == ("", (), [])
    assert [str(rail.expect) for rail in board.rails.values()] == ["5 V ± 5 %", "3.3 V ± 2 %"]
    assert re.fullmatch(board.serial_pattern, "BL 7/b")
    assert not re.fullmatch(board.serial_pattern, " ")


def test_a_rail_without_converter_is_a_plain_connection() -> None:
    board = load_board(BOARDS / "tide-gauge.yaml")

    rail = board.rails["VCLK"]
    assert (rail.source, rail.converter) == ("VBAT", None)
    assert rail.stays_live is not None
    assert rail.stays_live.high == Decimal("3.7")
    assert board.cautions == ("The clock's cell stays live when the supply is off",)


def test_a_revision_and_a_serial_pattern_keep_their_digits(tmp_path: Path) -> None:
    board = board_from(tmp_path, "board: 0012E3\nrevision: 1.10\nserial: 0012E3\nrails: {5V0: 5 V ± 5 %}\n")

    assert (board.name, board.revision, board.serial_pattern) == ("0012E3", "1.10", "0012E3")


@pytest.mark.parametrize(
    ("written", "ohms"), [("4k7", 4700), ("4.7 kΩ", 4700), ("4R7", Decimal("4.7")), ("1M", 1_000_000)]
)
def test_a_resistor_may_be_written_as_it_is_printed_on_the_part(tmp_path: Path, written: str, ohms: Decimal) -> None:
    board = board_from(
        tmp_path, f"board: Buoy lamp\nrails: {{5V0: {{expect: 5 V ± 5 %, loads: {{lamp: {written}}}}}}}\n"
    )
    (lamp,) = board.rails["5V0"].loads
    assert (lamp.kind, lamp.default) == (LoadKind.RESISTANCE, float(ohms))


def test_one_wrong_field_hides_no_other_fault(tmp_path: Path) -> None:
    text = (
        "board: Buoy lamp\nserial: '['\ninputs: {VIN: {voltage: 24, range: 18 V .. 30 V}}\n"
        "rails:\n  5V0: {from: VIM, expect: 5, prob: TP1}\n  3V3: {from: 5V0, expect: 3.3 V ± 2 %, damage_above: 3 V}\n"
    )
    with pytest.raises(FileError) as caught:
        board_from(tmp_path, text)

    places = [(one.line, one.message.split(" ")[0]) for one in caught.value.problems]
    assert places == [(2, "not"), (3, "'24'"), (5, "no"), (5, "'5'"), (5, "unknown"), (6, "damage_above")]


def test_a_loop_of_three_is_told_once_and_rails_hanging_on_it_not_at_all(tmp_path: Path) -> None:
    text = (
        "board: Buoy lamp\nrails:\n  A: {from: B, expect: 5 V ± 5 %}\n  B: {from: C, expect: 5 V ± 5 %}\n"
        "  C: {from: A, expect: 5 V ± 5 %}\n  D: {from: A, expect: 5 V ± 5 %}\n"
    )
    with pytest.raises(FileError, match="A <- B <- C <- A: a loop") as caught:
        board_from(tmp_path, text)
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize(
    ("written", "way_out"), [("0.9", "Write 90 %."), ("0.875", "Write 87.5 %."), (".9", "Write 90 %.")]
)
def test_an_efficiency_written_as_a_part_of_one_is_told_in_percent(tmp_path: Path, written: str, way_out: str) -> None:
    text = (BOARDS / "mooring-buoy-logger.yaml").read_text(encoding="utf-8")

    with pytest.raises(FileError) as caught:
        board_from(tmp_path, text.replace("efficiency: 90 %", f"efficiency: {written}"))

    (problem,) = caught.value.problems
    assert (problem.message, problem.suggestion) == (f"'{written}' has no unit", way_out)


def test_what_damages_a_negative_rail_is_stated_by_magnitude(tmp_path: Path) -> None:
    with pytest.raises(FileError) as caught:
        board_from(tmp_path, "board: Buoy lamp\nrails: {N5: {expect: -5 V ± 5 %, damage_above: -6 V}}\n")

    (problem,) = caught.value.problems
    assert (problem.message, problem.suggestion) == ("'-6 V' is below zero", "state it by magnitude, without its sign")


def test_a_bare_efficiency_of_more_than_one_is_told_to_have_a_unit(tmp_path: Path) -> None:
    text = (BOARDS / "mooring-buoy-logger.yaml").read_text(encoding="utf-8")

    with pytest.raises(FileError, match="'90' has no unit") as caught:
        board_from(tmp_path, text.replace("efficiency: 90 %", "efficiency: 90"))

    (problem,) = caught.value.problems
    assert problem.suggestion.startswith("Write the unit:")


@pytest.mark.parametrize(("written", "ours"), [("LDO", "linear"), ("step-down", "buck"), ("Step-Up", "boost")])
def test_a_converter_by_another_name_of_the_trade_is_told_which_word_the_files_have(
    tmp_path: Path, written: str, ours: str
) -> None:
    text = (BOARDS / "mooring-buoy-logger.yaml").read_text(encoding="utf-8")

    with pytest.raises(FileError) as caught:
        board_from(tmp_path, text.replace("kind: linear", f"kind: {written}"))

    assert f"'{written}' is not one of buck, boost, inverting, linear" in str(caught.value)
    assert f"write {ours}" in str(caught.value)
