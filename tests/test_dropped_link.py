"""A supply that drops an idle link: while a person thinks nothing is on, and nothing of it may end an attempt."""

from __future__ import annotations

from typing import Any

import pytest

from bringup.core.words import AttemptResult
from bringup.runner.records import UnitHistory
from bringup.simulation.instrument import take
from bringup.simulation.person import SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench
from tests.idle_link import IdleLink


def thinking(seconds: float, *kinds: str, history: UnitHistory | None = SEEN) -> tuple[SimulatedBench, IdleLink]:
    """Return a bench whose supply drops a link after 5 s, with a person who takes so long for each answer."""
    bench = simulated_bench(picked(*kinds), history=history)
    bench.ask = SimulatedPerson(attended=True, clock=bench.clock, delay=seconds)
    link = IdleLink(bench.supply_link, bench.clock, 5.0)
    bench.supply._link = link  # type: ignore[attr-defined]
    return bench, link


def test_a_link_that_is_dropped_while_a_person_thinks_ends_nothing() -> None:
    bench, link = thinking(6.0, "resistance", "leads", "apply", history=None)

    outcome = bench.run()

    assert (outcome.result, outcome.off_verified) == (AttemptResult.PASSED, True)
    assert len(link.dropped) >= 3
    assert "link-dropped" in bench.record.kinds()
    assert "found-on" not in bench.record.kinds()


def test_nothing_that_sets_anything_goes_into_the_void_or_is_sent_again() -> None:
    bench, link = thinking(6.0, "leads", "apply")

    bench.run()

    assert link.dropped
    for batch in link.dropped:
        assert all("?" in text or text.startswith("INST:NSEL ") for text in batch)


def test_what_was_changed_at_the_panel_while_the_person_thought_is_found_before_power() -> None:
    bench, _ = thinking(6.0, "apply")
    ever: list[bool] = []

    def at_the_panel(told: Any) -> None:
        if told.kind == "prompt-answered" and "switches it ON" in told.text:
            take(bench.supply_link._instrument, b"INST:NSEL 1;:VOLT 12", bench.clock.monotonic())

        ever.append(bench.on())

    outcome = bench.run(tell=at_the_panel)

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "the voltage was set to 1 V but the supply reads back 12 V" in outcome.cause
    assert not any(ever)


@pytest.mark.parametrize("seconds", [0.0, 0.9])
def test_whoever_answers_at_once_is_not_kept_waiting(seconds: float) -> None:
    bench, link = thinking(seconds, "apply")

    assert bench.run().result is AttemptResult.PASSED
    assert not link.dropped
