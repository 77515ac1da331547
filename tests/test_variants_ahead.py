"""What looks ahead, and back, sees the board as the unit's variant has it: run, check, preview, rehearse, diagnose."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.before_opening import check_before_opening
from bringup.commands.main import main
from bringup.commands.rehearsing import scene
from bringup.core.as_built import as_built, as_examined
from bringup.core.procedure import Apply, Measure, Note, OnlyIf, PowerOff, Step
from bringup.core.safety import examine
from bringup.errors import SafetyRefused
from tests.fakes import ROOT, picked, the_bench
from tests.test_as_built import LONG, SHORT, designed

BOARD = (ROOT / "fixtures/boards/mooring-buoy-logger.yaml").read_text(encoding="utf-8")
SCANNER = ROOT / "fixtures/benches/simulated-scanner.yaml"
STEPS = """procedure: Look
board: board.yaml
steps:
  - apply: {input: VIN, short_check: 1 V, then: [24 V], current_limit: 90 mA}
  - measure: [12V0, 3V3]
  - power_off: {}
"""


@pytest.fixture
def procedure(tmp_path: Path) -> Path:
    """A board whose 5 V, and what hangs on it, only long range units have."""
    rails = BOARD.replace("  5V0:\n", "  5V0:\n    variants: [long range]\n", 1)
    assert "variants: [long range]" in rails
    board = rails
    (tmp_path / "board.yaml").write_text(board, encoding="utf-8")
    (tmp_path / "look.yaml").write_text(STEPS, encoding="utf-8")
    return tmp_path / "look.yaml"


def test_steps_that_are_not_done_on_a_variant_are_notes_and_those_done_on_it_alone_are_certain() -> None:
    short, long = OnlyIf(variant=SHORT), OnlyIf(variant=LONG, attended=True)
    apply = picked("apply").steps[0]
    given = designed(
        apply, Step(0, Measure(("3V3",))), Step(0, PowerOff(), only_if=short), Step(0, PowerOff(), only_if=long)
    )
    given = replace(given, board=replace(given.board, variants=(SHORT, LONG)))

    built, bench = as_examined(given, the_bench(SCANNER), SHORT)

    assert isinstance(built.steps[1].action, Note)
    assert built.steps[1].action.text == "left out: nothing of it is on a unit of the variant short range"
    assert built.steps[2].only_if is None
    assert isinstance(built.steps[3].action, Note)
    assert bench is not None
    assert bench.scanner is not None
    assert "3V3" not in bench.scanner.channels
    assert not [each for each in examine(built, bench) if "3V3" in each.message]
    whole, _ = as_examined(given, None, LONG)
    assert whole.steps[3].only_if == OnlyIf(attended=True)
    assert as_examined(given, None, "")[0] == given


def test_an_apply_times_no_rail_that_is_not_there() -> None:
    apply = picked("apply").steps[0].action
    assert isinstance(apply, Apply)
    given = designed(Step(0, replace(apply, time_to_regulation=("12V0", "3V3"))))

    (step,) = as_built(given, SHORT).steps

    assert isinstance(step.action, Apply)
    assert step.action.time_to_regulation == ("12V0",)


def test_run_is_refused_for_what_its_own_variant_draws() -> None:
    apply = picked("apply").steps[0].action
    assert isinstance(apply, Apply)
    load = designed().board.rails["N12V"]
    board = designed().board
    known = replace(board, variants=(SHORT, LONG), rails={**board.rails, "N12V": replace(load, variants=(SHORT,))})
    measured = Step(0, Measure(("N12V",)))
    given = replace(designed(), board=known, steps=(measured,))
    bench = the_bench(ROOT / "fixtures/benches/simulated.yaml")

    with pytest.raises(SafetyRefused, match="N12V"):
        check_before_opening(given, bench, serial="MBL-0001", variant=SHORT)
    check_before_opening(given, bench, serial="MBL-0001", variant=LONG)


def test_preview_shows_what_the_variant_has_and_wants_to_be_told(
    procedure: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["preview", str(procedure)]) == 2
    assert "no variant is given, and it decides which rails there are" in capsys.readouterr().err
    assert main(["preview", str(procedure), "--variant", "middle range"]) == 2
    assert "the board has no variant 'middle range'" in capsys.readouterr().err
    assert main(["preview", str(procedure), "--variant", "short range", "--json"]) == 0
    short = json.loads(capsys.readouterr().out)
    assert (short["variant"], short["steps"][1]["readings"][0]["point"]) == ("short range", "12V0")
    assert len(short["steps"][1]["readings"]) == 1
    main(["preview", str(procedure), "--variant", "long range"])
    assert ", variant long range" in capsys.readouterr().out.splitlines()[0]


def test_check_examines_every_variant_or_the_one_that_is_named(
    procedure: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["check", str(procedure)])
    every = " ".join(capsys.readouterr().out.split())
    main(["check", str(procedure), "--variant", "short range"])
    short = " ".join(capsys.readouterr().out.split())
    assert main(["check", str(procedure), "--variant", "middle range"]) == 2

    assert "(variant long range)" in every
    assert "(variant" not in short
    assert "no resistance reading of 12V0, 5V0" in every
    assert "no resistance reading of 12V0 and N12V" in short


def test_a_rehearsal_has_the_board_of_its_variant(procedure: Path) -> None:
    made = scene(procedure, None, "short range")

    assert set(made.procedure.board.rails) == {"12V0", "N12V"}
    assert made.bench.simulate is not None
    assert made.bench.simulate.variant == "short range"
    assert main(["rehearse", str(procedure)]) == 2


def test_a_diagnosis_has_the_board_of_the_attempt_or_the_variant_that_is_named(
    procedure: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    logbook = ["--logbook", str(tmp_path / "book.db")]
    bench = tmp_path / "bench.yaml"
    bench.write_text(
        f"bench: Simulated\nsimulate: {{board: {tmp_path / 'board.yaml'}, faults: [{{rail: 12V0, not_fitted: yes}}]}}\n"
        "supply: {dialect: select-by-number, outputs: {VIN: 1}}\nmeter: {dialect: configure-and-read}\n"
        "probing: fixed wiring\n",
        encoding="utf-8",
    )
    run = ["run", str(procedure), "--bench", str(bench), "--serial", "MBL-0001", "--variant", "short range"]
    main([*run, *logbook])
    capsys.readouterr()

    assert main(["diagnose", "MBL-0001", "--json", *logbook]) == 0
    own = json.loads(capsys.readouterr().out)
    assert main(["diagnose", "MBL-0001", "--variant", "middle range", *logbook]) == 2

    points = {fault["point"] for cause in own["causes"] for fault in cause["faults"]}
    assert points
    assert not points & {"5V0", "3V3", "1V8", "VREF"}
