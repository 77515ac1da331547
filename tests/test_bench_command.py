"""`bringup bench`: who answers, how it is set, what waits, calibration; and that it changes nothing."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.bench import _set_to
from bringup.commands.bench_text import InstrumentFound, instrument_lines
from bringup.commands.main import main
from bringup.commands.reaching import dialect_of, lock_names
from bringup.commands.simulated_child import simulated_bench
from bringup.core.bench import Bench
from bringup.core.calibration import calibration
from bringup.core.dialect import Dialect, Message
from bringup.core.replies import ReplyKind
from bringup.errors import BenchError
from bringup.files.bench_file import load_bench
from bringup.files.dialect_file import find_dialect
from bringup.host.lock import About, hold
from bringup.runner.meter_requests import found_at
from bringup.simulation.manners import Manners
from tests.link_helpers import linked
from tests.scripted_server import ScriptedServer, answering
from tests.served_bench import BENCHES, served_bench


@pytest.fixture(autouse=True)
def _own_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))


def as_json(file: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    code = main(["bench", "--bench", str(file), "--json"])
    return code, {each["role"]: each for each in json.loads(capsys.readouterr().out)["instruments"]}


def test_it_shows_who_answers_how_outputs_are_set_and_what_waits_and_changes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path, supply="outputs: {VIN: 1}, leave_alone: [3]") as bench:
        bench.tell("supply", "INST:NSEL 3", "VOLT 5;CURR 0.5", "OUTP ON", "NONSENSE 1", "OUTP?")
        assert main(["bench", "--bench", str(bench.file)]) == 0
        shown = capsys.readouterr().out
        assert bench.outputs_on() == ["0", "0", "1"]
        assert [float(text) for text in bench.tell("supply", "INST:NSEL 3", "VOLT?", "CURR?")] == [5.0, 0.5]
    assert "BRINGUP SIMULATED, model SUPPLY-3, serial number SIM-S-0003" in shown
    assert "output 1 (VIN): off, set to 0 V" in shown
    assert "output 3: ON, set to 5 V, current limit 500 mA" in shown
    assert re.search(r"output 3: .*, gives (5|5\.00\d|4\.99\d) V at 0 A, to be left alone", shown)
    assert "was waiting in its error queue, now cleared: -113" in shown
    assert "answers within" in shown
    assert "METER-1" in shown


def test_a_load_is_shown_with_its_channels_and_nothing_is_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    load = "dialect: function-by-channel-list, channels: {3V3: 2}"
    with served_bench(tmp_path, load=load) as bench:
        bench.tell(
            "load", "FUNC POW,(@2)", "POW 0.5,(@2)", "VOLT:INH:VON 2.5,(@2)", "INP ON,(@2)", "NONSENSE", "INP? (@2)"
        )
        code, found = as_json(bench.file, capsys)
        assert main(["bench", "--bench", str(bench.file)]) == 0
        assert bench.tell("load", "INP? (@2)", "POW? (@2)") == ["1", "0.5000"]
    shown = capsys.readouterr().out
    assert code == 0
    (channel,) = found["load"]["channels"]
    assert (channel["channel"], channel["point"], channel["on"], channel["mode"]) == (2, "3V3", True, "power")
    assert (channel["level"], channel["stop_voltage"], channel["volts"]) == (0.5, 2.5, 0.0)
    assert found["load"]["errors"] == ['-113,"Undefined header"']
    assert "channel 2 (3V3): ON, constant power, set to 500 mW, stop voltage 2.5 V, draws 0 A at 0 V" in shown


def test_json_has_one_entry_a_role(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with served_bench(tmp_path, meter="calibration_due: 2020-01-31") as bench:
        code, found = as_json(bench.file, capsys)
    assert code == 0
    supply, meter = found["supply"], found["meter"]
    assert supply["identity"]["maker"] == "BRINGUP SIMULATED"
    assert (supply["simulated"], supply["answers"], supply["problem"], supply["errors"]) == (True, True, None, [])
    assert 0 < supply["round_trip"] < 1
    assert [(each["output"], each["input"], each["on"]) for each in supply["outputs"]] == [(1, "VIN", False)]
    assert (meter["calibration_due"], meter["calibration"]) == ("2020-01-31", "overdue")


def test_an_overdue_calibration_is_a_warning_and_no_failure(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with served_bench(tmp_path, supply="outputs: {VIN: 1}, calibration_due: 2020-01-31") as bench:
        assert main(["bench", "--bench", str(bench.file)]) == 0
    assert "WARNING: calibration was due 2020-01-31" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("due", "state"),
    [
        (None, "not stated"),
        (date(2026, 11, 2), "overdue"),
        (date(2026, 11, 3), "due soon"),
        (date(2026, 12, 3), "due soon"),
        (date(2026, 12, 4), "valid"),
    ],
)
def test_a_calibration_is_valid_on_the_day_it_is_due(due: date | None, state: str) -> None:
    assert calibration(due, date(2026, 11, 3)) == state


def test_half_a_bench_missing_shows_the_other_half(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with served_bench(tmp_path, missing=("supply",)) as bench:
        code, found = as_json(bench.file, capsys)
    assert code == 2
    assert "nothing listens there (connection refused)" in found["supply"]["problem"]
    assert not found["supply"]["answers"]
    assert found["meter"]["answers"]


def test_another_model_than_the_bench_file_names_is_shown_as_a_problem(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path, meter="expect: {model: METER-9}") as bench:
        assert main(["bench", "--bench", str(bench.file)]) == 2
    shown = capsys.readouterr().out
    assert "NOT AS IT SHOULD BE: meter at" in shown
    assert "expects model 'METER-9', but 'METER-1' answers" in shown


def test_garbage_for_an_identity_is_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bringup.instruments.opening.IDENTIFY", Message("*IDN?", ReplyKind.IDENTITY, 0.1))
    monkeypatch.setattr("bringup.instruments.opening.POWER_UP", 0.2)
    monkeypatch.setattr("bringup.commands.bench.dialect_of", find_quick)
    monkeypatch.setattr("bringup.commands.reaching.dialect_of", find_quick)
    with served_bench(tmp_path, manners={"meter": Manners(identity=b"\x00\xff~#?!")}) as bench:
        code, found = as_json(bench.file, capsys)
    assert code == 2
    assert "does not answer *IDN?" in found["meter"]["problem"]
    assert found["meter"]["identity"] is None
    assert found["supply"]["answers"]


def find_quick(bench: Bench, role: str) -> Dialect:
    """The role's dialect, with little patience for the meter, which will not answer."""
    found = dialect_of(bench, role)
    return replace(found, timeout=0.1) if role == "meter" else found


def test_by_hand_there_is_nothing_to_ask(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "--bench", str(BENCHES / "handheld.yaml")]) == 0
    assert "supply: by hand, nothing to ask" in capsys.readouterr().out


def test_a_bench_in_use_is_not_disturbed_and_its_holder_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path) as bench:
        held = lock_names(load_bench(bench.file))
        with hold(held, About("bringup run", "MBL-0007")):
            assert main(["bench", "--bench", str(bench.file)]) == 2
    assert "`bringup run` on MBL-0007" in capsys.readouterr().err


def test_on_a_simulated_bench_the_simulation_is_started(capsys: pytest.CaptureFixture[str]) -> None:
    code, found = as_json(BENCHES / "simulated.yaml", capsys)
    assert code == 0
    assert found["supply"]["simulated"]
    assert found["meter"]["answers"]


def test_a_simulation_that_cannot_start_says_what_it_said() -> None:
    with pytest.raises(BenchError, match=r"(?s)did not start: .*nowhere.yaml"), simulated_bench(Path("nowhere.yaml")):
        pass


@pytest.mark.parametrize("holds", ["", "raise SystemExit('this is not bringup')"])
def test_a_folder_named_like_the_package_does_not_keep_the_simulation_from_starting(
    holds: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "bringup").mkdir()
    if holds:
        (tmp_path / "bringup" / "__init__.py").write_text(holds, "utf-8")
    bench = (BENCHES / "simulated.yaml").absolute()
    monkeypatch.chdir(tmp_path)
    with simulated_bench(bench) as resources:
        assert set(resources) == {"supply", "meter"}


def test_a_meter_shows_what_it_is_set_to_where_it_can_be_asked() -> None:
    meter = find_dialect("function-and-fetch", ".")
    with ScriptedServer(answering({"FUNC?": b'"VOLT:DC"\n'})) as server, linked(server.resource) as link:
        set_to = _set_to(meter, link)
        assert _set_to(find_dialect("configure-and-read", "."), link) == ""
        assert server.lines == ["*IDN?", "FUNC?"]
    assert "  is set to dc volts" in instrument_lines(InstrumentFound("meter", set_to=set_to), date(2026, 11, 3))


@pytest.mark.parametrize(
    ("said", "found"), [('"VOLT:DC"', "dc volts"), ("RES", "ohms"), ("TEAPOT", "'TEAPOT'"), (None, "")]
)
def test_what_a_meter_says_that_it_measures_is_told_in_our_words(said: str | None, found: str) -> None:
    assert found_at(find_dialect("function-and-fetch", "."), said) == found
