"""One instrument reached under two names is one instrument: whoever comes second is told who has it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from bringup.commands.instruments import open_bench
from bringup.commands.main import main
from bringup.commands.reaching import instrument_locks
from bringup.core.bench import SIMULATED_MAKER, Bench, Identity
from bringup.errors import BenchError, BringupError, LogbookError
from bringup.files.bench_file import load_bench
from bringup.host.lock import About, hold
from tests.scripted_server import ScriptedServer, answering

IDENTITY = b"WEST DOCK,PSU-3,20417,1.0\n"
ME = Identity("WEST DOCK", "PSU-3", "20417", "1.0")
TOLD = {"SYST:ERR?": b'+0,"No error"\n'}


@pytest.fixture(autouse=True)
def _own_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))


@pytest.fixture
def two_names() -> Iterator[tuple[ScriptedServer, ScriptedServer]]:
    """Two ports that lead to one instrument, by what it says of itself."""
    script = answering(TOLD, identity=IDENTITY)
    with ScriptedServer(script) as first, ScriptedServer(script) as second:
        yield first, second


def bench_of(server: ScriptedServer, folder: Path, dialect: str = "single-output") -> Bench:
    path = folder / f"{server.port}.yaml"
    path.write_text(
        f"bench: Corner bench\nsupply: {{resource: '{server.resource}', dialect: {dialect}}}\nmeter: by hand\n"
    )
    return load_bench(path)


def test_a_second_attempt_under_another_name_is_refused_and_hears_who_has_it(
    two_names: tuple[ScriptedServer, ScriptedServer], tmp_path: Path
) -> None:
    first, second = (bench_of(each, tmp_path) for each in two_names)
    with (
        open_bench(first, "MBL-0001", wake=lambda: None, ask_off=lambda: None),
        pytest.raises(BenchError) as refused,
        open_bench(second, "MBL-0002", wake=lambda: None, ask_off=lambda: None),
    ):
        pass
    said = refused.value.message
    assert said.startswith("the instrument that answers as WEST DOCK, PSU-3, 20417, reached under another name, is in")
    assert "`bringup run` on MBL-0001 (process " in said
    assert two_names[1].gone.wait(60.0)
    assert two_names[1].lines == ["*IDN?"]

    with open_bench(second, "MBL-0002", wake=lambda: None, ask_off=lambda: None) as opened:
        assert opened.links["supply"].identity is not None


def no_logbook() -> None:
    raise LogbookError("it is not a SQLite file")


def test_what_goes_wrong_meanwhile_takes_no_remote_control_from_who_has_it(
    two_names: tuple[ScriptedServer, ScriptedServer], tmp_path: Path
) -> None:
    bench = bench_of(two_names[0], tmp_path, "lock-first")
    with hold(instrument_locks(ME), About("bringup run", "MBL-0001")), pytest.raises(BringupError):
        open_bench(bench, "MBL-0002", wake=lambda: None, ask_off=lambda: None, meanwhile=no_logbook).__enter__()

    assert two_names[0].gone.wait(60.0)
    assert "SYST:LOCK OFF" not in two_names[0].lines


def test_what_goes_wrong_meanwhile_gives_remote_control_back_where_nobody_else_has_it(
    two_names: tuple[ScriptedServer, ScriptedServer], tmp_path: Path
) -> None:
    bench = bench_of(two_names[0], tmp_path, "lock-first")
    with pytest.raises(LogbookError):
        open_bench(bench, "MBL-0002", wake=lambda: None, ask_off=lambda: None, meanwhile=no_logbook).__enter__()

    assert two_names[0].gone.wait(60.0)
    assert two_names[0].lines == ["*IDN?", "SYST:LOCK ON", "SYST:LOCK OFF"]


def test_an_instrument_that_does_not_answer_takes_no_remote_control_of_another_from_who_has_it(
    two_names: tuple[ScriptedServer, ScriptedServer], tmp_path: Path
) -> None:
    with ScriptedServer(answering({})) as gone:
        pass
    path = tmp_path / "two.yaml"
    path.write_text(
        f"bench: Corner bench\nsupply: {{resource: '{two_names[0].resource}', dialect: lock-first}}\n"
        f"meter: {{resource: '{gone.resource}', dialect: configure-and-read}}\n"
    )
    with hold(instrument_locks(ME), About("bringup run", "MBL-0001")), pytest.raises(BenchError):
        open_bench(load_bench(path), "MBL-0002", wake=lambda: None, ask_off=lambda: None).__enter__()

    assert two_names[0].gone.wait(60.0)
    assert "SYST:LOCK OFF" not in two_names[0].lines


def test_what_is_wrong_with_the_logbook_is_told_though_an_instrument_does_not_answer(tmp_path: Path) -> None:
    with ScriptedServer(answering({}, identity=IDENTITY)) as server:
        bench = bench_of(server, tmp_path)
    with pytest.raises(LogbookError, match="SQLite"):
        open_bench(bench, "MBL-0002", wake=lambda: None, ask_off=lambda: None, meanwhile=no_logbook).__enter__()


def test_looking_at_a_bench_under_another_name_is_refused_too(
    two_names: tuple[ScriptedServer, ScriptedServer], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = bench_of(two_names[0], tmp_path)
    with hold(instrument_locks(ME), About("bringup run", "MBL-0001")):
        assert main(["bench", "--bench", bench.path]) == 2

    assert "reached under another name, is in use: `bringup run` on MBL-0001" in capsys.readouterr().err
    assert two_names[0].lines == ["*IDN?"]


@pytest.mark.parametrize("number", ["", "0", "00000000", "0-0", "N/A", "none"])
def test_what_has_no_serial_number_of_its_own_is_locked_by_its_name_alone(number: str) -> None:
    assert instrument_locks(Identity("WEST DOCK", "PSU-3", number)) == ()


def test_simulated_instruments_are_all_alike_and_locked_by_their_name_alone() -> None:
    assert instrument_locks(Identity(SIMULATED_MAKER, "SUPPLY-3", "SIM-S-0003"), None) == ()


def test_supply_and_meter_in_one_case_are_one_lock_of_one_holder() -> None:
    with (
        hold(instrument_locks(ME, ME), About("bringup run")),
        pytest.raises(BenchError),
        hold(instrument_locks(ME), About("bringup run")),
    ):
        pass
