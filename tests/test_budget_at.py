"""The power budget at volts and in a state that somebody asks for. Expected numbers are computed by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.budget_asked import volts_asked
from bringup.commands.main import main
from bringup.core.budget_at import budget_at, budget_lines
from bringup.errors import CommandError
from tests.small_board import INVERTING, small_board, with_rail

FIRST_POWER = str(Path(__file__).parent.parent / "procedures/first-power-on.yaml")
BOARD = small_board()


def test_the_budget_at_18_v_is_that_of_the_loads_worked_out_by_hand() -> None:
    found = budget_at(BOARD, {"VIN": 18.0})

    # 12 V x 100 mA / (0.8 x 18 V) + 18 V / 2.4 kOhm = 90.83 mA; x 18 V = 1.635 W (see small_board).
    assert found.inputs[0].amps == pytest.approx(0.090833, rel=1e-4)
    rails = {rail.name: rail for rail in found.rails}
    assert rails["12V0"].amps == pytest.approx(0.100)
    # A linear 5V0 at 20 mA out of 12 V loses 7 V x 20 mA = 140 mW.
    assert rails["5V0"].lost == pytest.approx(0.140)
    page = "\n".join(budget_lines(BOARD, found))
    assert "90.8 mA" in page.replace("\u00a0", " ")
    assert "1.64 W" in page.replace("\u00a0", " ") or "1.63 W" in page.replace("\u00a0", " ")


def test_below_its_start_voltage_nothing_runs_but_the_inputs_own_load() -> None:
    found = budget_at(BOARD, {"VIN": 6.0})

    assert found.inputs[0].amps == pytest.approx(6.0 / 2400)
    assert [rail.running for rail in found.rails] == [False] * len(found.rails)
    assert found.cautions == ("6 V is outside the working range of VIN, 18 V .. 30 V",)


def test_volts_that_damage_the_input_are_computed_with_a_caution() -> None:
    found = budget_at(BOARD, {"VIN": 36.0})

    assert found.cautions == ("36 V damages VIN (damaged above 33 V): a calculation only, never apply it",)


def test_what_the_file_does_not_state_is_not_guessed() -> None:
    vague = with_rail("N12V", converter=replace(INVERTING, efficiency=None))

    found = budget_at(vague, {"VIN": 24.0})

    assert found.inputs[0].amps is None
    assert found.rails == ()
    assert "efficiency of N12V" in "\n".join(budget_lines(vague, found)).replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("X=3 V", "no input 'X'"),
        ("-3 V", "VIN is fed with 24 V"),
        ("3 A", "--at 3 A"),
        ("20", "--at 20"),
        ("1,5 V", "--at 1,5 V"),
    ],
)
def test_what_cannot_be_meant_is_refused(text: str, says: str) -> None:
    with pytest.raises(CommandError, match="--at") as refused:
        volts_asked(BOARD, [text])

    assert says in refused.value.message


def test_the_command_prints_the_budget_only_and_the_same_as_data(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.delenv("BRINGUP_BENCH", raising=False)
    monkeypatch.setenv("BRINGUP_CONFIG", str(tmp_path / "none.yaml"))

    assert main(["preview", FIRST_POWER, "--at", "20 V", "--state", "transmitting"]) == 0
    page = capsys.readouterr().out
    assert main(["preview", FIRST_POWER, "--at", "VIN=20 V", "--state", "transmitting", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert main(["preview", FIRST_POWER, "--state", "flying"]) == 2

    assert page.startswith("Power budget of Mooring buoy logger, transmitting")
    assert "1  resistance" not in page
    (vin,) = data["inputs"]
    assert vin["low"] < vin["amps"] < vin["high"]
    assert vin["watts"] == pytest.approx(20.0 * vin["amps"])
    # The radio alone takes 420 mA at 5 V: beyond 2.1 W from the input.
    assert vin["watts"] > 2.1
    assert "It has: blank, programmed, asleep, transmitting." in capsys.readouterr().err
