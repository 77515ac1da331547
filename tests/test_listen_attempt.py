"""`listen` in an attempt: what is found, what is not, what is kept, and the supply looked at meanwhile."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.listening import Listen
from bringup.core.procedure import Channel, HostProgram, Log, Measure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, Kind, Result, StepOutcome
from bringup.errors import LogbookError
from bringup.runner.prompts import Answer, PromptKind
from bringup.simulation.memory_line import MemoryLine
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import ROOT, SEEN, SimulatedBench, picked, simulated_bench, with_steps
from tests.test_host_program import ProgramFake

APPLY = picked("apply").steps[0]
SERIAL = ROOT / "fixtures/benches/simulated-serial.yaml"
CONSOLE = ROOT / "procedures/console.yaml"
WITHIN = parse_quantity("5 s")
READY = Listen("console", WITHIN, text="logger ready")
VBAT = Listen("console", WITHIN, pattern=r"vbat=(?P<vbat>[0-9.]+)\b", units={"vbat": "mV"})
LIMITS = {"vbat": parse_limits("3.3 V ± 5 %")}


def at_work(*steps: Step, powered: bool = False) -> tuple[SimulatedBench, MemoryLine]:
    """A bench with a console on which nothing comes but what is pushed; without power, which costs less."""
    bench = simulated_bench(with_steps(*([APPLY] if powered else []), *steps), history=SEEN)
    line = bench.lines["console"] = MemoryLine(bench.clock)
    return bench, line


def leaves_out(bench: SimulatedBench, at: float) -> None:
    """Have a person leave the step out that is under way then."""
    script = [Scripted(Answer("the console is not wired"), PromptKind.TEXT)]
    bench.ask = person = SimulatedPerson(attended=True, clock=bench.clock, script=script)
    person.press("l", at=at)


def heard(bench: SimulatedBench) -> str:
    return "".join(text.content for text in bench.record.texts)


def test_the_shipped_procedure_hears_reads_asks_and_changes_the_state_by_what_is_said() -> None:
    bench = simulated_bench(CONSOLE, bench_path=SERIAL, history=SEEN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    said = {reading.aspect: reading for reading in outcome.readings if reading.instrument == "console"}
    vin, vref = [reading for reading in outcome.readings if reading.aspect == "by the board"]
    assert (vin.point, vin.unit, vin.kind) == ("VIN", "V", Kind.VOLTAGE)
    assert vin.value == pytest.approx(24, rel=0.01)
    assert vref.point == "VREF"
    assert (said["errors"].value, said["errors"].unit, said["board"].value) == (0.0, "%", 31.25)
    assert all(reading.result is Result.PASS for reading in said.values())
    assert outcome.readings[-2].board_state == "asleep"
    assert "logger ready\r\n" in heard(bench)
    during_log = [text for text in bench.record.texts if text.step == 6]
    assert [text.content for text in during_log] == ["radio: 1 frame sent\r\n"] * 2
    assert during_log[1].monotonic - during_log[0].monotonic == pytest.approx(2.0, abs=0.1)
    took_part = [(one.role, one.resource, one.simulated) for one in bench.record.started[0].instruments]
    assert took_part[-1] == ("console", "simulated", True)


def test_a_board_in_another_state_says_something_else_and_fails() -> None:
    procedure = with_steps(APPLY, Step(1, READY))
    bench = simulated_bench(replace(procedure, board_state="blank"), bench_path=SERIAL, history=SEEN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert "'logger ready' did not come within 5 s" in outcome.cause
    assert "the last line 'loader 2: waiting for an image'" in outcome.cause
    assert not bench.on()


@settings(max_examples=8, deadline=None)
@given(st.data())
def test_readings_are_the_same_whatever_the_pieces_the_text_comes_in(data: st.DataObject) -> None:
    raw = "äa\xff\r\nboot vbat=3290 mV\r\nvbat=1\r\n".encode("latin-1") + "vbat=2 é\n".encode()
    bench, line = at_work(Step(1, VBAT, expect=LIMITS))
    cuts = sorted(data.draw(st.sets(st.integers(0, len(raw)), max_size=10)))
    for place, (start, end) in enumerate(pairwise([0, *cuts, len(raw)])):
        line.push_at(1.5 + place * 0.1, raw[start:end])

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert [one.value for one in outcome.readings if one.instrument == "console"] == [3.29]
    whole = "\\xe4a\\xff\r\nboot vbat=3290 mV\r\nvbat=1\r\nvbat=2 é\n"
    assert whole.startswith(heard(bench))
    assert "vbat=3290" in heard(bench)


def test_limits_judge_a_group_and_a_number_without_a_unit_is_no_value() -> None:
    bare = Step(2, replace(VBAT, units={}), expect=LIMITS)
    bench, line = at_work(Step(1, VBAT, expect=LIMITS, end_on_fail=False), bare)
    line.push_at(4.0, b"vbat=2900 mV\r\nvbat=3300\r\n")

    outcome = bench.run()

    first, second = (one for one in outcome.readings if one.instrument == "console")
    assert (first.value, first.result, first.raw) == (2.9, Result.FAIL, "2900")
    assert (second.value, second.result) == (None, Result.NO_VALUE)
    assert second.note == "'3300' has no unit: state it in `units`"
    assert "vbat voltage 2.900 V, wanted" in bench.record.ended_steps[0][3]
    assert outcome.result is AttemptResult.INCOMPLETE


def test_a_silent_board_fails_and_the_supply_was_looked_at_all_the_time() -> None:
    bench, _ = at_work(Step(1, replace(READY, within=parse_quantity("20 s"))), powered=True)

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause.endswith("'logger ready' did not come within 20 s: nothing came on console")
    looks = [look.monotonic for batch in bench.record.batches for look in batch]
    late = [at for at in looks if at > looks[-1] - 19.0]
    assert len(late) > 80
    assert max(later - earlier for earlier, later in pairwise(late)) < 0.25
    assert outcome.off_verified


def test_a_bad_text_fails_the_step_at_once() -> None:
    bench, line = at_work(Step(1, replace(READY, bad=("ASSERT",))))
    line.push_at(4.0, b"start\r\nASSERT in radio.c\r\nlogger ready\r\n")

    outcome = bench.run()

    assert outcome.cause == "step 1 (listen): console said 'ASSERT': ASSERT in radio.c"


@pytest.mark.parametrize("pieces", [[b"ASSERT logger ready"], [b"ASS", b"ERT logger ready"]])
@pytest.mark.parametrize("swapped", [False, True])
def test_of_two_texts_the_one_that_is_complete_first_counts(pieces: list[bytes], swapped: bool) -> None:
    action = replace(READY, text="ASSERT", bad=("ready",)) if swapped else replace(READY, bad=("ASSERT",))
    bench, line = at_work(Step(1, action))
    for place, piece in enumerate(pieces):
        line.push_at(4.0 + place, piece)

    assert bench.run().result is (AttemptResult.PASSED if swapped else AttemptResult.FAILED)


def test_what_came_between_two_steps_counts_and_what_a_step_found_does_not_count_again() -> None:
    bench, line = at_work(Step(1, Measure(("3V3",))), Step(2, READY), Step(3, READY), powered=True)
    line.push_at(1.4, b"logger ready\r\n")
    line.push_at(4.0, b"logger ready again\r\n")

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert bench.record.kinds().count("heard") == 2
    assert bench.clock.monotonic() > 4.0


def test_what_came_before_the_board_was_powered_anew_does_not_count() -> None:
    bench, line = at_work(Step(1, READY), powered=True)
    line.push_at(0.0, b"logger ready\r\n")

    assert bench.run().result is AttemptResult.FAILED
    assert "logger ready" in heard(bench), "it is kept all the same"


def test_only_new_text_counts_where_lines_are_sent() -> None:
    ask = Listen("console", WITHIN, text="31 degC", send=("temp",), line_end="crlf", only_new=True)
    bench, line = at_work(Step(1, Measure(("3V3",))), Step(2, ask), powered=True)
    line.push_at(1.4, b"31 degC\r\n")

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert line.sent == [b"temp\r\n"]
    assert ("sent to console: 'temp'") in [text for kind, text, _ in bench.record.events if kind == "sent"]


def test_a_line_that_takes_nothing_leaves_the_step_without_a_value() -> None:
    bench, line = at_work(Step(1, Listen("console", WITHIN, send=("temp",), line_end="lf")), powered=True)
    line.takes = False

    outcome = bench.run()

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "'temp' could not be sent to console: it takes no more bytes" in outcome.cause
    assert outcome.off_verified


def test_a_line_that_is_gone_is_no_fault_of_the_unit() -> None:
    bench, line = at_work(Step(1, READY), powered=True)

    def gone() -> None:
        line.gone = "unplugged"
        line.push(b"", news="the line is gone: unplugged")

    bench.clock.at(4.0, gone)

    outcome = bench.run()

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "'logger ready' was not heard: console is gone (unplugged)" in outcome.cause
    assert ("line", "console: the line is gone: unplugged") in [(kind, text) for kind, text, _ in bench.record.events]
    assert outcome.off_verified


def test_a_line_that_comes_back_in_time_is_heard_on() -> None:
    bench, line = at_work(Step(1, READY))
    bench.clock.at(3.5, lambda: line.push(b"logger re", news="the line is there"))
    line.push_at(4.0, b"ady")

    assert bench.run().result is AttemptResult.PASSED


def test_the_state_follows_from_the_text_and_not_before_it() -> None:
    steps = Step(1, READY, board_state="asleep"), Step(2, Measure(("3V3",)))
    bench, line = at_work(*steps, powered=True)
    line.push_at(5.0, b"logger ready\r\n")

    outcome = bench.run()

    assert outcome.readings[-1].board_state == "asleep"
    said = [text for kind, text, _ in bench.record.events if kind == "board-state"]
    assert said == ["the board is asleep from here on"]


def test_the_state_stays_where_the_text_did_not_come() -> None:
    steps = Step(1, READY, board_state="asleep", end_on_fail=False), Step(2, Measure(("3V3",)))
    bench, _ = at_work(*steps, powered=True)

    assert bench.run().readings[-1].board_state == "blank"


def test_garbage_is_kept_written_out_and_does_not_stop_anything() -> None:
    bench, line = at_work(Step(1, READY))
    line.push_at(3.0, bytes(range(256)) * 4)
    line.push_at(4.0, b"\r\n\x1b[31mlogger ready\x00\r\n")

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert "\\x1b[31mlogger ready\\x00\r\n" in heard(bench)
    assert all(each.isprintable() or each in "\r\n\t" for each in heard(bench))


def test_a_line_without_end_is_searched_and_kept() -> None:
    bench, line = at_work(Step(1, READY))
    for place in range(20):
        line.push_at(2.0 + place / 10, b"x" * 5000)
    line.push_at(4.9, b"logger ready")

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert len(heard(bench)) == 20 * 5000 + len("logger ready")


def test_bytes_left_out_are_told_once_and_counted() -> None:
    bench, line = at_work(Step(1, READY))
    bench.clock.at(3.0, lambda: line.push(b"a", lost=1000))
    bench.clock.at(3.5, lambda: line.push(b"logger ready", lost=24))

    bench.run()

    told = [text for kind, text, _ in bench.record.events if kind == "line"]
    assert told == [
        "console: bytes come faster than they can be taken, and some are left out",
        "console: 1024 bytes were left out in all",
    ]


def test_a_logbook_that_fails_on_the_text_ends_the_attempt_with_outputs_off() -> None:
    bench, line = at_work(Step(1, READY), powered=True)
    line.push_at(4.0, b"something\r\n")

    full = LogbookError("the disk is full", "Make room.")

    with patch.object(bench.record, "line_texts", side_effect=full):
        outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "the disk is full" in outcome.cause
    assert not bench.on()


def test_a_trip_switches_off_before_the_text_is_written_and_stays_the_reason() -> None:
    bench, line = at_work(Step(1, READY), powered=True)
    line.push_at(4.0, b"something\r\n")
    bench.clock.at(4.0, lambda: bench.world.plant(Fault("5V0", FaultKind.SHORTED_THROUGH, 5.0)), wakes=False)
    on: list[bool] = []

    def refused(_: object) -> None:
        on.append(bench.on())
        raise LogbookError("the disk is full", "Make room.")

    with patch.object(bench.record, "line_texts", side_effect=refused):
        outcome = bench.run()

    assert on == [False]
    assert outcome.result is AttemptResult.FAILED
    assert "tripped on VIN" in outcome.cause
    assert [kind for kind, _, _ in bench.record.events].count("trip") == 1


def test_a_port_that_programs_need_is_lent_while_one_runs() -> None:
    bench, line = at_work(Step(1, HostProgram(("flasher",), parse_quantity("60 s"))))
    bench.changes["programs"] = ProgramFake(bench.clock)

    bench.run()

    assert line.lent == 1


def test_a_step_that_a_person_leaves_out_listens_no_longer() -> None:
    patient = replace(READY, within=parse_quantity("60 s"))
    bench, line = at_work(Step(1, patient), Step(2, Measure(("3V3",))), powered=True)
    leaves_out(bench, at=4.0)
    line.push_at(5.0, b"logger ready\r\n")

    bench.run()

    assert [outcome for _, outcome, *_ in bench.record.ended_steps][1] is StepOutcome.LEFT_OUT
    assert "heard" not in bench.record.kinds()


def test_nothing_is_listened_to_where_power_was_left_out() -> None:
    bench, _ = at_work(Step(1, READY), powered=True)
    leaves_out(bench, at=0.6)

    bench.run()

    assert [(outcome, why) for _, outcome, _, why, _ in bench.record.ended_steps][-1] == (
        StepOutcome.LEFT_OUT,
        "VIN is not powered: its `apply` was left out or ended early",
    )


def test_text_during_a_log_has_the_moment_at_which_it_came() -> None:
    log = Log((Channel("VIN", Kind.CURRENT, "VIN current"),), parse_quantity("3 s"), parse_quantity("200 ms"))
    bench, line = at_work(Step(1, log), powered=True)
    line.push_at(4.25, b"radio on\r\n")

    bench.run()

    (text,) = bench.record.texts
    assert (text.step, text.monotonic) == (1, 4.25)
    start = bench.record.started[0]
    assert (text.at - start.started).total_seconds() == pytest.approx(4.25 - start.monotonic)
