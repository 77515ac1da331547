from pathlib import Path

import pytest

from bringup.core.budget import expected_current
from bringup.core.procedure import (
    Apply,
    Channel,
    Dwell,
    Inspect,
    Leads,
    Log,
    Measure,
    Note,
    OnlyIf,
    PowerOff,
    Procedure,
    Question,
)
from bringup.core.unpowered import Resistance
from bringup.core.words import Kind
from bringup.errors import FileError
from bringup.files.procedure_file import load_procedure

ROOT = Path(__file__).parent.parent
HEAD = (
    "procedure: Look once\nboard:\n  board: Buoy lamp\n  states: [blank, programmed]\n  variants: [short range]\n"
    "  inputs: {VIN: 24 V}\n  rails: {5V0: 5 V ± 5 %, 3V3: 3.3 V ± 2 %}\nsteps:\n"
)


def procedure_from(tmp_path: Path, steps: str, head: str = HEAD) -> Procedure:
    path = tmp_path / "procedure.yaml"
    path.write_text(head + steps, encoding="utf-8")
    return load_procedure(path)


def test_the_demo_procedure_is_read_whole() -> None:
    procedure = load_procedure(ROOT / "procedures" / "first-power-on.yaml")

    rails = ("12V0", "5V0", "3V3", "1V8", "VREF", "N12V")
    assert [step.kind for step in procedure.steps] == [
        "inspect", "resistance", "leads", "apply", "measure", "log", "power_off",
    ]  # fmt: skip
    assert [step.index for step in procedure.steps] == list(range(7))
    assert procedure.board.name == "Mooring buoy logger"
    assert not procedure.unattended_after_first_power
    assert procedure.steps[0].title == "Before power"
    assert procedure.steps[1].action == Resistance(("VIN", *rails))
    assert procedure.steps[2].action == Leads("VIN")
    assert procedure.steps[4].action == Measure(("VIN", *rails))
    off = procedure.steps[6].action
    assert isinstance(off, PowerOff)
    assert off.discharged_below is not None
    assert off.discharged_below.number == 1


def test_apply_and_log_keep_every_number() -> None:
    procedure = load_procedure(ROOT / "procedures" / "first-power-on.yaml")

    apply, log = procedure.steps[3].action, procedure.steps[5].action
    assert isinstance(apply, Apply)
    assert [volts.number for volts in apply.then] == [18, 24]
    assert (apply.current_limit.number, apply.short_check and apply.short_check.number) == (0.4, 1)
    assert apply.expect_current is not None
    assert apply.expect_current.text == "60 mA .. 110 mA"
    assert (apply.limit_time, apply.trip_current, apply.over_voltage, apply.hold) == (None,) * 4
    assert isinstance(log, Log)
    assert log.what == (Channel("VIN", Kind.CURRENT, "VIN current"),)
    assert (log.duration.number, log.every.number) == (5, 0.2)
    assert procedure.steps[5].expect[""].text == "60 mA .. 110 mA"


def test_the_re_check_may_run_without_a_person_on_a_programmed_board() -> None:
    procedure = load_procedure(ROOT / "procedures" / "recheck.yaml")

    assert procedure.unattended_after_first_power
    assert procedure.board_state == "programmed"


@pytest.mark.parametrize("state", ["blank", "programmed"])
@pytest.mark.parametrize("volts", [18.0, 24.0])
def test_the_demo_procedures_current_limits_fit_the_demo_board(state: str, volts: float) -> None:
    procedure = load_procedure(ROOT / "procedures" / "first-power-on.yaml")
    limits = procedure.steps[5].expect[""]

    expected = expected_current(procedure.board, "VIN", volts, state)

    assert expected.amps is not None
    assert limits.accepts(expected.amps)


def test_short_and_long_forms_say_the_same(tmp_path: Path) -> None:
    short = procedure_from(
        tmp_path,
        "  - inspect: No bridges\n  - resistance: 5V0\n  - leads: VIN\n  - measure: [5V0, 3V3]\n  - dwell: 2 s\n"
        "  - note: Antenna fitted\n  - question: Which colour?\n  - power_off:\n",
    )
    long = procedure_from(
        tmp_path,
        "  - inspect: {confirm: [No bridges]}\n  - resistance: {points: [5V0]}\n  - leads: {input: VIN}\n"
        "  - measure: {points: [5V0, 3V3]}\n  - dwell: {for: 2 s}\n  - note: {text: Antenna fitted}\n"
        "  - question: {ask: Which colour?}\n  - power_off: {}\n",
    )

    assert [step.action for step in short.steps] == [step.action for step in long.steps]
    assert short.steps[0].action == Inspect(("No bridges",))
    assert isinstance(short.steps[4].action, Dwell)
    assert short.steps[5].action == Note("Antenna fitted")
    assert short.steps[6].action == Question("Which colour?")
    assert short.steps[7].action == PowerOff(None)


def test_what_every_step_may_carry_arrives(tmp_path: Path) -> None:
    procedure = procedure_from(
        tmp_path,
        "  - measure: {points: [5V0], name: first look, on_fail: go_on}\n"
        "  - measure: {points: [3V3], title: Again, caution: Hot, board_state: programmed,\n"
        "              only_if: {attended: yes, board_state: blank, variant: short range, step: first look,\n"
        "                        result: pass}}\n",
    )

    first, second = procedure.steps
    assert (first.name, first.end_on_fail, first.only_if) == ("first look", False, None)
    assert (second.title, second.cautions, second.board_state) == ("Again", ("Hot",), "programmed")
    assert second.end_on_fail
    assert second.only_if == OnlyIf(attended=True, board_state="blank", variant="short range", step=0, result="pass")
    assert (second.line, second.column) == (10, 5)


def test_limits_may_stand_for_all_points_or_by_point(tmp_path: Path) -> None:
    procedure = procedure_from(
        tmp_path,
        "  - measure: {points: [5V0, 3V3], expect: 3 V .. 6 V}\n"
        "  - log: {what: [5V0, VIN current, VIN power], for: 1 s,\n"
        "          expect: {5V0: 5 V ± 1 %, VIN current: < 1 A, VIN power: < 2 W}}\n"
        "  - question: {ask: How warm?, expect: < 60 degC}\n",
    )

    one, many, asked = procedure.steps
    assert list(one.expect) == [""]
    assert {name: limits.unit for name, limits in many.expect.items()} == {
        "5V0": "V", "VIN current": "A", "VIN power": "W",
    }  # fmt: skip
    assert asked.action == Question("How warm?", unit="degC")
    assert isinstance(many.action, Log)
    assert [(one.point, one.kind) for one in many.action.what] == [
        ("5V0", Kind.VOLTAGE), ("VIN", Kind.CURRENT), ("VIN", Kind.POWER),
    ]  # fmt: skip
    assert many.action.every.number == 0.2


def test_a_point_called_like_a_channel_word_is_still_a_point(tmp_path: Path) -> None:
    head = "procedure: Look once\nboard: {board: Buoy lamp, rails: {sense node: 1 V ± 5 %}}\nsteps:\n"

    procedure = procedure_from(tmp_path, "  - log: {what: [sense node], for: 1 s}\n", head)

    assert procedure.steps[0].action.what == (Channel("sense node", Kind.VOLTAGE, "sense node"),)  # type: ignore[union-attr]


def test_faults_of_the_board_file_are_told_with_those_of_the_procedure(tmp_path: Path) -> None:
    (tmp_path / "board.yaml").write_text("board: Buoy lamp\nrails: {5V0: 5 V, 3V3: 3.3 V ± 2 %}\n", encoding="utf-8")

    with pytest.raises(FileError) as caught:
        procedure_from(tmp_path, "  - measure: [5V0, 3V4]\n", "procedure: Look once\nboard: board.yaml\nsteps:\n")

    told = [(Path(one.path).name, one.line, one.message) for one in caught.value.problems]
    # 5V0 is known to the procedure although its own entry could not be read.
    assert told == [
        ("procedure.yaml", 4, "the board has no rail or input called '3V4'"),
        ("board.yaml", 2, "'5 V' is one value without a tolerance"),
    ]


def test_where_the_board_cannot_be_read_at_all_no_name_is_called_unknown(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"the board file .*none\.yaml: no such file") as caught:
        procedure_from(tmp_path, "  - measure: [5V0]\n", "procedure: Look once\nboard: none.yaml\nsteps:\n")
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize("text", ["VIN Current", "VIN CURRENT"])
def test_a_logged_name_in_other_capitals_is_one_fault_that_names_it(tmp_path: Path, text: str) -> None:
    step = f"  - log: {{what: [{text}], for: 5 s, expect: 100 mA ± 10 %}}\n"
    with pytest.raises(FileError, match="did you mean 'VIN current'") as caught:
        procedure_from(tmp_path, step)
    assert len(caught.value.problems) == 1


def test_a_board_path_counts_from_the_procedure_not_from_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)

    assert load_procedure(ROOT / "procedures" / "recheck.yaml").board.name == "Mooring buoy logger"
