"""`bringup new`: a list of rails becomes files that check and run; what is ambiguous is refused with its line."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.commands import new_asking
from bringup.commands.first_files import make, nice, refuse_faulty
from bringup.commands.main import main
from bringup.commands.new import Stated
from bringup.core.quantity import format_quantity
from bringup.core.serials import pattern_like
from bringup.core.words import AttemptResult
from bringup.errors import CommandError, FileError
from bringup.files.bench_file import load_bench
from bringup.files.first_files import bench_text, board_text, procedure_text
from bringup.files.procedure_file import load_procedure
from bringup.files.rail_list import Net, net_of, rail_list_of, read_rail_list
from tests import fakes

RAILS = """rail,volts,tolerance,probe point,from
VIN,12,9 V .. 15 V,J1.1,
5V0,5,2 %,TP1,VIN
3V3,3.3 V,± 66 mV,TP2,5V0
N5V,-5,±5 %,TP3,5V0
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("rails.csv").write_text(RAILS, encoding="utf-8")
    return tmp_path


def new(*more: str) -> int:
    return main(["new", "--board", "Buoy lamp", "--serial", "LMP-001", "--rails", "rails.csv", *more])


def simulated(nets: tuple[Net, ...], folder: Path) -> fakes.SimulatedBench:
    """Write the three files, check them, and build the simulated bench in memory that runs them."""
    files = make(Stated("Buoy lamp", "A", "", "", nets, ""), "lamp", date(2026, 11, 28))
    texts = {
        folder / files.board_file: board_text(files),
        folder / files.procedure_file: procedure_text(files),
        folder / files.bench_file: bench_text(files),
    }
    refuse_faulty(texts)
    for path, text in texts.items():
        path.write_text(text, encoding="utf-8")
    fakes.the_bench.cache_clear()
    fakes.the_procedure.cache_clear()
    return fakes.simulated_bench(folder / files.procedure_file, bench_path=folder / files.bench_file)


# --- the files


def test_the_files_check_and_say_what_comes_next(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert new("--revision", "A") == 0
    told = capsys.readouterr().out
    names = ["buoy-lamp-board.yaml", "buoy-lamp-first-power-on.yaml", "buoy-lamp-simulated-bench.yaml"]

    assert sorted(path.name for path in folder.glob("*.yaml")) == names
    assert main(["check", *names]) == 0
    assert f"bringup run {names[1]} --serial LMP-001 --bench {names[2]}" in told
    assert "ASSUMED from the voltages, and marked in the board file: how they are made: 5V0, 3V3, N5V." in told
    assert "the current limit, 100 mA at VIN" in told
    board = load_procedure(names[1]).board
    assert (board.serial_pattern, board.revision) == ("LMP-[0-9]{3}", "A")
    assert [str(board.rails[name].expect) for name in ("5V0", "3V3", "N5V")] == [
        "5 V ± 2 %", "3.3 V ± 2 %", "-5 V ± 5 %",
    ]  # fmt: skip


def test_what_its_comments_offer_checks_once_it_is_stated(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert new() == 0
    board = Path("buoy-lamp-board.yaml")
    text = board.read_text(encoding="utf-8")
    stated = re.sub(r"^    # ((?:damage_above|loads|ground): )", r"    \1", text, flags=re.MULTILINE)
    board.write_text(stated, encoding="utf-8")

    assert main(["check", str(board), "buoy-lamp-first-power-on.yaml"]) == 0, capsys.readouterr().out
    facts = load_procedure("buoy-lamp-first-power-on.yaml").board
    assert (str(facts.inputs["VIN"].damage_above), str(facts.rails["5V0"].damage_above)) == ("18 V", "6.1 V")


def test_what_it_wrote_runs_simulated_to_passed(folder: Path) -> None:
    Path("two.csv").write_text(
        "Rail;Volts;Tolerance;Probe;From;Load;Damage above;Ground;Converter\n"
        "VIN;24;18 V .. 30 V;J1;;;33;;\n"
        "VAUX;5;± 10 %;J2;;;;;\n"
        "3V3;3.3;2 %;TP1;VAUX;60 mA;3.9;> 100 Ω;linear\n"
        "12V0;12;3 %;TP2;VIN;0.4 A;14;;buck\n"
        "N5V;-5;5 %;TP3;12V0;;;;\n"
        "12VS;12;3 %;TP4;12V0;;;;\n"
        "N3V;-3;2 %;TP5;N5V;5 mA;;;\n",
        encoding="utf-8-sig",
    )
    bench = simulated(read_rail_list(Path("two.csv")), folder)
    # The log of 5 s is left out for the test's own time: it judges nothing here.
    kept = tuple(step for step in bench.procedure.steps if step.kind != "log")
    bench.procedure = replace(bench.procedure, steps=tuple(replace(step, index=n) for n, step in enumerate(kept)))

    outcome = bench.run(serial="7")

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert {reading.point for reading in outcome.readings} >= {"VIN", "VAUX", "3V3", "12V0", "N5V", "12VS", "N3V"}
    assert [step.kind for step in bench.procedure.steps].count("apply") == 2


@st.composite
def trees(draw: st.DrawFn) -> tuple[Net, ...]:
    """An input and up to four rails, each made from something before it."""
    volts = st.sampled_from(["1.2", "1.8", "3.3", "5", "9", "12", "-5", "-12", "24"])
    nets = [net_of({"rail": "VIN", "volts": draw(st.sampled_from(["5", "12", "24"])), "probe point": "J1"})]
    for number in range(draw(st.integers(1, 4))):
        source = draw(st.sampled_from(nets)).name
        cells = {"rail": f"R{number}", "volts": draw(volts), "from": source, "probe point": f"TP{number}"}
        cells["tolerance"] = draw(st.sampled_from(["3 %", "+5 % -4 %"]))
        cells["load"] = draw(st.sampled_from(["", "5 mA", "30 mA"]))
        nets.append(net_of(cells))
    return tuple(nets)


@settings(max_examples=8, deadline=None)
@given(nets=trees())
def test_whatever_the_tree_the_files_check(nets: tuple[Net, ...], tmp_path_factory: pytest.TempPathFactory) -> None:
    bench = simulated(nets, tmp_path_factory.getbasetemp())

    assert list(bench.board.rails) == [net.name for net in nets if net.source]


def test_a_file_that_is_there_is_kept_and_nothing_else_is_written(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    there = folder / "buoy-lamp-first-power-on.yaml"
    there.write_text("mine", encoding="utf-8")

    assert new() == 2
    assert f"{there.name} is there already, and is kept" in capsys.readouterr().err
    assert there.read_text(encoding="utf-8") == "mine"
    assert [path.name for path in folder.glob("*.yaml")] == [there.name]

    assert new("--force") == 0
    assert there.read_text(encoding="utf-8").startswith("# Begun by `bringup new`")


def test_nothing_is_left_of_any_file_where_one_cannot_be_written(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = Path.write_text

    def full(path: Path, text: str, **given: str) -> int:
        if path.parent == Path() and "bench" in path.name:
            raise OSError(28, "No space left on device")
        return whole(path, text, **given)

    monkeypatch.setattr(Path, "write_text", full)

    assert new() == 2
    assert "cannot be written: No space left on device" in capsys.readouterr().err
    assert sorted(path.name for path in folder.iterdir()) == ["rails.csv"]


def test_a_supply_that_the_simulation_does_not_have_is_refused(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    del folder
    Path("rails.csv").write_text("rail,volts,tolerance,from\nVIN,48,,\n5V0,5,2 %,VIN\n", encoding="utf-8")

    assert new() == 2
    assert "the simulated supply has no output for VIN at 48 V" in capsys.readouterr().err


def test_what_check_would_refuse_is_not_written(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rails = "rail,volts,tolerance,damage above,from\nVIN,12,,,\n5V0,5,2 %,4,VIN\n"
    Path("rails.csv").write_text(rails, encoding="utf-8")

    assert new() == 2
    assert "so nothing was written:\nbuoy-lamp-board.yaml:" in capsys.readouterr().err
    assert not list(folder.glob("*.yaml"))


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "there is nobody to ask, and --board NAME and --rails CSV is not given"),
        (["--board", "x", "--serial", "LMP", "--rails", "rails.csv"], "'LMP' has no digit that could count"),
        (["--serial", "L1", "--pattern", "L."], "--serial and --pattern both say"),
        (["--pattern", "("], "--pattern '('"),
        (["--into", "nowhere"], "there is no folder nowhere"),
        (["--current-limit", "1,5 A"], "the current limit '1,5 A': a comma stands"),
        (["--current-limit", "0 A"], "is not above zero"),
        (["--rails", "none.csv", "--board", "x"], "none.csv: no such file"),
    ],
)
def test_options_that_make_no_sense_are_refused(
    arguments: list[str], told: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    del folder
    assert main(["new", *arguments]) == 2
    assert told in capsys.readouterr().err


# --- the list


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("rail,volts,from\nVIN,12,\n5V0,5,0,VIN\n", "3:1: 4 cells, but the headings name 3 columns (is there"),
        ("rail;volts;from\nVIN;12;\n5V0;5,0;VIN\n", "3:5: a comma stands in '5,0'"),
        ("rail,volts,tolerance,from\nVIN,12,,\n5V0,5,2,VIN\n", "3:7: '2' has no unit"),
        ("rail,volts,from\nVIN,12,\n5V0,,VIN\n", "3:1: no volts in this row"),
        ("rail,volts,tolerance,from\nVIN,12,,\n5V0,5,2 %,VIM\n", "3:1: no row is called 'VIM' (did you mean 'VIN'?)"),
        ("rail,volts,tolerance,from\nVIN,12,,\n5V0,5,2 %,VIN\n5V0,5,2 %,VIN\n", "4:1: '5V0' stands in two rows"),
        ("rail,volts,tolerance,from\nVIN,12,,\nA,5,2 %,B\nB,5,2 %,A\n", "3:1: A comes from itself, by way of B"),
        ("rail,volts,tolerance,from\nA,5,2 %,B\nB,5,2 %,A\n", "2:1: no input: every row names what it comes from"),
        ("rail,volts\nVIN,12\n", "2:1: only inputs"),
        ("rail,volts,from\nVIN,-12,\n5V0,5,VIN\n", "2:5: VIN is stated as '-12': an input's voltage is above 0 V"),
        ("rail,volts,from\nVIN,12,\n0V,0,VIN\n", "a rail at 0 V is ground"),
        ("rail,volts,from\nVIN,12,\n5V0,500 mA,VIN\n", "3:5: '500 mA' is in A, where V is due"),
        ("rail,volts,tolerance,from\nVIN,12,> 9 V,\n5V0,5,,VIN\n", "what VIN may read has one end only"),
        ("rail,volts,tolerance,from\nVIN,12,12 V,\n5V0,5,2 %,VIN\n", "2:8: VIN would work from 0 V on"),
        ("rail,voltz,from\nVIN,12,\n", "1:6: no column is called 'voltz' (did you mean 'volts'?)"),
        ("rail,volts,volts\nVIN,12,\n", "1:6: the column 'volts' stands twice"),
        ("rail,from\nVIN,\n", "1:1: no column 'volts'"),
        ("rail,volts,tolerance,converter,from\nVIN,12,,,\n5V0,5,2 %,ldo,VIN\n", "no converter is called 'ldo' (write"),
        ('rail,volts,from\nVIN,"12,\n', "not CSV"),
        ("rail,volts,from\nVIN,12,\n5V0,5,VIN\n", "3:5: 5V0 has no tolerance"),
        ("rail,volts,tolerance,damage above,from\nVIN,12,,,\n5V0,5,2 %,-6,VIN\n", "3:11: '-6 V' is below zero, and"),
        ("rail,volts,from\n", "1:1: no rails"),
        ("", "no rails"),
    ],
)  # fmt: skip
def test_a_list_with_a_fault_is_refused_with_its_line(text: str, told: str, tmp_path: Path) -> None:
    path = tmp_path / "rails.csv"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(FileError) as refused:
        read_rail_list(path)
    assert told in str(refused.value)


def test_every_fault_of_a_list_is_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "rails.csv"
    path.write_text("rail;volts;from\nVIN;12;\nA;5,0;VIN\nB;0;A\nC;3;Z\n", encoding="utf-8")

    with pytest.raises(FileError) as refused:
        read_rail_list(path)
    assert [problem.line for problem in refused.value.problems] == [3, 4, 5]


@given(st.text(max_size=200))
@settings(max_examples=30, deadline=None)
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        read = rail_list_of("rail,volts,tolerance,from\n" + text, Path("rails.csv"))
    except FileError as refused:
        read = None
        told = [problem.message for problem in refused.problems]
    assert all(told) if read is None else any(not net.source for net in read)


# --- serial numbers and limits


def test_the_pattern_matches_its_example_and_every_other_number_of_that_length() -> None:
    assert pattern_like("LMP-001") == "LMP-[0-9]{3}"
    assert pattern_like("B2/0044-x") == "B2/[0-9]{4}-x"
    with pytest.raises(CommandError, match="no digit"):
        pattern_like("LMP")


@given(st.text(max_size=12), st.integers(0, 99999), st.text(alphabet="abc.+(-", max_size=4))
def test_a_pattern_matches_the_serial_number_it_comes_from(before: str, number: int, after: str) -> None:
    example = f"{before}{number:05}{after}"

    assert re.fullmatch(pattern_like(example), example)


@given(st.floats(0.01, 30))
def test_a_current_limit_is_round_and_never_below_what_is_wanted(amps: float) -> None:
    assert amps - 1e-9 <= nice(amps) <= 1.6 * amps
    assert len(format_quantity(nice(amps), "A")) <= len("100 mA")


def test_an_expected_current_that_follows_from_the_nets_is_written(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = folder / "linear.csv"
    path.write_text("rail,volts,tolerance,from,load,converter\nVIN,12,,,,\n5V0,5,2 %,VIN,40 mA,linear\n")
    assert main(["new", "--board", "Buoy lamp", "--rails", "linear.csv"]) == 0
    text = (folder / "buoy-lamp-first-power-on.yaml").read_text(encoding="utf-8")
    assert main(["check", "buoy-lamp-first-power-on.yaml"]) == 0

    # 40 mA and 30 % of it
    assert "expect_current: 28 mA .. 52 mA" in text
    assert "nothing judges the current" not in capsys.readouterr().out


def test_where_it_does_not_follow_the_check_says_that_nothing_judges_the_current(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    del folder
    assert new("--revision", "A") == 0
    assert main(["check", "buoy-lamp-first-power-on.yaml"]) == 0

    said = capsys.readouterr().out
    assert "nothing judges the current of VIN at 12 V, so a unit that draws twice what its sisters do may pass" in said
    assert "the board file states no loads on VIN or anything it feeds" in said


# --- asked at a terminal


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch, folder: Path) -> Iterator[Callable[..., list[str]]]:
    """Put a person there who gives these answers in turn; what was asked is returned."""
    del folder
    left: list[str] = []
    asked: list[str] = []

    def typed(question: str) -> str:
        asked.append(question)
        return left.pop(0)

    def give(*said: str) -> list[str]:
        left.extend(said)
        return asked

    for name in ("new", "first_files"):
        monkeypatch.setattr(f"bringup.commands.{name}.at_a_terminal", lambda: True)
    monkeypatch.setattr(new_asking, "typed", typed)
    monkeypatch.setattr("bringup.commands.bench_find.typed", typed)
    yield give
    assert not left, f"never asked for: {left}"


def test_everything_can_be_asked_and_what_cannot_be_read_is_asked_again(
    answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    answers(
        "", "Buoy lamp", "A", "LMP", "LMP-001",
        "", "12,0", "12", "12 V", "9 V .. 15 V", "J1", "",
        "3V3", "3.3", "VIM", "", "2", "2 %", "25 mA", "3.9 V", "TP1",
        "N12", "-12", "VIN", "2 %", "", "", "TP2", "N5", "-5", "N12", "2 %", "", "", "TP3",
        "3V3", "", "0 A", "150 mA",
    )  # fmt: skip

    assert main(["new"]) == 0
    board = load_procedure("buoy-lamp-first-power-on.yaml").board
    told = capsys.readouterr().out

    assert str(board.rails["3V3"].damage_above) == "3.9 V"
    assert [load.default for load in board.rails["3V3"].loads] == [0.025]
    assert board.rails["3V3"].source == "VIN", "the only thing that can feed it is the usual answer"
    assert load_bench("buoy-lamp-simulated-bench.yaml").supply is not None
    for words in ("a comma stands in '12,0'", "'2' has no unit", "3V3 is there already", "nothing is called 'VIM'"):
        assert words in told
    assert "VIN would work from 0 V on: '12 V'. Such as 9 V .. 15 V" in told, "12 V at 12 V is ± 12 V"
    assert "converter: {kind: linear}" in Path("buoy-lamp-board.yaml").read_text(encoding="utf-8").split("N5:")[1]
    assert "current_limit: 150 mA" in Path("buoy-lamp-first-power-on.yaml").read_text(encoding="utf-8")


def test_an_answer_can_be_taken_back_as_far_as_the_first(
    answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    asked = answers(
        "<", "Buoy lamb", "<", "Buoy lamp", "A", "",
        "", "12", "9 V .. 15 V", "J1", "",
        "3V3", "33", "<", "<", "<", "AUX", "5", "", "J2", "",
        "3V3", "3.3", "VIM", "<", "3.4", "AUX", "2 %", "", "", "TP1",
        "", "<", "<", "TP2", "", "150 mA",
    )  # fmt: skip

    assert main(["new"]) == 0
    board = load_procedure("buoy-lamp-first-power-on.yaml").board
    told = capsys.readouterr().out

    assert list(board.inputs) == ["VIN", "AUX"], "that there are no more inputs was taken back"
    assert (board.rails["3V3"].source, str(board.rails["3V3"].expect)) == ("AUX", "3.4 V ± 2 %")
    assert board.rails["3V3"].probe == "TP2"
    assert told.count("there is no answer to take back") == 1
    assert told.count("Inputs: where a supply feeds the board") == 1, "what was told already is not told again"
    assert [question for question in asked if question.startswith("Its voltage")] == ["Its voltage, such as 3.3 V"] * 6


def test_what_does_not_fit_at_the_end_is_asked_again_and_the_rest_is_kept(
    answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    asked = answers(
        "Buoy lamp", "A", "LMP-001",
        "", "15", "10 V .. 18 V", "J1", "",
        "12V0", "12", "", "2 %", "", "14 V", "TP1", "3V3", "3.3", "12V0", "2 %", "25 mA", "3 V", "TP2", "",
        "150 mA",
        "3V4", "3V3", "", "", "", "", "3.9 V", "-",
        "12V0", "8", "", "2 %", "", "", "",
    )  # fmt: skip

    assert main(["new"]) == 0
    board = load_procedure("buoy-lamp-first-power-on.yaml").board
    told = capsys.readouterr().out

    assert "damage_above of 3V3 lies within what it is meant to reach" in told
    assert "12V0 (12 V) lies above the 10 V that VIN may come down to" in told
    assert "nothing is called '3V4'" in told
    assert (str(board.rails["12V0"].expect), board.rails["12V0"].probe) == ("8 V ± 2 %", "TP1")
    kept = board.rails["3V3"]
    assert (kept.source, str(kept.damage_above), kept.probe) == ("12V0", "3.9 V", "")
    assert [load.default for load in kept.loads] == [0.025]
    assert "Which is to be answered again: VIN, 12V0, 3V3, limit (Enter: 12V0)" in asked
    assert "What damages what hangs on it, such as 3.6 V (Enter: 3 V; -: not known)" in asked
    assert "current_limit: 150 mA" in Path("buoy-lamp-first-power-on.yaml").read_text(encoding="utf-8")


def test_a_voltage_may_be_typed_with_its_tolerance_and_a_negative_rail_with_what_damages_it(
    answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    asked = answers(
        "Buoy lamp", "A", "", "", "12 V ± 10 %", "J1", "",
        "3V3", "3.3 V +5 % -2 %", "", "", "3.9", "TP1", "N5", "-5V +/- 2%", "VIN", "", "6 V", "TP2",
        "N8", "-8 ± 100 mV", "VIN", "", "-9 V", "TP3", "N6", "-6", "VIN", "5 %", "", "-7", "TP4", "", "150 mA",
    )  # fmt: skip

    assert main(["new"]) == 0
    board = load_procedure("buoy-lamp-first-power-on.yaml").board

    assert (str(board.inputs["VIN"].working), str(board.rails["3V3"].expect)) == ("10.8 V .. 13.2 V", "3.3 V +5 % -2 %")
    n8 = board.rails["N8"].expect
    assert n8 is not None
    assert (str(n8.low), str(n8.high)) == ("-8.100", "-7.900")
    assert [str(rail.damage_above) for rail in board.rails.values()] == ["3.9 V", "6 V", "9 V", "7 V"]
    assert sum("tolerance" in question for question in asked) == 1, "what was typed with the volts is not asked again"
    assert "does not fit" not in capsys.readouterr().out


def test_an_input_beyond_the_simulated_supply_is_asked_again(answers: Callable[..., list[str]]) -> None:
    answers(
        "Buoy lamp", "", "", "", "48", "", "", "", "3V3", "3.3", "", "2 %", "", "", "", "", "150 mA",
        "", "24", "", "",
    )  # fmt: skip

    assert main(["new"]) == 0
    assert str(load_procedure("buoy-lamp-first-power-on.yaml").board.inputs["VIN"].voltage) == "24 V"


def test_a_person_may_agree_to_replace_a_file(answers: Callable[..., list[str]]) -> None:
    there = Path("buoy-lamp-board.yaml")
    there.write_text("mine", encoding="utf-8")
    answers("", "", "n")
    assert new() == 2
    assert there.read_text(encoding="utf-8") == "mine"

    answers("", "", "y")
    assert new() == 0
    assert there.read_text(encoding="utf-8") != "mine"
