"""`bringup off`: off verified by asking, whoever holds the bench, half of it missing; else UNKNOWN in large words."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.files.bench_file import load_bench
from bringup.host.control import ControlServer, Outcome
from bringup.host.lock import About, hold
from bringup.simulation.manners import Manners
from tests.served_bench import BENCHES, Served, served_bench


@pytest.fixture(autouse=True)
def _own_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))


def switch_on(bench: Served) -> None:
    """Put every output on, as somebody else left it."""
    lines = [line for output in (1, 2, 3) for line in (f"INST:NSEL {output}", "VOLT 5", "CURR 0.1", "OUTP ON")]
    bench.tell("supply", *lines, "OUTP?")
    assert bench.outputs_on() == ["1", "1", "1"]


def off(bench: Served) -> int:
    return main(["off", "--bench", str(bench.file)])


def resource(bench: Served) -> str:
    role = load_bench(bench.file).supply
    assert role is not None
    assert role.resource is not None
    return role.resource


def test_every_output_of_the_bench_is_switched_off_but_those_to_be_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path, supply="outputs: {VIN: 1, VBUS: 2}, leave_alone: [3]") as bench:
        switch_on(bench)
        assert off(bench) == 0
        assert bench.outputs_on() == ["0", "0", "1"]
    shown = capsys.readouterr().out
    assert "Every output of Test bench is OFF, verified by asking: output 1 (VIN) and output 2 (VBUS) (" in shown
    assert "(output 3 was left alone, as the bench file says)" in shown


def test_json_says_whether_off_is_verified_and_what_was_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path, supply="outputs: {VIN: 1, VBUS: 2}, leave_alone: [3]") as bench:
        switch_on(bench)
        assert main(["off", "--bench", str(bench.file), "--json"]) == 0
        assert bench.outputs_on() == ["0", "0", "1"]
    told, said = capsys.readouterr()
    assert json.loads(told) == {
        "bench": "Test bench",
        "off_verified": True,
        "left_alone": [3],
        "load_off_verified": None,
    }
    assert "is OFF, verified by asking" in said


def test_json_says_unknown_too_and_the_large_words_stay(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with served_bench(tmp_path, missing=("supply",)) as bench:
        assert main(["off", "--bench", str(bench.file), "--json"]) == 3
    told, said = capsys.readouterr()
    assert json.loads(told)["off_verified"] is False
    assert "OUTPUT STATE UNKNOWN" in said


def test_the_meter_is_not_needed(tmp_path: Path) -> None:
    with served_bench(tmp_path, missing=("meter",)) as bench:
        switch_on(bench)
        assert off(bench) == 0
        assert bench.outputs_on()[0] == "0"


def test_a_supply_that_nobody_reaches_is_unknown_in_large_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path, missing=("supply",)) as bench:
        assert off(bench) == 3
    said = capsys.readouterr().err
    assert "OUTPUT STATE UNKNOWN\nswitch the supply off at its own switch, now" in said
    assert "nothing listens there" in said


def test_a_supply_that_hangs_up_is_tried_again(tmp_path: Path) -> None:
    with served_bench(tmp_path, manners={"supply": Manners(drop_after=1)}) as bench:
        assert off(bench) == 0


def test_a_supply_whose_last_client_is_only_just_leaving_is_tried_again(tmp_path: Path) -> None:
    with served_bench(tmp_path, manners={"supply": Manners(drop_after=0)}) as bench:
        assert off(bench) == 0


def test_a_supply_that_answers_as_another_is_not_touched(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with served_bench(tmp_path, supply="outputs: {VIN: 1}, expect: {model: SUPPLY-9}") as bench:
        switch_on(bench)
        assert off(bench) == 3
        assert bench.outputs_on() == ["1", "1", "1"]
    said = capsys.readouterr().err
    assert "OUTPUT STATE UNKNOWN" in said
    assert "expects model 'SUPPLY-9', but 'SUPPLY-3' answers" in said


class Holding:
    """An attempt that holds the bench: it answers `off` as it is told to."""

    def __init__(self, bench: Served, outcome: Outcome | None) -> None:
        self.control = ControlServer(self._asked)
        self._outcome = outcome
        self.asked = threading.Event()
        self.lock = hold((resource(bench),), About("bringup run", "MBL-0001", self.control.address))

    def _asked(self) -> None:
        self.asked.set()
        if self._outcome is not None:
            self.control.report(self._outcome)


def test_the_holder_of_the_bench_is_asked_and_its_word_is_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path) as bench:
        switch_on(bench)
        holding = Holding(bench, Outcome.OFF)
        with holding.control, holding.lock:
            assert off(bench) == 0
        assert holding.asked.is_set()
        assert bench.outputs_on() == ["1", "1", "1"], "the holder has the wire, not we"
    shown = capsys.readouterr().out
    assert "Asking `bringup run` on MBL-0001" in shown
    assert "is OFF, verified by bringup run" in shown


def test_a_holder_that_cannot_verify_it_is_passed_over(tmp_path: Path) -> None:
    with served_bench(tmp_path) as bench:
        switch_on(bench)
        holding = Holding(bench, Outcome.UNKNOWN)
        with holding.control, holding.lock:
            assert off(bench) == 0
        assert bench.outputs_on()[0] == "0"


def test_a_holder_that_does_not_listen_is_passed_over(tmp_path: Path) -> None:
    with served_bench(tmp_path) as bench:
        switch_on(bench)
        with hold((resource(bench),), About("somebody's script")):
            assert off(bench) == 0
        assert bench.outputs_on()[0] == "0"


def test_by_hand_the_person_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["off", "--bench", str(BENCHES / "handheld.yaml")]) == 3
    said = capsys.readouterr().err
    assert "OUTPUT STATE UNKNOWN" in said
    assert "nobody but you can switch it off" in said


def test_a_simulated_bench_that_nobody_uses_has_nothing_to_switch_off(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["off", "--bench", str(BENCHES / "simulated.yaml")]) == 0
    assert "nobody is using it" in capsys.readouterr().out


def test_a_wrong_bench_file_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["off", "--bench", str(tmp_path / "none.yaml")]) == 2
    assert "none.yaml" in capsys.readouterr().err
