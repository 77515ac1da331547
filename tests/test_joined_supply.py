"""Several supplies taken for one: who is asked, in whose numbers, and what off comes to when one of them fails."""

from __future__ import annotations

import pytest

from bringup.core.bench import SupplyRole
from bringup.errors import LinkError
from bringup.runner.feed import Feed
from bringup.runner.joined_supply import JoinedSupply, gathered
from bringup.runner.pending import Pending
from bringup.runner.protecting import Protecting
from bringup.runner.records import LinkFault
from bringup.runner.roles import Done, Protection, Trouble
from bringup.simulation.clock import SimulatedClock
from tests.fakes import SupplyFake
from tests.test_wait import Desk

SILENT = Done(troubles=(Trouble("OUTP OFF", "no answer in time", fault=LinkFault.TIMEOUT),))


class Part(SupplyFake):
    """A supply whose answer to off a test decides."""

    off: Done | Exception = Done(on=False)
    protects = False

    def all_off(self) -> Pending[Done]:
        pending = self._done("all off")
        if isinstance(self.off, LinkError):
            failed: Pending[Done] = Pending(pending.deadline)
            failed.fail(self.off)
            return failed
        if isinstance(self.off, Exception):
            raise self.off
        told: Pending[Done] = Pending(pending.deadline)
        told.settle(self.off)
        return told

    def can_protect(self, output: int, protection: Protection) -> bool:
        return self.protects


def joined(*offs: Done | Exception) -> tuple[JoinedSupply, list[Part]]:
    clock, parts = SimulatedClock(), []
    for off in offs:
        part = Part(clock)
        part.off = off
        parts.append(part)
    names = ("supply", "supply drive", "supply bias")
    roles = [SupplyRole("", "x", {f"V{n}": 1}, name=names[n], first=100 * n) for n in range(len(parts))]
    return JoinedSupply(list(zip(roles, parts, strict=True))), parts


OFF, ON, UNSAID = Done(on=False), Done(on=True), Done()


@pytest.mark.parametrize(
    ("offs", "on"),
    [
        ((OFF, OFF), False),
        ((OFF, ON), True),
        ((ON, SILENT), True),
        ((OFF, SILENT), None),
        ((SILENT, OFF), None),
        ((OFF, UNSAID), None),
        ((LinkError("gone", instrument="supply"), OFF), None),
        ((OFF, RuntimeError("odd")), None),
        ((RuntimeError("odd"), OFF, OFF), None),
    ],
)
def test_off_is_known_only_where_every_one_says_so_and_all_are_told(
    offs: tuple[Done | Exception, ...], on: bool | None
) -> None:
    it, parts = joined(*offs)

    done = it.all_off().value()

    assert done.on is on
    assert [part.calls for part in parts] == [[("all off",)]] * len(parts)


def test_what_went_wrong_names_the_supply() -> None:
    it, _ = joined(OFF, SILENT)

    (trouble,) = it.all_off().value().troubles

    assert (trouble.instrument, trouble.text) == ("supply drive", "supply drive: no answer in time")
    assert trouble.fault is LinkFault.TIMEOUT


@pytest.mark.parametrize("answered", [ON, UNSAID])
def test_one_that_answers_and_is_not_off_is_not_taken_for_silence(answered: Done) -> None:
    """Silence alone may mean that nothing has changed since off was verified; an answer never does."""
    it, _ = joined(answered, SILENT)

    (trouble,) = it.all_off().value().troubles

    assert trouble.fault is None
    assert trouble.wrong


def test_each_output_is_told_at_its_own_supply_by_its_own_number() -> None:
    it, (first, second) = joined(OFF, OFF)
    second.protects = True

    it.switch(101, True)
    it.set_voltage(1, 12.0)

    assert first.calls == [("volts", 1, 12.0)]
    assert second.calls == [("switch", 1, True)]
    assert list(it.outputs()) == [1, 101]
    assert (it.instrument(1), it.instrument(101)) == ("supply", "supply drive")
    assert (it.called(1), it.called(101)) == ("output 1 of the supply", "output 1 of the supply drive")
    assert it.settings(101).value().output == 101
    assert [it.can_protect(each, Protection.WATCHDOG) for each in (1, 101)] == [False, True]
    assert it.set_voltage(101, 5.0).whose == "supply drive"


def test_an_output_that_none_of_them_has_is_told_to_nobody() -> None:
    it, parts = joined(OFF, OFF)

    with pytest.raises(KeyError):
        it.switch(2, True)

    assert not any(part.calls for part in parts)


def test_all_are_waited_for_by_the_latest_deadline_and_what_is_done_counts_for_none() -> None:
    early, late, done = Pending[int](10.0), Pending[int](20.0), Pending[int](float("inf"))
    done.settle(1)

    everything = gathered([early, late, done])

    assert everything.deadline == 20.0
    seen = [everything.done]
    late.settle(2)
    seen.append(everything.done)
    early.fail(LinkError("gone", instrument="supply"))
    seen.append(everything.done)
    assert seen == [False, False, True]
    assert gathered([done]).done


def test_each_supply_that_cannot_be_asked_of_a_protection_is_said_once() -> None:
    it, parts = joined(OFF, OFF)
    desk = Desk()
    for part in parts:
        part.protects = True
    protecting = Protecting(desk.waits, desk.journal)

    for output in (1, 101, 101):
        protecting.against_over_voltage(it, Feed("VIN", output, 12.0, 0.1, 0.3, over_voltage=13.2))

    assert [text for kind, text, _ in desk.record.events if kind == "unread"] == [
        "the supply cannot be asked whether its over-voltage protection is on",
        "the supply drive cannot be asked whether its over-voltage protection is on",
    ]
