"""Supplies that take their time: watched all the same, each look given what it takes, or refused before power."""

from __future__ import annotations

import math

import pytest

from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.procedure import Dwell, Measure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.replies import Value
from bringup.core.words import AttemptResult, Result
from bringup.errors import BenchError
from bringup.host.vigil import HANG_BOUND
from bringup.runner.endings import SupplyLost
from bringup.runner.pending import Pending
from bringup.runner.protocols import Told
from bringup.runner.records import Interruption, LinkFault, PollSample
from bringup.runner.setup import AttemptOutcome
from bringup.runner.watch import LONGEST_LOOK, LOOKS_OF_PATIENCE
from bringup.runner.work import Judged, judged_result
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps
from tests.test_wait import Desk

APPLY = picked("apply").steps[0]
DWELL = Step(1, Dwell(parse_quantity("20 s")))


def slow(latency: float, *faults: Fault) -> SimulatedBench:
    """A bench whose supply takes so long for each answer."""
    bench = simulated_bench(with_steps(APPLY, DWELL), history=SEEN, faults=faults)
    bench.supply_link.troubles.late_from, bench.supply_link.troubles.late_by = 0.0, latency
    return bench


@pytest.mark.parametrize("latency", [0.0, 0.05, 0.08, 0.1, 0.15, 0.2])
def test_a_slow_supply_is_watched_and_never_taken_for_silent(latency: float) -> None:
    bench = slow(latency)

    outcome = bench.run()

    assert (outcome.result, outcome.cause) == (AttemptResult.PASSED, "")
    on = bench.supply_link.sent[bench.supply_link.sent.index("OUTP ON") :]
    assert "VOLT:PROT:STAT?" not in on, "settings were asked for anew as after a silence"
    samples = [sample for batch in bench.record.batches for sample in batch]
    assert all(None not in (sample.volts, sample.amps, sample.on, sample.mode) for sample in samples)
    assert any(sample.set_volts == 24 for sample in samples)
    assert any(sample.set_amps == 0.4 for sample in samples)


def test_a_slow_supply_is_asked_for_one_set_point_after_the_other() -> None:
    bench = slow(0.1)

    bench.run()

    samples = [sample for batch in bench.record.batches for sample in batch]
    told = [(sample.set_volts is None, sample.set_amps is None) for sample in samples]
    assert set(told) == {(True, False), (False, True)}


def test_a_meter_reads_on_while_a_slow_supply_is_looked_at() -> None:
    bench = slow(0.2)
    bench.procedure = with_steps(APPLY, Step(1, Measure(("12V0", "5V0"))))

    outcome = bench.run()

    rails = [each for each in outcome.readings if each.point in ("12V0", "5V0")]
    assert [(each.result, each.unsettled) for each in rails] == [(Result.PASS, False)] * 2
    assert all(each.input_volts == pytest.approx(24, abs=0.1) for each in rails)


@pytest.mark.parametrize("latency", [0.08, 0.2])
def test_a_slow_supply_trips_within_two_samples(latency: float) -> None:
    bench = slow(latency, Fault("VIN", FaultKind.SHORTED_THROUGH, 60.0, after=8.0))

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    samples = [sample for batch in bench.record.batches for sample in batch]
    bad = [sample for sample in samples if (sample.amps or 0.0) > 0.3]
    assert 1 <= len(bad) <= 2
    assert outcome.off_verified is True


@pytest.mark.parametrize("latency", [0.1, 0.2])
def test_a_slow_supply_that_falls_silent_is_lost(latency: float) -> None:
    bench = slow(latency)

    def tell(told: Told) -> None:
        if told.kind == "step-begun" and told.step == 1:
            silent = bench.supply_link.troubles
            silent.silent_from, silent.silent_until = bench.clock.monotonic() + 5.0, bench.clock.monotonic() + 12.0

    outcome = bench.run(tell=tell)

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "the supply did not answer 2 looks in a row" in outcome.cause
    assert outcome.off_verified is True


def test_the_slowest_supply_is_lost_before_the_guardian_takes_its_silence_for_a_hang() -> None:
    assert 2 * LOOKS_OF_PATIENCE * LONGEST_LOOK < HANG_BOUND


def test_what_never_settled_fails_with_limits_or_without() -> None:
    for limits in (None, parse_limits("4 V .. 6 V")):
        assert judged_result(Value(5.0, "5.0"), Judged(limits), unsettled=True) is Result.FAIL
    assert judged_result(Value(5.0, "5.0"), Judged(), unsettled=False) is Result.RECORDED


def test_a_supply_too_slow_to_be_watched_is_refused_before_power() -> None:
    bench = slow(0.4)

    with pytest.raises(BenchError, match=r"too slow to be watched: it takes 400 ms for an answer, and so 2.8 s for a"):
        bench.run()

    assert all(text.endswith("?") or "INST" in text for text in bench.supply_link.sent)


def test_the_words_of_a_late_look_say_how_long_was_waited() -> None:
    desk = Desk()
    desk.watch.look_takes = 1.2
    desk.supply.answers_after = math.inf
    desk.switch_on()

    with pytest.raises(SupplyLost, match=r"not everything was answered within 2 s, where a look took 1\.2 s"):
        desk.waits.sleep(10.0)


def test_the_silence_of_a_quick_supply_is_noticed_in_its_own_time_beside_a_slow_one() -> None:
    desk = Desk()
    desk.watch.paced({"supply": 0.05, "supply drive": 1.9})
    desk.supply.answers_after = math.inf
    desk.switch_on()
    begun = desk.clock.monotonic()

    with pytest.raises(SupplyLost):
        desk.waits.sleep(10.0)

    assert desk.clock.monotonic() - begun < 2.5


def test_a_look_that_takes_what_looks_take_is_not_late() -> None:
    desk = Desk()
    desk.watch.look_takes = 1.2
    desk.supply.answers_after = 1.7
    watched = desk.switch_on()

    desk.waits.sleep(30.0)

    assert watched.silent == 0
    assert len(desk.supply.polled_at) > 15


def stopped_within_a_look(latency: float, after: float) -> tuple[SimulatedBench, float, AttemptOutcome]:
    """Interrupt in the middle of a look; returns the seconds until the message that switches off went out."""
    bench = slow(latency)
    link, went_out = bench.supply_link, list[float]()
    begun = list[float]()

    class Sent(list[str]):
        def append(self, text: str) -> None:
            now = bench.clock.monotonic()
            on = "OUTP ON" in self
            if on and text == "MEAS:VOLT?" and not begun and now > 5.0:
                begun.append(now)
                bench.clock.interrupt(Interruption.CTRL_C, now + after)
            if begun and text == "OUTP OFF":
                went_out.append(now)
            super().append(text)

    link.sent = Sent()
    outcome = bench.run()
    return bench, went_out[0] - begun[0] - after, outcome


@pytest.mark.parametrize("latency", [0.05, 0.1, 0.2, 0.25])
def test_off_waits_for_the_answer_under_way_and_for_no_more_of_the_look(latency: float) -> None:
    bench, waited, outcome = stopped_within_a_look(latency, after=1.5 * latency)

    assert waited <= latency + 0.03  # what the simulated supply itself takes to answer
    assert (outcome.result, outcome.off_verified) == (AttemptResult.CALLED_OFF, True)
    assert not bench.on()


def test_a_look_that_gave_way_to_another_outputs_off_is_no_silence() -> None:
    desk = Desk()
    watched = desk.switch_on()
    watched.pending = Pending(1.0)
    watched.pending.settle(PollSample(0.0, 1, fault=LinkFault.GAVE_WAY))

    desk.watch.service()

    assert (watched.silent, watched.latest) == (0, None)
    assert watched.pending is not None, "it is looked at again at once"
