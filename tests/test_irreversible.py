"""Irreversible steps: what must be so before one, what may end it, and that it is never done twice on a unit."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.procedure import (
    Action,
    Channel,
    HostProgram,
    Leads,
    Log,
    Measure,
    OnlyIf,
    PowerOff,
    Procedure,
    Question,
    Step,
)
from bringup.core.quantity import parse_quantity
from bringup.core.safety import examine
from bringup.core.safety_irreversible import examine_irreversible
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.words import AttemptResult, Kind, Result, StepOutcome
from bringup.errors import LogbookError, SafetyRefused
from bringup.logbook.opening import open_for_writing
from bringup.logbook.record import LogbookRecord
from bringup.runner.irreversible import keys_of
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.protocols import Told
from bringup.runner.records import Interruption, Once, ProgramEnd
from bringup.runner.roles import Protection
from bringup.runner.scpi_supply import ScpiSupply
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps
from tests.test_host_program import ProgramFake

APPLY, MEASURE = picked("apply").steps[0], picked("measure").steps[0]
FUSE = HostProgram(("burner", "--lock"), parse_quantity("60 s"))
BURN = Step(2, FUSE, name="fuses", irreversible=True)
GOOD = ProgramEnd(0)


def at_work(
    *steps: Step, before: tuple[Step, ...] = (APPLY, MEASURE), takes: float = 30.0, end: ProgramEnd = GOOD
) -> tuple[SimulatedBench, ProgramFake]:
    bench = simulated_bench(with_steps(*before, *(steps or (BURN,))), history=SEEN)
    fake = ProgramFake(bench.clock, takes=takes, end=end)
    bench.changes["programs"] = fake
    return bench, fake


def when_begun(fake: ProgramFake, after: float, do: Callable[[], None]) -> None:
    """Have something happen so many seconds after the program began."""
    started = fake.start

    def start(order: object) -> ProgramFake:
        fake.clock.at(fake.clock.monotonic() + after, do, wakes=False)
        return started(order)  # type: ignore[arg-type]

    fake.start = start  # type: ignore[method-assign]


def test_with_every_rail_passed_and_the_serial_number_typed_it_is_done() -> None:
    bench, fake = at_work()
    person = SimulatedPerson(attended=True, clock=bench.clock)

    outcome = bench.run(ask=person)

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert len(fake.orders) == 1
    (prompt,) = (prompt for prompt, _ in person.asked if prompt.text.startswith("IRREVERSIBLE"))
    assert "Type the serial number of the unit on the bench" in prompt.text
    kinds = bench.record.kinds()
    assert kinds.index("irreversible-begun") < kinds.index("program-begun") < kinds.index("irreversible-ended")


def test_that_nobody_answers_cuts_no_power_while_what_cannot_be_undone_is_under_way() -> None:
    asked = Step(2, Question("Which colour is the status light?", ("green", "red"), ("green",)), irreversible=True)
    bench, _ = at_work(asked)
    bench.procedure = replace(bench.procedure, answer_within=parse_quantity("10 s"))
    late = Scripted(Answer("green"), PromptKind.CHOICE, "status light", delay=60.0)

    outcome = bench.run(ask=SimulatedPerson(attended=True, clock=bench.clock, script=[late]))

    assert outcome.result is AttemptResult.PASSED, outcome.cause


def test_a_wrong_serial_number_is_asked_again_and_then_refused() -> None:
    bench, fake = at_work()
    wrong = Scripted(Answer("MBL-0002"), PromptKind.TEXT, "IRREVERSIBLE")
    person = SimulatedPerson(attended=True, clock=bench.clock, script=[wrong] * 3)

    outcome = bench.run(ask=person)

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "not begun: the serial number was not typed rightly" in outcome.cause
    assert not fake.orders
    assert "irreversible-begun" not in bench.record.kinds()
    asked = [prompt.lines for prompt, _ in person.asked if prompt.text.startswith("IRREVERSIBLE")]
    assert asked[1] == ("'MBL-0002' is not the serial number of this attempt",)


def test_one_slip_of_the_hand_is_forgiven() -> None:
    bench, fake = at_work()
    wrong = Scripted(Answer(" mbl-0001"), PromptKind.TEXT, "IRREVERSIBLE")

    outcome = bench.run(ask=SimulatedPerson(attended=True, clock=bench.clock, script=[wrong]))

    assert outcome.result is AttemptResult.PASSED
    assert len(fake.orders) == 1


def test_without_a_reading_of_every_probed_rail_it_is_not_begun() -> None:
    bench, fake = at_work(before=(APPLY, Step(1, Measure(("12V0", "3V3")))))

    outcome = bench.run()

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "irreversible and not begun: 5V0 has no reading of its voltage in this attempt; 1V8 has" in outcome.cause
    assert not fake.orders


def test_with_a_rail_that_failed_it_is_not_begun() -> None:
    bench, fake = at_work(before=(APPLY, replace(MEASURE, end_on_fail=False)))
    bench.world.plant(Fault("3V3", FaultKind.EXCESS_LOAD, 0.45))

    outcome = bench.run()

    assert not fake.orders
    assert outcome.result in (AttemptResult.FAILED, AttemptResult.INCOMPLETE)
    assert "irreversible-begun" not in bench.record.kinds()


def test_a_log_as_the_last_reading_of_a_rail_counts_by_what_is_judged_of_it() -> None:
    log = Step(2, Log((Channel("3V3", Kind.VOLTAGE, "3V3"),), parse_quantity("2 s"), parse_quantity("200 ms")))
    bench, fake = at_work(replace(BURN, index=3), before=(APPLY, MEASURE, log))

    outcome = bench.run()

    aspects = {reading.aspect: reading.result for reading in outcome.readings if reading.step == 2}
    assert aspects["standard deviation"] is Result.RECORDED
    assert len(fake.orders) == 1, outcome.cause


@pytest.mark.parametrize("fails", [True, False])
def test_a_rail_that_failed_since_it_was_measured_has_not_passed(fails: bool) -> None:
    volts = tuple(parse_quantity(text) for text in ("24 V", "23 V"))
    limits = parse_limits("3.5 V .. 3.6 V" if fails else "3.2 V .. 3.4 V")
    sweep = Sweep(volts, ("3V3",), input="VIN", formula="ends over nominal")
    swept = Step(2, sweep, expect={"3V3": limits}, end_on_fail=False)
    bench, fake = at_work(replace(BURN, index=3), before=(APPLY, MEASURE, swept))

    outcome = bench.run()

    assert len(fake.orders) == (0 if fails else 1), outcome.cause
    assert not fails or "fail" in {each.result for each in outcome.readings if each.step == 2}
    missing = "irreversible and not begun: 3V3 has the result 'fail' in step 3"
    assert any(missing in why for _, _, _, why, _ in bench.record.ended_steps) == fails or missing in outcome.cause


# What may cut power during one, and what waits


@pytest.mark.parametrize(
    "disturb",
    ["silence", "knob", "hang up", "full disk"],
)
def test_what_is_no_danger_to_the_board_waits_until_it_is_over(disturb: str) -> None:
    bench, fake = at_work(takes=30.0)
    state: list[bool] = []

    def disturbance() -> None:
        if disturb == "silence":
            bench.supply_link.troubles.silent_from = bench.clock.monotonic()
            bench.supply_link.troubles.silent_until = bench.clock.monotonic() + 10
        elif disturb == "knob":
            bench.world.set_voltage(1, 20.0, bench.clock.monotonic())
        elif disturb == "hang up":
            bench.clock.interrupt(Interruption.HANG_UP, bench.clock.monotonic())
        else:
            bench.record.fail_from = bench.record.writes + 1

    when_begun(fake, 5.0, disturbance)
    when_begun(fake, 29.0, lambda: state.append(bench.on()))

    outcome = bench.run()

    assert state == [True], "power was cut"
    assert fake.stopped_at is None, "the program was ended"
    assert outcome.result is AttemptResult.BROKEN_OFF
    assert not bench.on()
    ended = "irreversible-ended" in bench.record.kinds()
    assert ended is (disturb != "full disk")


@pytest.mark.parametrize("disturb", ["over-current", "over-voltage", "Ctrl-C", "off", "q"])
def test_danger_to_the_board_and_a_person_cut_power_at_once(disturb: str) -> None:
    bench, fake = at_work(takes=math.inf)
    person = SimulatedPerson(attended=True, clock=bench.clock)

    def disturbance() -> None:
        now = bench.clock.monotonic()
        if disturb == "over-current":
            bench.world.plant(Fault("12V0", FaultKind.EXCESS_LOAD, 0.6))
        elif disturb == "over-voltage":
            bench.world.set_over_voltage(1, None, now)
            bench.world.set_voltage(1, 36.0, now)
        elif disturb == "q":
            person.press("q", now)
        else:
            bench.clock.interrupt(Interruption.CTRL_C if disturb == "Ctrl-C" else Interruption.OFF_ASKED, now)

    when_begun(fake, 5.0, disturbance)

    outcome = bench.run(ask=person)

    assert not bench.on()
    assert fake.stopped_at is not None
    wanted = AttemptResult.FAILED if disturb.startswith("over") else AttemptResult.CALLED_OFF
    assert outcome.result is wanted, outcome.cause
    assert "irreversible-ended" not in bench.record.kinds()


def test_over_current_is_seen_though_something_else_was_put_off() -> None:
    bench, fake = at_work(takes=math.inf)
    when_begun(fake, 5.0, lambda: bench.world.set_voltage(1, 20.0, bench.clock.monotonic()))
    when_begun(fake, 7.0, lambda: bench.world.set_over_current(1, None, 0.0, bench.clock.monotonic()))
    when_begun(fake, 8.0, lambda: bench.world.plant(Fault("12V0", FaultKind.EXCESS_LOAD, 0.35)))

    outcome = bench.run()

    assert "above the trip level" in outcome.cause


def test_a_protection_of_the_supply_that_tripped_ends_it() -> None:
    bench, fake = at_work(takes=math.inf)
    when_begun(fake, 5.0, lambda: bench.world.set_voltage(1, 20.0, bench.clock.monotonic()))
    when_begun(fake, 8.0, lambda: bench.world.plant(Fault("12V0", FaultKind.EXCESS_LOAD, 0.35)))

    outcome = bench.run()

    assert "protection tripped on VIN" in outcome.cause
    assert fake.stopped_at is not None


def test_its_time_out_is_left_to_the_person() -> None:
    bench, fake = at_work(takes=90.0)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    (text,) = (text for kind, text, _ in bench.record.events if kind == "late")
    assert "only you may end it (q): it is irreversible" in text
    assert fake.stopped_at is None


# Never repeated


@pytest.mark.parametrize("key", ["name", "what"])
@pytest.mark.parametrize("passed", [True, False])
def test_one_that_was_begun_on_the_unit_is_never_repeated(passed: bool, key: str) -> None:
    bench, fake = at_work()
    known = keys_of(BURN)[0 if key == "name" else 1]
    bench.record.known = replace(SEEN, irreversible={known: Once(passed, "done at T in attempt A")})

    outcome = bench.run()

    assert not fake.orders
    assert outcome.result is (AttemptResult.PASSED if passed else AttemptResult.INCOMPLETE)
    _, became, _, why, who = bench.record.ended_steps[2]
    assert (became, who) == (StepOutcome.LEFT_OUT, "the tool")
    assert why == "irreversible, and never repeated: done at T in attempt A"


@pytest.mark.parametrize(
    ("end", "interrupted", "says"),
    [(GOOD, False, "done at"), (ProgramEnd(1), False, "fail at"), (GOOD, True, "its end unknown")],
)
def test_the_logbook_knows_what_was_begun(end: ProgramEnd, interrupted: bool, says: str, tmp_path: Path) -> None:
    logbook = open_for_writing(tmp_path / "bringup.db")
    bench, fake = at_work(end=end)
    if interrupted:
        when_begun(fake, 5.0, lambda: bench.clock.interrupt(Interruption.CTRL_C, bench.clock.monotonic()))

    bench.run(record=LogbookRecord(logbook, simulated=True))

    again, fake_again = at_work()
    record = LogbookRecord(logbook, simulated=True)
    once = record.history("MBL-0001").irreversible["fuses"]
    assert says in once.said
    assert once.passed is (says == "done at")
    assert record.history("MBL-0002").irreversible == {}
    again.run(record=record)
    assert not fake_again.orders
    logbook.connection.close()


def test_what_an_older_logbook_knows_by_all_that_an_action_states_is_not_repeated() -> None:
    bench, fake = at_work()
    old = hashlib.sha256(repr(FUSE).encode()).hexdigest()
    bench.record.known = replace(SEEN, irreversible={old: Once(True, "done at T in attempt A")})

    assert bench.run().result is AttemptResult.PASSED
    assert not fake.orders


@pytest.mark.parametrize(
    "change",
    [{"time_out": parse_quantity("90 s")}, {"contains": ("locked",)}, {"exit_code": 3}],
    ids=lambda change: next(iter(change)),
)
def test_how_a_program_is_waited_for_and_judged_makes_it_no_other(change: dict[str, Any]) -> None:
    again = replace(BURN, name="fuses again", action=replace(FUSE, **change))

    assert keys_of(again)[1] == keys_of(BURN)[1]


def test_what_a_program_loads_makes_it_another_whatever_the_file_is_called() -> None:
    one, copied = (replace(BURN, action=replace(FUSE, loads=name)) for name in ("keys.bin", "copy.bin"))

    assert keys_of(one, {"keys.bin": "ab"}) == keys_of(copied, {"copy.bin": "ab"})
    assert len({keys_of(one, {"keys.bin": "ab"}), keys_of(one, {"keys.bin": "cd"}), keys_of(BURN)}) == 3


@pytest.mark.parametrize("good", [True, False])
def test_two_steps_that_do_the_same_are_done_once_in_an_attempt(good: bool) -> None:
    # Under names of their own, and loading copies of one file, which only the runner can see.
    one = replace(BURN, action=replace(FUSE, loads="keys.bin"), end_on_fail=good)
    again = replace(one, index=3, name="fuses again", action=replace(FUSE, loads="copy.bin"))
    bench, fake = at_work(one, again, end=GOOD if good else ProgramEnd(1))

    outcome = bench.run(loaded={"keys.bin": "ab", "copy.bin": "ab"})

    assert len(fake.orders) == 1
    _, became, _, why, _ = bench.record.ended_steps[3]
    assert became is StepOutcome.LEFT_OUT
    assert why == f"irreversible, and never repeated: {'done' if good else 'fail'} in step 3 of this attempt"
    assert outcome.result is (AttemptResult.PASSED if good else AttemptResult.FAILED), outcome.cause


# Refused beforehand


def refusals(procedure: Procedure) -> list[str]:
    return [finding.message for finding in examine(procedure, None) if finding.refused]


def test_before_the_rails_are_measured_it_is_refused() -> None:
    assert refusals(with_steps(APPLY, MEASURE, BURN)) == []
    missing = "irreversible, and no step before it measures 12V0, 5V0, 3V3, 1V8, VREF and N12V against limits"
    (message,) = refusals(with_steps(APPLY, BURN, MEASURE))
    assert message.startswith(missing)
    (message,) = refusals(with_steps(APPLY, replace(MEASURE, only_if=OnlyIf(attended=True)), BURN))
    assert message.startswith(missing)
    (message,) = refusals(with_steps(APPLY, MEASURE, replace(BURN, name="")))
    assert message == "an irreversible step has no `name`"


@pytest.mark.parametrize(
    "action",
    [
        PowerCycle("VIN", 2, (parse_quantity("1 s"),), parse_quantity("1 s")),
        PowerOff(),
        Leads("VIN"),
        Resistance(("3V3",)),
        Sweep((parse_quantity("24 V"), parse_quantity("20 V")), ("3V3",), input="VIN", formula="ends over nominal"),
        Ripple(("3V3",), "scope", parse_quantity("10 us"), ground="spring"),
    ],
)
def test_what_switches_power_itself_or_repeats_cannot_be_irreversible(action: Action) -> None:
    step = Step(0, action, name="burn", irreversible=True)
    given = with_steps(*picked("apply", "measure").steps, step)

    (found,) = [each for each in examine_irreversible(given) if "cannot be irreversible" in each.message]

    assert (found.step, found.refused) == (2, True)
    assert found.message.startswith(f"`{given.steps[2].kind}` cannot be irreversible: it ")
    assert not [each for each in examine_irreversible(with_steps(*given.steps[:2])) if each.refused]


def test_a_second_step_that_does_the_same_is_refused() -> None:
    again = replace(BURN, index=3, name="fuses again", action=replace(FUSE, time_out=parse_quantity("90 s")))

    (message,) = refusals(with_steps(APPLY, MEASURE, BURN, again))

    assert message == "irreversible, and does the same as step 3: it is done once on a unit, so never here"
    other = replace(again, action=replace(FUSE, program=("burner", "--unlock")))
    assert refusals(with_steps(APPLY, MEASURE, BURN, other)) == []
    one, two = (replace(step, only_if=OnlyIf(variant=name)) for step, name in ((BURN, "A"), (again, "B")))
    assert refusals(with_steps(APPLY, MEASURE, one, two)) == []
    assert len(refusals(with_steps(APPLY, MEASURE, one, replace(two, only_if=OnlyIf(variant="A"))))) == 1


def test_unattended_it_is_refused_at_a_real_bench() -> None:
    bench, fake = at_work()
    bench.meter_link.troubles.identity = bench.supply_link.troubles.identity = "Example,Model,1,1"
    procedure = replace(bench.procedure, unattended_after_first_power=True)
    from bringup.terminal.nobody import Nobody

    with pytest.raises(SafetyRefused, match="the procedure holds an irreversible step"):
        bench.run(ask=Nobody(), procedure=procedure, unattended=True, simulated_link=None)
    assert not fake.orders


def test_a_logbook_that_cannot_note_the_beginning_keeps_it_from_beginning() -> None:
    bench, fake = at_work()
    noted = bench.record.event

    def event(kind: str, *arguments: object, **more: object) -> None:
        if kind == "irreversible-begun":
            raise LogbookError("the disk is full")
        noted(kind, *arguments, **more)  # type: ignore[arg-type]

    bench.record.event = event  # type: ignore[method-assign]

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert not fake.orders


# What the supply was set to, where that is the deed

HIGHER = replace(APPLY.action, then=(parse_quantity("18 V"), parse_quantity("25 V")), hold=parse_quantity("5 s"))  # type: ignore[arg-type]
OVERDRIVE = Step(2, HIGHER, name="overdrive", irreversible=True)
UNKNOWN = "begun, not known whether it was done"


def overdriven(
    tmp_path: Path, disturb: Callable[[SimulatedBench], None]
) -> tuple[AttemptOutcome, SimulatedBench, Once]:
    """Run an irreversible `apply`, disturbed when it begins; return also what the logbook knows of it afterwards."""
    logbook = open_for_writing(tmp_path / "bringup.db")
    bench = simulated_bench(with_steps(APPLY, MEASURE, OVERDRIVE), ask=None)
    record = LogbookRecord(logbook, simulated=True)
    record.history = lambda serial: SEEN  # type: ignore[method-assign]

    def tell(told: Told) -> None:
        bench.told.append(told)
        if told.data.get("kind") == "irreversible-begun":
            disturb(bench)

    try:
        outcome = bench.run(record=record, tell=tell)
        once = LogbookRecord(logbook, simulated=True).history("MBL-0001").irreversible["overdrive"]
        why = logbook.connection.execute("SELECT why, result FROM steps WHERE step = 3").fetchone()
    finally:
        logbook.connection.close()
    assert (why[1] == "pass") is once.passed
    assert once.passed or "it is not known whether it was done" in why[0]
    return outcome, bench, once


def highest(bench: SimulatedBench) -> float:
    """Return the highest voltage that the supply showed in the irreversible step."""
    return max(told.poll.volts or 0.0 for told in bench.told if told.poll is not None and told.step == 2)


def taking(bench: SimulatedBench, change: Callable[[float], float]) -> None:
    """Have the supply take other voltages than it is told."""
    told = bench.supply.set_voltage
    bench.supply.set_voltage = lambda output, volts: told(output, change(volts))  # type: ignore[method-assign]


def turn_the_knob(bench: SimulatedBench) -> None:
    bench.clock.at(bench.clock.monotonic() + 13.0, lambda: bench.world.set_voltage(1, 20.0, bench.clock.monotonic()))


def fall_silent(bench: SimulatedBench) -> None:
    troubles, now = bench.supply_link.troubles, bench.clock.monotonic()
    troubles.silent_from, troubles.silent_until = now + 13.0, now + 15.5


def read_nothing_back(bench: SimulatedBench) -> None:
    assert isinstance(bench.supply, ScpiSupply)
    dialect = bench.supply._dialect
    mute = replace(dialect.operations["set_voltage"], query="")
    bench.supply._dialect = replace(dialect, operations={**dialect.operations, "set_voltage": mute})


def test_an_apply_whose_setting_is_read_back_to_its_end_is_done(tmp_path: Path) -> None:
    outcome, bench, once = overdriven(tmp_path, lambda bench: None)

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert once.passed
    assert highest(bench) > 24.5


@pytest.mark.parametrize(
    ("disturb", "result", "says"),
    [
        (turn_the_knob, AttemptResult.BROKEN_OFF, "though set to 25 V and not in current limit"),
        (fall_silent, AttemptResult.BROKEN_OFF, "did not answer 2 looks in a row"),
        (
            lambda bench: taking(bench, lambda volts: 24.9 if volts == 25.0 else volts),
            AttemptResult.BROKEN_OFF,
            "was set to 25 V but the supply reads back 24.9 V",
        ),
        (read_nothing_back, AttemptResult.BROKEN_OFF, "VIN was set to 25 V, and at the end nothing says that it is"),
    ],
    ids=["knob", "silence", "read-back differs", "no read-back"],
)
def test_an_apply_that_ends_on_a_setting_in_doubt_is_not_known_to_be_done(
    disturb: Callable[[SimulatedBench], None], result: AttemptResult, says: str, tmp_path: Path
) -> None:
    outcome, bench, once = overdriven(tmp_path, disturb)

    assert outcome.result is result
    assert says in outcome.cause
    assert not once.passed
    assert once.said.startswith(f"{UNKNOWN} at ")
    (ended,) = (told.text for told in bench.told if told.data.get("kind") == "irreversible-ended")
    assert "ended on MBL-0001, not known whether it was done: " in ended
    assert says in ended
    held = [told for told in bench.told if told.kind == "going" and told.text == "hold VIN at 25 V"]
    assert held, "power was cut before the step was over"
    assert not bench.on()


@pytest.mark.parametrize(
    "disturb",
    [
        lambda bench: taking(bench, lambda volts: 17.9 if volts == 18.0 else volts),
        lambda bench: bench.clock.at(
            bench.clock.monotonic() + 8.0, lambda: bench.world.set_voltage(1, 15.0, bench.clock.monotonic())
        ),
    ],
    ids=["when set", "while held"],
)
def test_a_doubt_on_the_way_keeps_the_voltage_from_being_raised(
    disturb: Callable[[SimulatedBench], None], tmp_path: Path
) -> None:
    outcome, bench, once = overdriven(tmp_path, disturb)

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert highest(bench) < 19.0
    assert once.said.startswith(f"{UNKNOWN} at ")


def test_a_protection_that_is_not_taken_after_an_irreversible_apply_is_a_doubt(tmp_path: Path) -> None:
    def disturb(bench: SimulatedBench) -> None:
        told = bench.supply.set_protection
        bench.supply.set_protection = lambda output, which, level, *delay: told(  # type: ignore[method-assign]
            output, which, 0.5 if level and which is Protection.OVER_CURRENT else level, *delay
        )

    outcome, _, once = overdriven(tmp_path, disturb)

    assert "the over-current protection was set to" in outcome.cause
    assert once.said.startswith(f"{UNKNOWN} at ")


def test_one_that_was_cut_off_says_in_its_step_that_nobody_knows() -> None:
    bench, fake = at_work(takes=math.inf)
    when_begun(fake, 5.0, lambda: bench.clock.interrupt(Interruption.CTRL_C, bench.clock.monotonic()))

    bench.run()

    _, became, result, why, _ = bench.record.ended_steps[2]
    assert (became, result) == (StepOutcome.DONE, "")
    assert why == "ended with the attempt, irreversible and begun: it is not known whether it was done"
