"""A bench that is not what its file says: found before anything is set, exit code 2, and no output is touched."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.core.dialect import Message
from bringup.core.replies import Value
from bringup.errors import BenchError
from bringup.files.dialect_file import find_dialect
from bringup.runner.roles import Function
from bringup.runner.scpi_meter import ScpiMeter
from bringup.runner.scpi_supply import ScpiSupply
from bringup.runner.supply_replies import no_such_output
from bringup.simulation.instrument import take
from tests.fake_link import FakeLink
from tests.fakes import FIRST_POWER_ON, SimulatedBench, simulated_bench
from tests.served_bench import served_bench


@pytest.fixture(autouse=True)
def _own_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))


def wired(**role: object) -> SimulatedBench:
    """Return a bench whose third output is somebody else's and on, and whose supply role is changed like this."""
    bench = simulated_bench()
    assert isinstance(bench.supply, ScpiSupply)
    bench.supply._role = replace(bench.supply._role, **role)  # type: ignore[arg-type]
    for text in (b"INST:NSEL 3", b"VOLT 5", b"OUTP ON"):
        take(bench.supply_link._instrument, text, 0.0)
    return bench


@pytest.mark.parametrize("role", [{"outputs": {"VIN": 9}}, {"outputs": {"VIN": 1}, "leave_alone": (7,)}])
def test_an_output_that_does_not_exist_is_refused_and_its_commands_reach_no_other_one(role: dict[str, object]) -> None:
    bench = wired(**role)

    with pytest.raises(BenchError, match=r"the supply may have no output [79]: output . was to be selected") as caught:
        bench.run()

    assert caught.value.exit_code == 2
    assert bench.on(3)
    assert not bench.record.started


def test_bench_says_that_an_output_does_not_exist(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with served_bench(tmp_path, supply="outputs: {VIN: 9}") as bench:
        bench.tell("supply", "INST:NSEL 3", "VOLT 5", "OUTP ON")
        assert main(["bench", "--bench", str(bench.file)]) == 2
        assert bench.outputs_on() == ["0", "0", "1"]
    shown = capsys.readouterr().out
    assert "NOT AS IT SHOULD BE: the supply may have no output 9" in shown
    assert "output 9 (VIN)" not in shown


def test_an_output_of_which_nothing_is_told_is_taken_for_none() -> None:
    dialect = find_dialect("channel-list", ".")
    silent = dict.fromkeys(("VOLT? (@9)", "CURR? (@9)", "OUTP? (@9)"), "?")
    link = FakeLink({**silent, "SYST:ERR?": ['-222,"Data out of range"', '+0,"No error"']})
    supply = ScpiSupply(wired(outputs={"VIN": 9}).supply._role, dialect, link)  # type: ignore[attr-defined]

    assert "the supply may have no output 9" in no_such_output(supply.settings(9).value(), "output 9")


def test_run_refuses_another_model_than_the_bench_file_says(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with served_bench(tmp_path, supply="outputs: {VIN: 1}, expect: {model: SUPPLY-9}") as bench:
        bench.tell("supply", "INST:NSEL 3", "VOLT 5", "OUTP ON")
        logbook = ["--logbook", str(tmp_path / "log.db")]
        code = main(["run", str(FIRST_POWER_ON), "--serial", "MBL-0001", "--bench", str(bench.file), *logbook])
        assert bench.outputs_on() == ["0", "0", "1"]
    assert code == 2
    assert "expects model 'SUPPLY-9', but 'SUPPLY-3' answers" in capsys.readouterr().err


def test_one_meter_that_plays_two_parts_is_switched_over_in_order_and_each_value_is_of_its_own_part() -> None:
    bench = simulated_bench()
    assert isinstance(bench.meter, ScpiMeter)
    sent: list[str] = []
    submit = bench.meter_link.submit

    def listening(messages: tuple[Message, ...]) -> object:
        sent.extend(message.text for message in messages)
        return submit(messages)

    bench.meter_link.submit = listening  # type: ignore[method-assign, assignment]
    taken: list[Value] = []
    pending = [bench.meter.read(each) for each in (Function.DC_VOLTS, Function.OHMS, Function.DC_VOLTS, Function.OHMS)]
    for each in pending:
        while not each.done:
            bench.clock.wait(bench.clock.monotonic() + 1.0)
        taken.append(each.value()[0])

    assert [text.split(" ")[0] for text in sent if text.startswith("CONF") or text == "READ?"] == [
        *("CONF:VOLT:DC", "READ?", "CONF:RES", "READ?") * 2
    ]
    assert [value.number is not None or value.over_range for value in taken] == [True] * 4
    assert abs(taken[0].number or 0.0) < 0.1
    assert [value.over_range for value in taken] == [False, True, False, True], "an open probe"
