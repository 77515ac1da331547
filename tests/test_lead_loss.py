"""What the supply's leads lose: told beside the result, and more than a little of it fails."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.logbook_words import print_outcome
from bringup.commands.main import main
from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.procedure import Apply, Measure, Procedure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, LimitsFrom, Result
from bringup.files.board_file import load_board
from bringup.logbook.record import LogbookRecord
from bringup.runner.setup import AttemptOutcome
from tests.fakes import ROOT, SEEN, SimulatedBench, picked, simulated_bench

BENCH = ROOT / "fixtures/benches/simulated-tide-gauge.yaml"
q = parse_quantity
ON = Step(0, Apply("VIN", (q("9 V"), q("12 V")), q("200 mA"), short_check=q("1 V")))
VOLTS = Step(1, Measure(("VIN", "3V3")))


def procedure(*steps: Step) -> Procedure:
    return replace(
        picked("apply"),
        board=load_board(ROOT / "fixtures/boards/tide-gauge.yaml"),
        board_state=None,
        steps=steps or (ON, VOLTS),
    )


def supplied_with(volts: float, *steps: Step, after: float) -> tuple[SimulatedBench, AttemptOutcome]:
    """Run it with so many volts reaching the board, whatever was set, from so long after power came on."""
    lost = Fault("VIN", FaultKind.WRONG_VOLTAGE, volts, after=after)
    bench = simulated_bench(procedure(*steps), faults=[lost], bench_path=BENCH, history=SEEN)
    outcome = bench.run(serial="TG-001")
    return bench, outcome


def test_a_loss_of_more_than_2_percent_is_a_warning_beside_the_result_and_a_remark_of_the_reading() -> None:
    bench, outcome = supplied_with(11.6, after=1.0)

    assert outcome.result is AttemptResult.PASSED
    (at_board,) = [each for each in outcome.readings if each.aspect == "at the board"]
    assert at_board.result is Result.PASS
    assert at_board.note.endswith("V (3.3 %) below the 12 V set, the supply sensing at its terminals")
    (warned,) = [text for kind, text, _ in bench.record.events if kind == "warning"]
    assert warned == f"VIN at the board is {at_board.note}: look at the leads and their ends"
    assert bench.told[-1].data["warned"] == warned


def test_the_json_of_an_attempt_has_its_warnings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lost = Fault("VIN", FaultKind.WRONG_VOLTAGE, 11.6, after=1.0)
    bench = simulated_bench(procedure(), faults=[lost], bench_path=BENCH, history=SEEN)
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=True) as record:
        record.history = lambda serial: SEEN  # type: ignore[method-assign]
        outcome = bench.run(serial="TG-001", record=record)
    print_outcome(path, outcome, None)
    from_run = json.loads(capsys.readouterr().out)
    main(["attempts", "--json", "--brief", "--logbook", str(path)])
    (listed,) = json.loads(capsys.readouterr().out)

    assert from_run["warnings"] == listed["warnings"] == [bench.told[-1].data["warned"]]
    assert from_run["warnings"][0].startswith("VIN at the board is")


@pytest.mark.parametrize("volts", [11.9, 12.0, 12.2])
def test_what_sound_leads_lose_is_no_warning(volts: float) -> None:
    bench, outcome = supplied_with(volts, after=1.0)

    assert outcome.result is AttemptResult.PASSED
    assert "warning" not in bench.record.kinds()
    assert bench.told[-1].data["warned"] == ""


def test_leads_of_far_too_many_ohms_are_a_warning_however_little_they_lose() -> None:
    bench, outcome = supplied_with(11.8, after=1.0)

    assert outcome.result is AttemptResult.PASSED
    warned = str(bench.told[-1].data["warned"])
    assert re.fullmatch(r"the supply leads of VIN come to 38.\d Ω, more than 500 mΩ: look at the leads .*", warned)


def test_a_loss_of_more_than_5_percent_fails_though_the_board_would_work_with_it() -> None:
    bench, outcome = supplied_with(10.78, after=1.0)

    assert (outcome.result, outcome.off_verified) == (AttemptResult.FAILED, True)
    read = re.fullmatch(
        r"step 1 \(apply\): VIN at the board voltage ([\d.]+) V, wanted 11.4 V .. 15 V: 12 V set, leads may lose 5 %",
        outcome.cause,
    )
    assert read is not None, outcome.cause
    assert float(read[1]) == pytest.approx(10.78, abs=0.01)
    (at_board,) = [each for each in outcome.readings if each.aspect == "at the board"]
    assert (at_board.result, at_board.limits_from) == (Result.FAIL, LimitsFrom.RULE)
    assert "a rule of the tool" in at_board.note
    assert "trip" not in bench.record.kinds()


def test_what_the_procedure_permits_is_only_warned_of() -> None:
    permitted = replace(VOLTS, expect={"VIN": parse_limits("10 V .. 12.5 V")})

    bench, outcome = supplied_with(10.78, ON, permitted, after=1.0)

    assert outcome.result is AttemptResult.PASSED
    assert bench.record.kinds().count("warning") == 1


def test_a_supply_that_turns_wrong_after_power_on_is_found_by_the_next_reading_of_the_input() -> None:
    bench, outcome = supplied_with(10.4, ON, replace(VOLTS, action=Measure(("3V3", "VIN"))), after=1.8)

    assert (outcome.result, outcome.off_verified) == (AttemptResult.FAILED, True)
    assert outcome.cause.startswith("step 2 (measure): VIN voltage 10.39")
    assert "trip" not in bench.record.kinds()
