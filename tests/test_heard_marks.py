"""Marks of a log that the board's own words set: at the moment they came, bounded, missed where they never came."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.loading import load
from bringup.commands.main import main
from bringup.core.beside_log import HeardMark
from bringup.core.finding import Finding
from bringup.core.marks import TOLD
from bringup.core.preview import look_ahead
from bringup.core.preview_text import text_of
from bringup.core.procedure import Log, Step
from bringup.core.quantity import parse_quantity
from bringup.core.safety import examine
from bringup.core.words import AttemptResult
from bringup.errors import ExitCode
from bringup.files.log_checks import channel_of
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.traces import Mark, marks
from bringup.simulation.memory_line import MemoryLine
from tests.fakes import ROOT, SEEN, SimulatedBench, picked, simulated_bench, the_bench, with_steps
from tests.logbook_samples import MEASURE, NOON, start

SERIAL = ROOT / "fixtures/benches/simulated-serial.yaml"
APPLY = picked("apply").steps[0]
TRANSMITS = HeardMark("console", "radio transmits", "radio: tx [0-9]+ dBm")
QUIET = HeardMark("console", "radio quiet", "radio: off$")


def log(*heard: HeardMark) -> Step:
    action = Log((channel_of("3V3"),), parse_quantity("4 s"), parse_quantity("200 ms"), heard=heard)
    return Step(1, action, end_on_fail=False)


def listening(*heard: HeardMark) -> tuple[SimulatedBench, MemoryLine]:
    bench = simulated_bench(with_steps(APPLY, log(*heard)), history=SEEN)
    line = bench.lines["console"] = MemoryLine(bench.clock)
    return bench, line


def told(bench: SimulatedBench) -> list[tuple[str, str]]:
    return [(text, (data or {}).get("at", "")) for kind, text, data in bench.record.events if kind == "mark"]


def test_a_droop_is_tied_to_what_the_board_said_it_was_doing() -> None:
    bench, line = listening(TRANSMITS, QUIET)
    # The board draws more once it says so, in pieces, and less again when it says that it is quiet.
    line.push_at(4.0, b"radio: t")
    line.push_at(4.05, b"x 14 dBm\r\n")
    bench.clock.at(4.06, lambda: bench.world.state("programmed"))
    line.push_at(5.0, b"radio: off\r\n")
    bench.clock.at(5.0, lambda: bench.world.state("blank"))

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert told(bench) == [
        ("mark: radio transmits (console says so)", "4.050000"),
        ("mark: radio quiet (console says so)", "5.000000"),
    ]
    (lowest,) = [each for each in outcome.readings if each.aspect == "minimum"]
    assert 4.05 < lowest.monotonic < 5.1
    assert lowest.note.endswith(" ms behind the mark 'radio transmits'")


def test_each_line_sets_it_again_and_what_came_before_the_log_sets_nothing() -> None:
    bench, line = listening(TRANSMITS)
    line.push_at(0.1, b"radio: tx 1 dBm\r\n")
    line.push_at(4.0, b"radio: tx 1 dBm, radio: tx 2 dBm\r\nradio: tx 3 dBm\rradio: tx")
    line.push_at(4.5, b" 4 dBm\n")

    bench.run()

    assert [at for _, at in told(bench)] == ["4.000000", "4.000000", "4.500000"]


def test_a_mark_that_never_came_leaves_the_attempt_incomplete() -> None:
    bench, line = listening(TRANSMITS, QUIET)
    line.push_at(4.0, b"radio: off\r\nradio: tx none\r\n")

    outcome = bench.run()

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "no mark 'radio transmits' in this log: console never said so" in outcome.cause


def test_a_line_that_is_gone_is_named_as_the_reason() -> None:
    bench, line = listening(TRANSMITS)
    bench.clock.at(3.0, lambda: setattr(line, "gone", "unplugged"))

    assert "no mark 'radio transmits' in this log: console is gone (unplugged)" in bench.run().cause


def test_a_board_that_says_it_without_end_fills_no_logbook() -> None:
    bench, line = listening(TRANSMITS)
    line.push_at(4.0, b"radio: tx 1 dBm\r\n" * (TOLD + 100))

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    assert len(told(bench)) == TOLD
    (said,) = [text for kind, text, _ in bench.record.events if kind == "mark-many"]
    assert said == f"console: the first {TOLD} marks are kept; heard in all: radio transmits {TOLD + 100}"


def test_the_shipped_console_procedure_marks_what_the_simulated_board_says() -> None:
    bench = simulated_bench(ROOT / "procedures/console.yaml", bench_path=SERIAL, history=SEEN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert [text for text, _ in told(bench)] == ["mark: frame sent (console says so)"] * 2


def refused(procedure: Path, bench: Path) -> list[Finding]:
    loaded, benched = load(procedure, bench)
    return [each for each in examine(loaded, benched) if each.refused]


def test_a_file_says_it_and_a_bench_without_the_line_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.yaml"
    path.write_text(
        f"""procedure: Look
board: {ROOT / "fixtures/boards/mooring-buoy-logger.yaml"}
steps:
  - apply: {{input: VIN, short_check: 1 V, then: [18 V, 24 V], current_limit: 400 mA}}
  - log: {{what: 3V3, for: 10 s, marks_heard: {{console: {{radio transmits: 'radio: tx', quiet: 'off'}}}}}}
""",
        encoding="utf-8",
    )

    procedure, bench = load(path, SERIAL)

    action = procedure.steps[1].action
    assert isinstance(action, Log)
    assert action.heard == (HeardMark("console", "radio transmits", "radio: tx"), HeardMark("console", "quiet", "off"))
    assert "mark radio transmits: whenever console says /radio: tx/" in text_of(look_ahead(procedure, bench))
    assert not refused(path, SERIAL)
    (found,) = refused(path, ROOT / "fixtures/benches/simulated.yaml")
    assert found.message == "the bench has no serial line called 'console'; it has none"


@pytest.mark.parametrize("pattern", ["(?=x)", "("])
def test_an_expression_that_could_brood_is_refused(
    pattern: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "log.yaml"
    text = (ROOT / "procedures/console.yaml").read_text(encoding="utf-8")
    text = text.replace("../fixtures", str(ROOT / "fixtures")).replace("radio: [0-9]+ frames? sent", pattern)
    path.write_text(text, encoding="utf-8")

    assert main(["check", str(path)]) == ExitCode.REFUSED
    at = next(place for place, line in enumerate(text.splitlines(), 1) if "marks_heard" in line)
    column = text.splitlines()[at - 1].index(f"'{pattern}'") + 1
    assert f"log.yaml:{at}:{column}" in capsys.readouterr().out


def test_marks_have_the_moment_of_the_text_in_what_is_drawn(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        attempt = record.begin(start())
        record.event("mark", "mark: key 1", at=NOON, monotonic=104.0, step=MEASURE, data={"mark": "key 1"})
        data = {"mark": "radio transmits", "line": "console", "at": "103.500000"}
        record.event(
            "mark", "mark: radio transmits (console says so)", at=NOON, monotonic=105.0, step=MEASURE, data=data
        )

    found = read(path, lambda connection: marks(connection, attempt))

    assert found == [Mark(MEASURE + 1, 3.5, "radio transmits"), Mark(MEASURE + 1, 4.0, "key 1")]


def test_it_is_not_rehearsed_where_nobody_says_what_the_board_says() -> None:
    from bringup.commands.rehearsing import _heard

    kept = _heard(log(TRANSMITS), the_bench(SERIAL)).action
    left = _heard(log(TRANSMITS), the_bench(ROOT / "fixtures/benches/simulated.yaml")).action
    assert isinstance(kept, Log)
    assert isinstance(left, Log)
    assert (kept.heard, left) == ((TRANSMITS,), replace(kept, heard=()))
