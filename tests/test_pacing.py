"""How often a `log` reads that states no `every`."""

from __future__ import annotations

from pathlib import Path

import pytest

from bringup.commands.loading import load
from bringup.commands.main import main
from bringup.core.procedure import Log
from bringup.core.safety import examine
from bringup.runner.headings import heading
from tests.fakes import BENCH, ROOT

BOARD = ROOT / "fixtures/boards/mooring-buoy-logger.yaml"
HANDHELD = ROOT / "fixtures/benches/handheld.yaml"


def logging(folder: Path, log: str) -> Path:
    path = folder / "log.yaml"
    steps = "  - apply: {input: VIN, short_check: 1 V, then: [18 V, 24 V], current_limit: 400 mA}\n"
    path.write_text(f"procedure: Look\nboard: {BOARD}\nsteps:\n{steps}  - log: {log}\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("bench", "log", "every"),
    [
        (HANDHELD, "{what: VIN current, for: 30 s}", 5.0),
        (HANDHELD, "{what: 3V3, for: 1 s}", 5.0),
        (HANDHELD, "{what: 3V3, for: 30 s, every: 3 s}", 3.0),
        (HANDHELD, "{what: 3V3, for: 30 s, every: 200 ms}", 0.2),
        (BENCH, "{what: VIN current, for: 30 s}", 0.2),
    ],
)
def test_a_person_is_given_several_seconds_where_the_procedure_states_none(
    tmp_path: Path, bench: Path, log: str, every: float
) -> None:
    procedure, on = load(logging(tmp_path, log), bench)

    step = procedure.steps[1]
    assert isinstance(step.action, Log)
    assert step.action.every.number == every
    refused = [each.message for each in examine(procedure, on) if each.refused and "a reading every" in each.message]
    assert bool(refused) == (every < 2.0 and bench == HANDHELD)
    assert ("every 5 s by hand" in heading(step)) == (every == 5.0)


def test_check_and_preview_say_and_accept_what_is_filled_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = logging(tmp_path, "{what: VIN current, for: 30 s}")

    main(["check", str(path), "--bench", str(HANDHELD)])
    assert "a reading every" not in capsys.readouterr().out
    main(["preview", str(path), "--bench", str(HANDHELD)])
    assert "log for 30 s, every 5 s (by hand: `every` is left out)" in capsys.readouterr().out
