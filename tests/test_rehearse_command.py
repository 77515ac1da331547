"""`bringup rehearse` as it is typed, on a board of one rail so that a rehearsal takes a second."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from bringup.commands import rehearse as command
from bringup.commands.main import main
from bringup.core.faults import Fault, FaultKind
from bringup.core.rehearsal import corners

PROCEDURE = """procedure: Short
board:
  board: Mooring buoy lamp
  inputs:
    VIN: {{voltage: 12 V, range: 10 V .. 15 V, damage_above: 20 V, probe: J1, capacitance: 10 uF, ground: '> 100 Ω',
          unpowered_resistance: 4 kΩ}}
  rails:
    5V0: {{from: VIN, probe: TP1, ground: '> 100 Ω', unpowered_resistance: 2 kΩ, capacitance: 10 uF, damage_above: 6 V,
          {expect} loads: {{lamp: 50 mA}},
          converter: {{kind: buck, starts_at: 8 V, efficiency: 90 %, soft_start: 1 ms,
                      reference: 0.8 V ± 1 %, upper: 105 kΩ ± 1 %, lower: 20 kΩ ± 1 %}}}}
steps:
  - resistance: [VIN, 5V0]
  - leads: VIN
  - apply: {{input: VIN, short_check: 1 V, then: [12 V], current_limit: 200 mA}}
  {measure}
"""


OPEN = Fault("5V0", FaultKind.UPPER_OPEN)
LOW = Fault("5V0", FaultKind.UPPER_VALUE, 100e3)
REVERSED = Fault("VIN", FaultKind.LEADS_REVERSED)


@pytest.fixture(autouse=True)
def _few(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rehearsal of three faults and a nominal unit takes a second; which ones there are has tests of its own."""
    monkeypatch.setattr(command, "single_faults", lambda _board, **_: (REVERSED, OPEN, LOW))
    monkeypatch.setattr(command, "corners", lambda board, _of: corners(board)[:1])


def rehearse(folder: Path, capsys: pytest.CaptureFixture[str], *more: str, **texts: str) -> tuple[int, str]:
    texts = {"expect": "", "measure": "- measure: [VIN, 5V0]"} | texts
    path = folder / "short.yaml"
    path.write_text(PROCEDURE.format(**texts))
    code = main(["rehearse", str(path), "--jobs", "1", *more])
    printed = capsys.readouterr()
    return code, printed.out + printed.err


def data(folder: Path, capsys: pytest.CaptureFixture[str], *more: str, **texts: str) -> Any:
    return json.loads(rehearse(folder, capsys, "--json", *more, **texts)[1])


def test_a_procedure_that_measures_the_rail_catches_every_fault_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    code, out = rehearse(tmp_path, capsys)

    assert code == 0
    assert "Short, Mooring buoy lamp: 3 single faults, 1 sound units." in out
    assert "3 of 3 faults that show are caught (100.0%). 0 of 1 sound units blamed." in out
    assert "NOT CAUGHT" not in out
    late = re.search(
        r"step 3 \(apply\): 5V0 comes to 12[.0-9]* V \(damaged above 6 V\), 1: 5V0: upper feedback resistor open", out
    )
    assert late is not None, out
    assert out.index("CAUGHT TOO LATE: 1.") < late.start() < out.index("Caught in time: 2")
    assert "step 2 (leads), 1: VIN: supply leads reversed" in out


def test_without_the_measurement_the_faults_that_only_it_shows_are_named_with_the_check_to_add(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out = rehearse(tmp_path, capsys, "--point", "5V0", measure="- dwell: 1 s")

    assert code == 1
    missed = out[out.index("NOT CAUGHT") : out.index("CAUGHT TOO LATE")]
    assert "5V0: upper feedback resistor 100 kΩ instead of 105 kΩ" in missed
    assert "measure: [5V0] shows" in missed


def test_limits_narrower_than_the_parts_blame_sound_units(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(command, "single_faults", lambda _board, **_: ())
    monkeypatch.setattr(command, "corners", corners)
    found = data(tmp_path, capsys, "--point", "5V0", expect="expect: 5 V ± 1 %,")

    blamed = [each["name"] for each in found["sound"] if each["result"] != "passed"]
    assert blamed == ["sound, 5V0 at its lowest", "sound, 5V0 at its highest"]
    assert {each["step"] for each in found["sound"] if each["result"] != "passed"} == {4}


def test_the_data_names_point_fault_value_step_and_what_was_beyond_its_level(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = data(tmp_path, capsys, "--point", "5V0")

    opened = next(each for each in found["faults"] if each["fault"] == "upper_open")
    assert (opened["point"], opened["fate"], opened["step"]) == ("5V0", "caught too late", 3)
    assert opened["stressed"][0]["damage_above"] == 6.0
    assert opened["stressed"][0]["volts"] > 11.0
    assert opened["energy"] is None
    assert found["coverage"] == 1.0


def test_energy_into_an_excess_load_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(command, "single_faults", lambda _board, **_: (Fault("5V0", FaultKind.EXCESS_LOAD, 0.1),))
    (load,) = data(tmp_path, capsys)["faults"]
    out = " ".join(rehearse(tmp_path, capsys)[1].split())

    # 5 V x 100 mA, for some part of the attempt.
    assert load["energy"]["most_watts"] == pytest.approx(0.5, rel=0.02)
    assert 0.0 < load["energy"]["joules"] < 0.5 * load["simulated_seconds"]
    assert "Most energy into a fault until it was caught: " in out
    assert "up to 500 mW (5V0: 100 mA too much load, step 3 (apply))." in out


def test_what_an_ohmmeter_gives_is_told_as_no_energy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(command, "single_faults", lambda _board, **_: (Fault("5V0", FaultKind.SHORTED_THROUGH, 0.2),))
    out = " ".join(rehearse(tmp_path, capsys)[1].split())

    assert "Most energy into a fault until it was caught: none." in out


def test_a_point_that_the_board_has_not_is_refused_with_the_nearest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out = rehearse(tmp_path, capsys, "--point", "5V")

    assert code == 2
    assert "no point called '5V'" in out
    assert "5V0" in out


def test_a_procedure_that_may_not_be_run_is_not_rehearsed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out = rehearse(tmp_path, capsys, measure="- apply: {input: VIN, then: [22 V], current_limit: 200 mA}")

    assert code == 2
    assert "damage" in out


def test_several_processes_find_what_one_finds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    alone = data(tmp_path, capsys, "--point", "VIN")

    assert data(tmp_path, capsys, "--point", "VIN", "--jobs", "2") == alone
