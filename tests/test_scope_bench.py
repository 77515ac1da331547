"""A scope in a bench file: what `bench` and `preview` show, what attempts leave alone, what a simulated one shows."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TypeVar

import pytest

from bringup.commands.main import main
from bringup.commands.reaching import lock_names, roles_of
from bringup.core.preview_text import _bench as bench_in_words
from bringup.files.bench_file import load_bench
from bringup.files.board_file import load_board
from bringup.files.dialect_file import find_dialect
from bringup.runner.pending import Pending
from bringup.runner.scpi_scope import ScpiScope
from bringup.simulation.bench import build
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.memory_link import MemoryLink
from tests.scripted_server import ScriptedServer, answering
from tests.served_bench import BENCHES

T = TypeVar("T")
SHIPPED = BENCHES / "simulated-scope.yaml"
OWN = """
dialect: own-scope
role: scope
identity_pattern: 'SIMULATED,TEST'
operations:
  identify: {query: '*IDN?', reply: identity}
  set_scale: {send: 'TALL {channel} {value}'}
  set_time_base: {send: 'LONG {value}'}
  acquire: {send: 'ONCE'}
  acquired: {query: 'DONE?', reply: boolean}
  peak_to_peak: {query: 'SPAN? {channel}', reply: number}
"""


@pytest.fixture(autouse=True)
def _own_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))


def test_bench_tells_who_answers_which_dialect_is_for_it_and_what_the_one_in_use_lacks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "own-scope.yaml").write_text(OWN, encoding="utf-8")
    file = tmp_path / "bench.yaml"
    with ScriptedServer(answering({})) as server:
        role = f"{{resource: '{server.resource}', dialect: own-scope, channel: 3, probe: 1}}"
        file.write_text(f"bench: Corner bench\nsupply: by hand\nscope: {role}\n", encoding="utf-8")
        assert main(["bench", "--bench", str(file), "--json"]) == 0
        told = [line for line in server.lines if "?" not in line]
    found = {each["role"]: each for each in json.loads(capsys.readouterr().out)["instruments"]}["scope"]

    assert told == []
    assert (found["answers"], found["channel"], found["attenuation"]) == (True, 3, 1.0)
    assert found["dialects_that_fit"] == ["own-scope"]
    assert "a limit to 20 MHz" in found["no_word_for"]


def test_an_attempt_neither_locks_nor_opens_a_scope() -> None:
    bench = load_bench(SHIPPED)

    assert "scope" in roles_of(bench)
    assert "scope" not in roles_of(bench.for_steps())
    assert len(lock_names(bench.for_steps())) == len(lock_names(bench)) - 1


def test_preview_names_it() -> None:
    assert bench_in_words(load_bench(SHIPPED)).startswith("Simulated bench, scope (supply, meter, scope, ")


@pytest.mark.parametrize(
    ("faults", "least", "most"), [("", 0.0, 0.02), (", faults: [{rail: 12V0, capacitor: missing}]", 1.1, 1.4)]
)
def test_the_scope_shows_the_ripple_of_the_simulated_board(
    tmp_path: Path, faults: str, least: float, most: float
) -> None:
    board = (BENCHES.parent / "boards" / "mooring-buoy-logger.yaml").resolve()
    file = tmp_path / "bench.yaml"
    file.write_text(
        f"bench: Simulated\nsimulate: {{board: '{board}'{faults}}}\nscope: {{channel: 2}}\n",
        encoding="utf-8",
    )
    bench, clock = load_bench(file), SimulatedClock()
    made = build(bench, load_board(board), "")
    assert made.scope is not None
    assert bench.scope is not None
    made.world.set_current_limit(1, 0.4, 0.0)
    made.world.set_voltage(1, 24.0, 0.0)
    made.world.switch(1, True, 0.0)
    made.world.probe("12V0", 0.0)
    clock.wait(1.0)
    dialect = find_dialect(bench.scope.dialect, file)
    scope = ScpiScope(bench.scope, dialect, MemoryLink("scope", made.scope, clock, dialect=dialect))

    assert _done(scope.set_up(0.2, 1e-3), clock).why == ""
    value = _done(scope.peak_to_peak(), clock).value

    assert value.number is not None
    assert least <= value.number <= most
    # 3 % of 12 V, RMS, of a triangle
    assert not faults or value.number == pytest.approx(0.36 * 2 * math.sqrt(3), rel=0.02)


def _done(pending: Pending[T], clock: SimulatedClock) -> T:
    for _ in range(1000):
        if pending.done:
            return pending.value()
        clock.wait(min(pending.deadline, clock.monotonic() + 1.0))
    raise AssertionError("nothing came")
