"""A loop over a lot: serial numbers that count up or are scanned, units read twice, off in between, the yield."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from pathlib import Path

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.commands.main import main
from bringup.core.serials import next_serial, read_scan
from bringup.core.words import AttemptResult
from bringup.core.yields import FirstYield, wilson, yield_of
from bringup.errors import BenchError, CommandError, Stopped
from bringup.runner.setup import AttemptOutcome
from tests.rig import BOARD, HEAD

PATTERN = "MBL-[0-9]{4}"
PASSED, FAILED = AttemptResult.PASSED, AttemptResult.FAILED
CALLED_OFF, INCOMPLETE = AttemptResult.CALLED_OFF, AttemptResult.INCOMPLETE

# --- the yield


@pytest.mark.parametrize(
    ("passed", "judged", "low", "high", "within"),
    [
        # R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, Table I, Wilson without continuity correction
        # (second-hand), to the four digits that it prints ...
        (81, 263, 0.2553, 0.3662, 5e-5),
        (0, 20, 0.0000, 0.1611, 5e-5),
        # ... and the same, and its mirror image, as an independent library computed it.
        (81, 263, 0.2552885199, 0.3662095770, 1e-9),
        (0, 20, 0.0, 0.1611251581, 1e-9),
        (20, 20, 0.8388748419, 1.0, 1e-9),
    ],
)
def test_the_interval_is_the_published_one(passed: int, judged: int, low: float, high: float, within: float) -> None:
    found = wilson(passed, judged)

    assert found[0] == pytest.approx(low, abs=within)
    assert found[1] == pytest.approx(high, abs=within)


@given(st.integers(1, 500).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_the_interval_holds_the_share_and_lies_between_none_and_all(counts: tuple[int, int]) -> None:
    passed, judged = counts
    low, high = wilson(passed, judged)

    assert 0 <= low <= passed / judged <= high <= 1
    mirrored = wilson(judged - passed, judged)
    assert 1 - high == pytest.approx(mirrored[0], abs=1e-12)
    assert 1 - low == pytest.approx(mirrored[1], abs=1e-12)


@pytest.mark.parametrize(("passed", "judged"), [(1, 0), (0, 0), (-1, 3), (4, 3)])
def test_what_is_no_share_is_refused(passed: int, judged: int) -> None:
    with pytest.raises(ValueError, match="is no share"):
        wilson(passed, judged)


def test_only_the_first_attempt_that_was_decided_counts() -> None:
    found = yield_of(
        [
            ("1", CALLED_OFF), ("1", PASSED),
            ("2", FAILED), ("2", PASSED),
            ("3", INCOMPLETE), ("3", None),
            ("4", PASSED), ("4", FAILED),
        ]
    )  # fmt: skip

    assert found == FirstYield(passed_first=2, judged=3, passed_last=2, undecided=1)
    told = " ".join(found.lines())
    assert "first-attempt yield 2 of 3 (67 %)" in told
    assert "not decided, and not counted: 1 unit" in told
    assert "no unit was decided yet" in yield_of([("1", CALLED_OFF)]).lines()[0]


# --- serial numbers


@pytest.mark.parametrize(
    ("earlier", "pattern", "expected"),
    [
        ([], PATTERN, ""),
        (["MBL-0001"], PATTERN, "MBL-0002"),
        (["MBL-0009", "MBL-0003"], PATTERN, "MBL-0010"),
        (["LMP-001-R2"], "LMP-[0-9]{3}-R2", "LMP-002-R2"),
        (["A-0007", "B-0001"], "[AB]-[0-9]{4}", "B-0002"),
        (["9"], "", "10"),
        (["lamp"], "", ""),
        (["V2.9"], "V2.[0-9]", None),
        (["MBL-9999"], PATTERN, None),
    ],
)
def test_the_next_number_is_one_above_the_highest_of_its_kind(
    earlier: list[str], pattern: str, expected: str | None
) -> None:
    if expected is not None:
        assert next_serial(earlier, pattern) == expected
        return
    with pytest.raises(CommandError, match="no further serial number matches"):
        next_serial(earlier, pattern)


@given(st.lists(st.integers(0, 9998), min_size=1, max_size=8))
def test_the_next_number_matches_and_was_never_used(numbers: list[int]) -> None:
    earlier = [f"MBL-{number:04}" for number in numbers]
    found = next_serial(earlier, PATTERN)

    assert re.fullmatch(PATTERN, found)
    assert found not in earlier
    assert int(found[4:]) == max(numbers) + 1


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("MBL-0003MBL-0003\r\n", "it is MBL-0003 twice"),
        ("MBL-003", "does not match the board's pattern"),
        ("MBL-0003 x", "does not match"),
        ("\x02MBL-0003", "control characters"),
    ],
)
def test_a_line_that_is_no_serial_number_is_refused(line: str, told: str) -> None:
    with pytest.raises(CommandError, match=re.escape(told)):
        read_scan(line, PATTERN)
    assert read_scan(" MBL-0003\r\n", PATTERN) == "MBL-0003"


# --- the loop


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A procedure that powers nothing, so that an attempt takes no time, and a simulated bench."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    Path("board.yaml").write_text(BOARD, encoding="utf-8")
    Path("p.yaml").write_text(HEAD + "  - inspect: No bridges\n", encoding="utf-8")
    bench = "bench: B\nsimulate: {board: board.yaml}\nmeter: {dialect: configure-and-read}\nprobing: fixed wiring\n"
    Path("bench.yaml").write_text(bench, encoding="utf-8")
    return tmp_path


def run(*more: str) -> int:
    return main(["run", "p.yaml", "--bench", "bench.yaml", "--lot", "L7", "--next", *more])


def lines(monkeypatch: pytest.MonkeyPatch, *said: str) -> None:
    """Let these lines come, as from a pipe."""
    left = list(said)
    monkeypatch.setattr("sys.stdin.readline", lambda: left.pop(0) + "\n" if left else "", raising=False)


def person(monkeypatch: pytest.MonkeyPatch, *said: str | BaseException) -> list[str]:
    """Put a person there who gives these answers in turn; what was asked is returned."""
    left, asked = list(said), list[str]()

    def typed(question: str) -> str:
        asked.append(question)
        answer = left.pop(0)
        if isinstance(answer, BaseException):
            raise answer
        return answer

    monkeypatch.setattr("bringup.commands.lot.at_a_terminal", lambda: True)
    monkeypatch.setattr("bringup.commands.bench_find.typed", typed)
    return asked


Becomes = Callable[..., list[str]]


@pytest.fixture
def becomes(monkeypatch: pytest.MonkeyPatch) -> Becomes:
    """Have attempts end as listed instead of being run; the serial numbers that were attempted are returned."""
    attempted: list[str] = []

    def plan(*ends: AttemptOutcome | Exception) -> list[str]:
        left = list(ends)

        def run_one(wanted: object) -> tuple[AttemptOutcome, None]:
            attempted.append(wanted.serial)  # type: ignore[attr-defined]
            end = left.pop(0)
            if isinstance(end, Exception):
                raise end
            return end, None

        monkeypatch.setattr("bringup.commands.run.run_one", run_one)
        monkeypatch.setattr("bringup.commands.lot._tell_yield", lambda _lot, _wanted: None)  # there is no logbook
        return attempted

    return plan


def ended(result: AttemptResult, *, off: bool | None = True, interrupted: bool = False) -> AttemptOutcome:
    return AttemptOutcome("0" * 32, result, "", (), off, interrupted=interrupted)


def test_units_follow_one_another_until_the_lines_end(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lines(monkeypatch, "", "MBL-0004", "MBL-0004", "MBL-4")

    code = run("--serial", "MBL-0001")

    told = capsys.readouterr()
    assert code == 2, "a line that was refused is the worst that happened"
    assert "Lot L7, 2 attempted now: MBL-0001 passed, MBL-0004 passed" in told.out
    assert "first-attempt yield 2 of 2 (100 %)" in told.out
    assert "MBL-0004 was attempted in this sitting already (passed), and nobody is here" in told.err
    assert told.err.count("Between units: nothing was switched on; instruments released") == 2

    lines(monkeypatch, "")
    assert run("--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert [each["serial"] for each in found["attempts"]] == ["MBL-0005"]
    assert found["yield"]["judged"] == 3
    del folder


def test_the_person_is_asked_about_a_unit_that_comes_twice(
    folder: Path, monkeypatch: pytest.MonkeyPatch, becomes: Becomes
) -> None:
    del folder
    attempted = becomes(ended(PASSED), ended(FAILED))
    asked = person(monkeypatch, "MBL-0001", "MBL-0001", "", "MBL-0001", "y", "q")

    assert run() == 1
    assert attempted == ["MBL-0001", "MBL-0001"]
    assert asked[1].endswith("scan or type its serial number (Enter: MBL-0002; q: end)")
    assert asked[2] == "MBL-0001 was attempted in this sitting already (passed). Attempt it again? (y; Enter: no)"


@pytest.mark.parametrize(
    ("said", "ends", "code", "tried"),
    [
        (["", ""], [ended(PASSED), ended(CALLED_OFF, interrupted=True)], 3, 2),
        (["", ""], [ended(PASSED), ended(AttemptResult.BROKEN_OFF, off=False)], 3, 2),
        (["", KeyboardInterrupt()], [ended(FAILED)], 1, 1),
        (["", click.Abort()], [ended(PASSED)], 0, 1),
        (["q"], [], 3, 0),
        (["", "", "q"], [ended(CALLED_OFF), ended(PASSED)], 3, 2),
        (["", "", "q"], [BenchError("no such instrument"), ended(PASSED)], 2, 2),
        ([""], [Stopped("called off")], 3, 1),
    ],
    ids=[
        "interrupted in an attempt",
        "off not verified",
        "Ctrl-C between units",
        "end of input between units",
        "ended at once",
        "one called off, the next goes on",
        "a bench to be mended",
        "called off before it began",
    ],
)
def test_the_loop_ends_properly_and_says_the_worst(
    said: Sequence[str | BaseException],
    ends: Sequence[AttemptOutcome | Exception],
    code: int,
    tried: int,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    becomes: Becomes,
    capsys: pytest.CaptureFixture[str],
) -> None:
    del folder
    attempted = becomes(*ends)
    person(monkeypatch, *said)

    assert run("--serial", "MBL-0001") == code
    assert len(attempted) == tried
    unknown = any(isinstance(end, AttemptOutcome) and end.off_verified is False for end in ends)
    assert ("NOT known that everything is off: use the switch" in capsys.readouterr().err) is unknown


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--next"], "no lot is named"),
        (["--next", "--lot", "L", "--continue", "--serial", "MBL-0001"], "--next and --continue do not go together"),
        (["--lot", "L"], "no serial number is given"),
    ],
)
def test_what_does_not_go_with_a_loop_is_refused(
    arguments: list[str], told: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    del folder
    assert main(["run", "p.yaml", "--bench", "bench.yaml", *arguments]) == 2
    assert told in capsys.readouterr().err


def test_a_unit_stays_in_its_lot_when_it_is_run_again_without_one(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def lot_after(*more: str) -> str:
        assert main(["run", "p.yaml", "--bench", "bench.yaml", *more]) == 0
        capsys.readouterr()
        assert main(["standing", "--json"]) == 0
        units = {each["serial"]: each["lot"] for each in json.loads(capsys.readouterr().out)}
        return str(units[more[1]])

    assert lot_after("--serial", "MBL-0001", "--lot", "L1") == "L1"
    assert lot_after("--serial", "MBL-0001") == "L1"
    assert lot_after("--serial", "MBL-0002") == ""
    assert lot_after("--serial", "MBL-0001", "--lot", "L2") == "L2"
    assert lot_after("--serial", "MBL-0001") == "L2"
    del folder
