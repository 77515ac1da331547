"""An attempt at some rails only: safety steps stay, what is left out is said, and it is never called passed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.only import check_only, only_of
from bringup.core.only import confined, read_points
from bringup.core.procedure import Apply, Inspect, Leads, Log, Measure, PowerOff, Procedure, Sink, Step
from bringup.core.quantity import parse_quantity
from bringup.core.reading import new_id
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.words import AttemptResult, Result, StepOutcome
from bringup.errors import CommandError
from bringup.logbook.opening import open_for_writing
from bringup.logbook.record import LogbookRecord
from bringup.runner.setup import AttemptOutcome
from tests import fakes, logbook_samples
from tests.fakes import FIRST_POWER_ON, ROOT, RecordFake, simulated_bench, the_procedure

LOAD_REGULATION = ROOT / "procedures" / "load-regulation.yaml"


def test_the_safety_steps_stay_as_they_are_and_only_the_rails_asked_for_are_read() -> None:
    whole = the_procedure(FIRST_POWER_ON)
    procedure, only = confined(whole, ["3V3", "5V0"])

    for before, now in zip(whole.steps, procedure.steps, strict=True):
        if isinstance(before.action, Inspect | Resistance | Leads | Apply | PowerOff):
            assert now == before
    measure = procedure.steps[4].action
    assert isinstance(measure, Measure)
    assert measure.points == ("5V0", "3V3"), "in the order of the step"
    assert only.steps == {5: "only 5V0 and 3V3 were asked for"}
    assert only.left_out == ("step 5 (measure): VIN, 12V0, 1V8, VREF, N12V", "step 6 (log)")


def test_loads_on_other_rails_are_left_out_and_a_log_keeps_what_was_asked_for() -> None:
    procedure, only = confined(the_procedure(LOAD_REGULATION), ["3V3"])

    left = {step.index for step in procedure.steps if isinstance(step.action, Sink) and step.action.rail == "5V0"}
    assert left == set(only.steps)
    log = procedure.steps[9].action
    assert isinstance(log, Log)
    assert [channel.text for channel in log.what] == ["3V3"]


def test_what_cannot_be_undone_is_left_out() -> None:
    whole = the_procedure(FIRST_POWER_ON)
    steps = (*whole.steps[:4], replace(whole.steps[4], irreversible=True), *whole.steps[5:])
    _, only = confined(replace(whole, steps=steps), [point.name for point in whole.board.points()])

    assert only.steps == {4: "irreversible: it wants every rail passed"}
    assert only.text.endswith("left out step 5 (measure)")


def test_asking_for_everything_leaves_out_nothing() -> None:
    whole = the_procedure(FIRST_POWER_ON)
    procedure, only = confined(whole, read_points(whole))

    assert procedure == whole
    assert (only.text, only.left_out) == ("", ())


def carried_out(rails: list[str]) -> tuple[AttemptOutcome, RecordFake]:
    procedure, only = confined(fakes.picked("apply", "measure", "power_off"), rails)
    bench = simulated_bench(procedure, history=fakes.SEEN)
    return bench.run(only=only), bench.record


def test_an_attempt_at_some_rails_is_incomplete_however_well_they_read() -> None:
    outcome, record = carried_out(["3V3"])

    assert outcome.result is AttemptResult.INCOMPLETE
    assert outcome.cause == "only 3V3 was asked for: left out step 2 (measure): VIN, 12V0, 5V0, 1V8, VREF, N12V"
    assert [text for kind, text, _ in record.events if kind == "only"] == [outcome.cause]
    assert [each.point for each in record.readings if each.step == 1] == ["3V3"]
    assert all(outcome is StepOutcome.DONE for _, outcome, _, _, _ in record.ended_steps)
    assert record.ends == [(AttemptResult.INCOMPLETE, outcome.cause, True)]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("3V4", "the board has no input or rail called '3V4'"),
        (" , ", "--only names no rail"),
        ("3V3,N12V", "no step of Short reads N12V under power"),
    ],
)
def test_rails_that_make_no_sense_are_refused_before_anything_is_opened(text: str, told: str) -> None:
    with pytest.raises(CommandError, match=told):
        check_only(text, short())
    check_only("3V3", short())
    check_only("failed", short())


def short() -> Procedure:
    whole = the_procedure(FIRST_POWER_ON)
    return replace(whole, name="Short", steps=(replace(whole.steps[4], action=Measure(("3V3", "5V0"))),))


def test_what_failed_is_what_the_last_attempt_says_as_corrected(tmp_path: Path) -> None:
    logbook = open_for_writing(tmp_path / "bringup.db", tmp_path)
    record = LogbookRecord(logbook, simulated=False)
    with pytest.raises(CommandError, match="MBL-0001 has no attempt"):
        only_of("failed", short(), (logbook, False), "MBL-0001")

    def attempt(*readings: tuple[str, float | None]) -> None:
        record.begin(logbook_samples.start())
        for point, value in readings:
            record.reading(replace(logbook_samples.volts(value), point=point, id=new_id()))
        result = AttemptResult.FAILED
        record.end(result, "", at=logbook_samples.NOON, off_verified=True)

    attempt(("5V0", 9.9), ("3V3", 3.3))
    attempt(("5V0", 3.3), ("3V3", None))
    procedure, only = only_of("failed", short(), (logbook, False), "MBL-0001")
    assert only is not None
    assert only.rails == ("3V3",)
    assert procedure.steps[0].action == Measure(("3V3",))

    attempt(("N12V", 9.9))
    with pytest.raises(CommandError, match="N12V failed, which no step of Short reads"):
        only_of("failed", short(), (logbook, False), "MBL-0001")
    attempt(("3V3", 3.3))
    with pytest.raises(CommandError, match="no reading failed in attempt"):
        only_of("failed", short(), (logbook, False), "MBL-0001")
    assert only_of("", short(), (logbook, False), "MBL-0001") == (short(), None)
    assert logbook_samples.volts(9.9).result is Result.FAIL
    record.close()
    logbook.close()


def test_sweeps_ripple_and_cycles_are_confined_to_the_rails_asked_for_too() -> None:
    volts, amps = parse_quantity("24 V"), parse_quantity("100 mA")
    steps = (
        Step(0, Sweep((volts,), ("3V3", "5V0"), input="VIN")),
        Step(1, Sweep((amps,), ("5V0",), load="5V0")),
        Step(2, Ripple(("5V0", "3V3"), "meter", parse_quantity("1 ms"))),
        Step(3, PowerCycle("VIN", 2, (parse_quantity("1 s"),), parse_quantity("1 s"), ("5V0", "3V3"))),
    )
    whole = replace(the_procedure(FIRST_POWER_ON), steps=steps)

    procedure, only = confined(whole, ["3V3"])

    assert only.steps == {1: "only 3V3 was asked for"}, "nothing is drawn from another rail"
    assert procedure.steps[0].action == replace(steps[0].action, rails=("3V3",))  # type: ignore[arg-type]
    assert procedure.steps[2].action == replace(steps[2].action, points=("3V3",))  # type: ignore[arg-type]
    assert procedure.steps[3].action == replace(steps[3].action, rails=("3V3",))  # type: ignore[arg-type]
    assert only.text.count("5V0") == 3
    assert read_points(whole) == {"3V3", "5V0"}
