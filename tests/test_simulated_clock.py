"""The simulated clock and the in-memory link that runs on it."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.runner.pending import Pending
from bringup.runner.records import Interruption, LinkFault, Reply
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.memory_link import MemoryLink, Troubles
from tests.fake_instrument import EchoInstrument


def ask(text: str, timeout: float = 2.0) -> Message:
    return Message(text, ReplyKind.NUMBER, timeout)


def await_all(clock: SimulatedClock, pending: Pending[tuple[Reply, ...]]) -> tuple[Reply, ...]:
    while not pending.done:
        clock.wait(pending.deadline)
        assert clock.monotonic() < pending.deadline, "the link let its own deadline pass"
    return pending.value()


def test_wait_jumps_to_its_end_and_utc_follows() -> None:
    clock = SimulatedClock(datetime(2026, 3, 1, tzinfo=UTC))

    clock.wait(90.5)

    assert clock.monotonic() == 90.5
    assert clock.utc() == datetime(2026, 3, 1, 0, 1, 30, 500000, tzinfo=UTC)


def test_wait_stops_at_the_first_event_and_time_never_runs_backwards() -> None:
    clock = SimulatedClock()
    seen: list[float] = []
    clock.at(2.0, lambda: seen.append(clock.monotonic()))
    clock.at(1.0, lambda: seen.append(clock.monotonic()))

    clock.wait(10.0)

    assert (clock.monotonic(), seen) == (1.0, [1.0])
    clock.wait(0.5)
    assert clock.monotonic() == 1.0
    clock.wait(10.0)
    assert (clock.monotonic(), seen) == (2.0, [1.0, 2.0])


@given(st.lists(st.integers(0, 3), max_size=20))
def test_events_run_by_time_and_ties_in_the_order_they_were_scheduled(times: list[int]) -> None:
    clock = SimulatedClock()
    seen: list[tuple[int, int]] = []
    for index, moment in enumerate(times):
        clock.at(moment, lambda pair=(moment, index): seen.append(pair), wakes=False)  # type: ignore[misc]

    clock.wait(3.0)

    assert seen == sorted((moment, index) for index, moment in enumerate(times))


def test_housekeeping_events_do_not_end_a_wait() -> None:
    clock = SimulatedClock()
    clock.at(1.0, lambda: None, wakes=False)

    clock.wait(4.0)

    assert clock.monotonic() == 4.0


def test_a_wake_before_the_wait_is_not_lost() -> None:
    clock = SimulatedClock()
    clock.wake()

    clock.wait(5.0)

    assert clock.monotonic() == 0.0
    clock.wait(5.0)
    assert clock.monotonic() == 5.0


def test_a_wait_that_nothing_can_end_is_an_error() -> None:
    with pytest.raises(RuntimeError, match="everybody waits and nothing is scheduled"):
        SimulatedClock().wait(math.inf)


def test_interruptions_wake_and_stay_until_acknowledged_in_order() -> None:
    clock = SimulatedClock()
    clock.interrupt(Interruption.TERMINATE, 2.0)
    clock.interrupt(Interruption.CTRL_C, 1.0)

    clock.wait(9.0)
    assert (clock.monotonic(), clock.interruption()) == (1.0, Interruption.CTRL_C)
    clock.wait(9.0)
    assert (clock.monotonic(), clock.interruption()) == (2.0, Interruption.CTRL_C)
    clock.acknowledge()
    assert clock.interruption() is Interruption.TERMINATE
    clock.acknowledge()
    assert clock.interruption() is None


def test_a_link_identifies_first_then_carries_the_batch_one_after_the_other() -> None:
    clock, instrument = SimulatedClock(), EchoInstrument()
    link = MemoryLink("meter", instrument, clock)

    replies = await_all(clock, link.submit([ask("WAIT? 0.5"), Message("VOLT 1"), ask("WAIT? 0.25")]))

    assert [reply.line for reply in replies] == ["0.500000", None, "0.750000"]
    assert [reply.fault for reply in replies] == [None, None, None]
    assert [(reply.sent, reply.received) for reply in replies] == [(0.0, 0.5), (0.5, 0.5), (0.5, 0.75)]
    assert link.identity is not None
    assert (link.identity.model, link.identity.simulated) == ("ECHO-1", True)
    assert instrument.seen[0] == ("*IDN?", 0.0)


def test_batches_of_two_links_overlap_in_time() -> None:
    clock = SimulatedClock()
    meter, supply = MemoryLink("meter", EchoInstrument(), clock), MemoryLink("supply", EchoInstrument(), clock)

    slow = meter.submit([ask("WAIT? 1")])
    quick = [supply.submit([ask("WAIT? 0.2")]) for _ in range(3)]

    assert [await_all(clock, pending)[0].line for pending in quick] == ["0.200000", "0.400000", "0.600000"]
    assert not slow.done
    assert await_all(clock, slow)[0].line == "1.000000"


def test_a_late_answer_is_a_time_out_and_the_link_identifies_again_after_the_instrument_is_free() -> None:
    clock, instrument = SimulatedClock(), EchoInstrument()
    link = MemoryLink("meter", instrument, clock)

    replies = await_all(clock, link.submit([ask("WAIT? 3"), Message("VOLT 5")]))

    assert [reply.fault for reply in replies] == [LinkFault.TIMEOUT, LinkFault.NOT_SENT]
    assert clock.monotonic() == 2.0
    again = await_all(clock, link.submit([ask("TIME?")]))
    assert (again[0].line, again[0].fault) == ("3.000000", None)
    assert [text for text, _ in instrument.seen] == ["*IDN?", "WAIT? 3", "*IDN?", "TIME?"]


def test_a_lost_link_fails_at_that_moment_and_carries_nothing_out_later() -> None:
    clock, instrument = SimulatedClock(), EchoInstrument()
    link = MemoryLink("supply", instrument, clock, troubles=Troubles(lost_at=0.3))

    under_way = await_all(clock, link.submit([ask("WAIT? 1")]))
    later = await_all(clock, link.submit([Message("OUTP OFF"), ask("OUTP?")]))

    assert (under_way[0].fault, under_way[0].received) == (LinkFault.LOST, 0.3)
    assert [reply.fault for reply in later] == [LinkFault.LOST, LinkFault.NOT_SENT]
    assert "OUTP OFF" not in [text for text, _ in instrument.seen]


@pytest.mark.parametrize("obeys", [False, True])
def test_a_silent_instrument_times_out_and_obeys_only_if_told_to(obeys: bool) -> None:
    clock, instrument = SimulatedClock(), EchoInstrument()
    link = MemoryLink("supply", instrument, clock, troubles=Troubles(silent_from=1.0, obeys_while_silent=obeys))
    await_all(clock, link.submit([ask("TIME?")]))
    clock.wait(1.5)

    replies = await_all(clock, link.submit([Message("OUTP OFF"), ask("TIME?", 0.5)]))

    assert [reply.fault for reply in replies] == [None, LinkFault.TIMEOUT]
    assert ("OUTP OFF" in [text for text, _ in instrument.seen]) is obeys


def test_no_setting_goes_out_to_another_instrument_in_the_same_place() -> None:
    clock, instrument = SimulatedClock(), EchoInstrument()
    link = MemoryLink("supply", instrument, clock, troubles=Troubles())
    await_all(clock, link.submit([ask("WAIT? 3")]))
    instrument.name = "ECHO-2"

    for _ in range(2):
        replies = await_all(clock, link.submit([Message("VOLT 5"), ask("TIME?")]))
        assert [reply.fault for reply in replies] == [LinkFault.OTHER_INSTRUMENT, LinkFault.NOT_SENT]
    assert "VOLT 5" not in [text for text, _ in instrument.seen]


def test_late_answers_come_by_so_much_later() -> None:
    clock = SimulatedClock()
    link = MemoryLink("meter", EchoInstrument(), clock, troubles=Troubles(late_from=0.0, late_by=0.75))

    assert await_all(clock, link.submit([ask("TIME?")]))[0].received == 1.5


def test_a_line_that_cannot_be_the_answer_is_a_stray_and_the_wait_goes_on() -> None:
    clock = SimulatedClock()
    link = MemoryLink("meter", EchoInstrument(), clock, troubles=Troubles(garbage={"TIME?": "~#?!"}))

    replies = await_all(clock, link.submit([ask("WAIT? 0.5"), ask("TIME?", 0.25), ask("WAIT? 1")]))

    assert [(reply.line, reply.fault, reply.strays) for reply in replies] == [
        ("0.500000", None, ()),
        (None, LinkFault.TIMEOUT, ("~#?!",)),
        (None, LinkFault.NOT_SENT, ()),
    ]
    assert clock.monotonic() == 0.75


def test_closing_loses_what_is_under_way() -> None:
    clock = SimulatedClock()
    link = MemoryLink("meter", EchoInstrument(), clock)
    pending = link.submit([ask("WAIT? 1")])

    link.close()

    assert pending.value()[0].fault is LinkFault.LOST
    assert await_all(clock, link.submit([ask("TIME?")]))[0].fault is LinkFault.LOST
