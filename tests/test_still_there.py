"""A scanner that loses power in the middle of a scan: its relays open, and what the meter reads then is of no point."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from bringup.commands.main import main
from bringup.core.loop_back import procedure_of
from bringup.core.procedure import Channel, Log, Measure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.replies import Value
from bringup.core.words import AttemptResult, Kind, Result
from bringup.errors import LogbookError
from bringup.runner.attempt import run_attempt
from bringup.runner.endings import Trip
from bringup.runner.loop_back import LoopBack
from bringup.runner.scpi_scanner import ScpiScanner
from bringup.runner.still_there import blamed, proves_itself
from tests.fakes import picked, with_steps
from tests.test_scanning import ALONE, BESIDE, CARD, Scanned, both, scanned

APPLY = picked("apply").steps[0]


def relays_open_at(made: Scanned, where: str) -> None:
    """Take the scanner's power away once that point is connected: every relay opens, and nothing says so."""
    probe = made.bench.world.probe
    done: list[float] = []

    def watched(point: str | None, now: float) -> None:
        probe(point, now)
        if point == where and made.bench.on() and not done:
            done.append(now)
            made.bench.clock.at(now + 0.02, fall_open, wakes=False)

    def fall_open() -> None:
        made.relays.closed = set()
        made.relays._pointed = None
        probe(None, made.bench.clock.monotonic())

    made.bench.world.probe = watched  # type: ignore[method-assign]


@both
def test_a_point_whose_relay_fell_open_has_no_value_and_the_next_ones_are_read(path: Any) -> None:
    made = scanned(path)
    relays_open_at(made, "3V3")

    outcome = made.run()

    assert made.values()["3V3"] is Result.NO_VALUE
    assert made.values()["1V8"] is Result.PASS
    assert outcome.result is AttemptResult.INCOMPLETE
    assert "the meter was not on 3V3 any more: channel" in outcome.cause
    assert "of the scanner found open (3V3" in outcome.cause
    assert made.relays.tied == 0


def test_in_ohms_an_open_relay_is_no_sound_rail() -> None:
    made = scanned(of=picked("resistance"))
    fell: list[str] = []
    probe = made.bench.world.probe

    def watched(point: str | None, now: float) -> None:
        probe(point, now)
        if point == "3V3":
            fell.append(point)
            if len(fell) == 2:  # the first was the trial before power, or the look whether it is discharged
                made.bench.clock.at(now + 0.05, fall_open, wakes=False)

    def fall_open() -> None:
        made.relays.closed, made.relays._pointed = set(), None
        probe(None, made.bench.clock.monotonic())

    made.bench.world.probe = watched  # type: ignore[method-assign]
    outcome = made.run()

    readings = {str(one.point): one for one in made.bench.record.readings if one.kind is Kind.RESISTANCE}
    assert readings["3V3"].result is Result.NO_VALUE, readings["3V3"]
    assert outcome.result is not AttemptResult.PASSED


@pytest.mark.parametrize("path", [CARD], ids=["in the meter"])
def test_a_log_of_a_rail_whose_relay_fell_open_is_no_collapse_of_the_rail(path: Any) -> None:
    log = Log((Channel("3V3", Kind.VOLTAGE, "3V3"),), parse_quantity("6 s"), parse_quantity("200 ms"))
    made = scanned(path, of=with_steps(APPLY, Step(1, Measure(("3V3",))), Step(2, log)))
    opened: list[float] = []
    tell = made.bench.told.append

    def told(one: Any) -> None:
        tell(one)
        if one.kind == "step-begun" and one.step == 2:
            opened.append(made.bench.clock.monotonic() + 2.0)
            made.bench.clock.at(opened[0], fall_open, wakes=False)

    def fall_open() -> None:
        made.relays.closed, made.relays._pointed = set(), None
        made.bench.world.probe(None, made.bench.clock.monotonic())

    outcome = made.run(tell=told)

    assert outcome.result is AttemptResult.BROKEN_OFF, outcome.cause
    assert "or so it seemed: the meter was not on 3V3 any more" in outcome.cause
    assert (outcome.off_verified, made.bench.on()) == (True, False)
    assert "trip" not in made.bench.record.kinds()


@both
def test_a_sample_of_a_relay_that_fell_open_is_none_of_its_rail_though_the_meter_went_on(path: Any) -> None:
    channels = tuple(Channel(rail, Kind.VOLTAGE, rail) for rail in ("3V3", "1V8"))
    log = Log(channels, parse_quantity("2 s"), parse_quantity("500 ms"))
    made = scanned(path, of=with_steps(APPLY, Step(1, log)))
    relays_open_at(made, "3V3")

    outcome = made.run()

    samples = [value for channel, value in made.bench.record.samples if channel == "3V3"]
    assert samples[0] is None
    assert all(value is not None and abs(value - 3.3) < 0.1 for value in samples[1:])
    assert outcome.result is AttemptResult.INCOMPLETE
    assert outcome.cause == "step 2 (log): 3V3: 1 of 5 samples have no value"


def test_a_sound_scan_asks_nothing_more_than_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """A value that is what the point was expected to carry proves by itself that it was connected."""
    asked: list[str] = []
    still = ScpiScanner.still

    def noted(scanner: ScpiScanner, point: str) -> Any:
        asked.append(point)
        return still(scanner, point)

    monkeypatch.setattr(ScpiScanner, "still", noted)
    assert scanned().run().result is AttemptResult.PASSED

    assert asked == []


@pytest.mark.parametrize(
    ("number", "around", "proven"),
    [
        (3.3, 3.3, True),
        (2.7, 3.3, True),
        (1.5, 3.3, False),
        (-12.1, -12.0, True),
        (0.0, 0.1, False),
        (0.0, None, False),
    ],
)
def test_only_what_was_expected_proves_itself(number: float, around: float | None, proven: bool) -> None:
    assert proves_itself(Value(number, ""), around) is proven
    assert not proves_itself(Value(None, ""), 3.3)


def test_with_a_supply_by_hand_no_relay_is_tried_for_nobody_knows_whether_the_board_is_live() -> None:
    from tests.test_load_guarded import Knobs

    made = scanned(of=picked("measure"))
    role = made.bench.bench.supply
    assert role is not None
    made.bench.changes["supply"] = Knobs(role, made.bench.ask, monotonic=made.bench.clock.monotonic)
    before: list[tuple[str, int]] = []
    begin = made.bench.record.begin

    def begun(start: Any) -> str:
        before.extend(made.relays.moved)
        return begin(start)

    made.bench.record.begin = begun  # type: ignore[method-assign]
    made.run()

    assert made.bench.record.started
    assert before == []


@both
def test_a_loop_back_check_opens_every_relay_before_the_leads_go_to_the_meter(path: Any) -> None:
    made = scanned(path, of=ALONE)
    made.relays.closed = {102}
    closed_at: list[set[int]] = []
    switch = made.bench.world.switch

    def watched(output: int, on: bool, now: float) -> None:
        if on:
            closed_at.append(set(made.relays.closed))
        switch(output, on, now)

    made.bench.world.switch = watched  # type: ignore[method-assign]
    outcome = run_attempt(made.bench.setup(procedure=procedure_of(made.bench.bench), serial=""), LoopBack)

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert closed_at == [set()]
    assert made.relays.closed == set()


def test_the_command_for_a_loop_back_check_has_the_scanner_open_its_relays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    trace = tmp_path / "t.txt"

    assert main(["bench", "--loop-back", "--bench", str(BESIDE), "--trace", str(trace), "--json"]) == 0

    lines = trace.read_text(encoding="utf-8").splitlines()
    told = [number for number, line in enumerate(lines) if "scanner out" in line and "OPEN" in line]
    on = next(number for number, line in enumerate(lines) if "supply out" in line and "OUTP ON" in line)
    assert told
    assert told[0] < on


def test_a_logbook_that_fails_while_the_scanner_is_asked_excuses_no_rail() -> None:
    def confirm() -> str:
        raise LogbookError("the disk is full")

    answered: list[str] = []
    waits = SimpleNamespace(emergency=lambda _: nullcontext())
    power = SimpleNamespace(answered=lambda: answered.append("excused"))
    work: Any = SimpleNamespace(waits=waits, hands=SimpleNamespace(confirm=confirm), power=power)

    with pytest.raises(LogbookError, match="the disk is full"):
        blamed(work, Trip("3V3 has collapsed"))
    assert answered == []
