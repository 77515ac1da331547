"""Ctrl-C, SIGTERM, Ctrl-Z and the rest at every kind of step: off and verified, readings kept, the right result."""

from __future__ import annotations

from functools import cache

import pytest

from bringup.core.procedure import Action, Channel, Dwell, Inspect, Log, Measure, Note, Procedure, Question, Step
from bringup.core.quantity import parse_quantity
from bringup.core.unpowered import Resistance
from bringup.core.words import AttemptResult, Kind, StepOutcome
from bringup.errors import Stopped
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.protocols import Told
from bringup.runner.records import Interruption, UnitHistory
from bringup.simulation.instrument import take
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps

LOG = Log((Channel("VIN", Kind.CURRENT, "VIN current"),), parse_quantity("1 s"), parse_quantity("200 ms"))
AROUND: dict[str, Procedure] = {
    "resistance": with_steps(Step(0, Resistance(("1V8",)))),
    "leads": picked("leads", "apply"),
    "apply": picked("apply", "measure"),
    "measure": with_steps(picked("apply").steps[0], Step(1, Measure(("5V0", "3V3"))), Step(2, Note("not reached"))),
    "log": with_steps(picked("apply").steps[0], Step(1, LOG), Step(2, Note("not reached"))),
    "dwell": with_steps(picked("apply").steps[0], Step(1, Dwell(parse_quantity("2 s"))), Step(2, Note("not reached"))),
    "power_off": picked("apply", "power_off"),
}
"""The shortest procedure in which each kind of step is met."""


@cache
def span(kind: str) -> tuple[float, float]:
    """When the step of that kind begins and ends, in an undisturbed run."""
    bench = simulated_bench(AROUND[kind], history=SEEN)
    times: dict[str, list[float]] = {}
    bench.run(tell=lambda told: times.setdefault(told.kind, []).append(bench.clock.monotonic()))
    index = next(step.index for step in AROUND[kind].steps if step.kind == kind)
    return times["step-begun"][index], times["step-ended"][index]


def interrupted_in(kind: str, interruption: Interruption) -> SimulatedBench:
    """Return a bench that will be interrupted in the middle of that step."""
    begun, ended = span(kind)
    bench = simulated_bench(AROUND[kind], history=SEEN)
    bench.clock.interrupt(interruption, begun + 0.6 * (ended - begun))
    return bench


EVERYWHERE = (Interruption.CTRL_C, Interruption.TERMINATE, Interruption.SUSPEND)
MET = [(kind, interruption, AttemptResult.CALLED_OFF) for kind in sorted(AROUND) for interruption in EVERYWHERE]


@pytest.mark.parametrize(
    ("kind", "interruption", "result"), [*MET, ("log", Interruption.HANG_UP, AttemptResult.BROKEN_OFF)]
)
def test_an_interruption_in_any_step_switches_off(kind: str, interruption: Interruption, result: AttemptResult) -> None:
    bench = interrupted_in(kind, interruption)
    stopped: list[bool] = []

    outcome = bench.run(suspend=lambda: stopped.append(bench.on()))

    assert outcome.result is result
    assert outcome.exit_code == 3
    assert not bench.on()
    assert outcome.off_verified is (None if kind == "resistance" else True)
    assert bench.clock.interruption() is None
    assert stopped == ([False] if interruption is Interruption.SUSPEND else [])
    assert [reading.id for reading in bench.record.readings] == [reading.id for reading in outcome.readings]
    assert bool(outcome.readings) is (kind != "leads")
    assert [step[0] for step in bench.record.ended_steps] == [step.index for step in AROUND[kind].steps]
    last = bench.record.ended_steps[-1][1]
    assert last is (StepOutcome.DONE if AROUND[kind].steps[-1].kind == kind else StepOutcome.NOT_REACHED)
    assert bench.record.ends[0][0] is result
    assert "interrupted" in bench.record.kinds()


@pytest.mark.parametrize("part", [0.02, 0.1, 0.3, 0.6, 0.95, 0.99])
def test_no_moment_of_powering_up_leaves_it_on(part: float) -> None:
    """Also while settings are on the wire, and between the word `on` and its answer."""
    procedure = picked("apply")
    undisturbed = simulated_bench(procedure, history=SEEN)
    undisturbed.run()
    bench = simulated_bench(procedure, history=SEEN)
    bench.clock.interrupt(Interruption.CTRL_C, part * undisturbed.clock.monotonic())

    outcome = bench.run()

    assert outcome.result is AttemptResult.CALLED_OFF
    assert not bench.on()


def test_a_second_interruption_during_switching_off_does_not_stop_it() -> None:
    begun, ended = span("measure")
    at = begun + 0.5 * (ended - begun)
    bench = simulated_bench(AROUND["measure"], history=SEEN)
    for later in (0.0, 0.0005, 0.001, 0.002, 0.004):
        bench.clock.interrupt(Interruption.CTRL_C, at + later)

    outcome = bench.run()

    assert outcome.result is AttemptResult.CALLED_OFF
    assert outcome.off_verified is True
    assert not bench.on()


def test_an_interruption_while_a_question_is_open_takes_it_away() -> None:
    waiting = Scripted(Answer("a"), kind=PromptKind.GO, delay=1e9)
    bench = simulated_bench(picked("apply"), history=SEEN)
    ask = SimulatedPerson(attended=True, script=[waiting], clock=bench.clock)
    withdrawn: list[float] = []
    ask.withdraw = lambda: withdrawn.append(bench.clock.monotonic())  # type: ignore[method-assign]
    bench.clock.interrupt(Interruption.CTRL_C, 5.0)

    outcome = bench.run(ask=ask)

    assert withdrawn == [5.0]
    assert outcome.result is AttemptResult.CALLED_OFF
    assert outcome.off_verified is None


ASKING: dict[str, tuple[Action, PromptKind]] = {
    "inspect": (Inspect(("Nothing smells",)), PromptKind.CHECKLIST),
    "question": (Question("Which LED is lit?", choices=("green", "red")), PromptKind.CHOICE),
    "apply": (picked("apply").steps[0].action, PromptKind.GO),
}
"""Steps that ask a person something, and what they ask."""


@pytest.mark.parametrize("interruption", EVERYWHERE)
@pytest.mark.parametrize("kind", sorted(ASKING))
def test_an_interruption_while_a_step_asks_with_the_output_on_switches_off(
    kind: str, interruption: Interruption
) -> None:
    action, prompt = ASKING[kind]
    bench = simulated_bench(with_steps(picked("apply").steps[0], Step(1, action)), history=SEEN)
    first = [Scripted(Answer(), PromptKind.GO)] if prompt is PromptKind.GO else []
    never = Scripted(Answer(), prompt, delay=1e9)
    bench.ask = SimulatedPerson(attended=True, script=[*first, never], clock=bench.clock)
    bench.clock.interrupt(interruption, 30.0)
    was_on: list[bool] = []
    bench.clock.at(29.0, lambda: was_on.append(bench.on()), wakes=False)

    outcome = bench.run(suspend=lambda: None)

    assert was_on == [kind != "apply"], "an apply of an input that is on switches it off before it asks"
    assert outcome.result is AttemptResult.CALLED_OFF
    assert outcome.exit_code == 3
    assert outcome.off_verified is True
    assert not bench.on()
    assert [reading.id for reading in bench.record.readings] == [reading.id for reading in outcome.readings] != []


def test_an_interruption_before_the_attempt_begins_powers_nothing() -> None:
    bench = simulated_bench(AROUND["apply"])
    bench.clock.interrupt(Interruption.CTRL_C, 0.0)

    with pytest.raises(Stopped, match=r"called off by Ctrl-C, before the attempt began: nothing was powered") as caught:
        bench.run()

    assert caught.value.exit_code == 3
    assert bench.record.started == []


def test_off_asked_from_elsewhere_is_obeyed() -> None:
    bench = interrupted_in("log", Interruption.OFF_ASKED)

    outcome = bench.run()

    assert outcome.result is AttemptResult.CALLED_OFF
    assert "bringup off" in outcome.cause
    assert not bench.on()


def by_a_hand(bench: SimulatedBench) -> None:
    """Switch the output on as somebody at the supply's panel does."""
    for text in ("INST:NSEL 1", "VOLT 24", "CURR 0.4", "OUTP ON"):
        take(bench.supply_link._instrument, text.encode(), bench.clock.monotonic())
    assert bench.on()


def test_off_asked_from_elsewhere_means_also_what_nothing_here_has_touched() -> None:
    """A hand at the panel switched it on while the attempt only waits: the attempt says OFF only if it is."""
    bench = simulated_bench(with_steps(Step(0, Dwell(parse_quantity("5 s")))), history=SEEN)
    bench.clock.at(1.0, lambda: by_a_hand(bench))
    bench.clock.interrupt(Interruption.OFF_ASKED, 2.0)

    outcome = bench.run()

    assert outcome.result is AttemptResult.CALLED_OFF
    assert not bench.on()
    assert outcome.off_verified is True
    assert bench.record.ends[0][2] is True


def test_off_asked_once_the_steps_have_ended_is_obeyed_before_the_attempt_is_closed() -> None:
    bench = simulated_bench(with_steps(Step(0, Dwell(parse_quantity("5 s")))), history=SEEN)
    bench.clock.at(1.0, lambda: by_a_hand(bench))
    both = (Interruption.CTRL_C, Interruption.OFF_ASKED)
    bench.clock.at(2.0, lambda: bench.clock._interruptions.extend(both))

    outcome = bench.run()

    assert outcome.cause == "called off by Ctrl-C"
    assert not bench.on()
    assert outcome.off_verified is True


def test_the_key_q_calls_off() -> None:
    bench = simulated_bench(picked("apply", "log"), history=SEEN)
    person = SimulatedPerson(attended=True, clock=bench.clock)
    person.press("q", 4.0)

    outcome = bench.run(ask=person)

    assert (outcome.result, outcome.cause) == (AttemptResult.CALLED_OFF, "called off by the person")
    assert bench.clock.monotonic() < 4.5
    assert not bench.on()


def test_a_bug_in_the_tool_switches_off_before_it_shows() -> None:
    bench = simulated_bench(picked("apply", "measure"), history=UnitHistory())

    def broken(told: Told) -> None:
        if told.reading is not None:
            raise ZeroDivisionError("a bug")

    with pytest.raises(ZeroDivisionError, match="a bug"):
        bench.run(tell=broken)

    assert not bench.on()
    assert bench.record.ends[0][0] is AttemptResult.BROKEN_OFF
    assert "a bug in the tool: ZeroDivisionError" in bench.record.ends[0][1]
    assert bench.record.ends[0][2] is True


def test_a_view_that_breaks_in_an_emergency_does_not_keep_anything_on_or_open() -> None:
    bench = simulated_bench(picked("apply", "log"), history=SEEN)
    bench.clock.interrupt(Interruption.CTRL_C, 4.0)

    def broken(told: Told) -> None:
        if told.kind == "power" and "every output OFF" in told.text:
            raise ZeroDivisionError("a broken view")

    with pytest.raises(ZeroDivisionError, match="a broken view"):
        bench.run(tell=broken)

    assert not bench.on()
    assert bench.record.ends == [(AttemptResult.CALLED_OFF, "called off by Ctrl-C", True)]
