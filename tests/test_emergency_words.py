"""What the emergency way off tells a person who stands before a supply that does not answer."""

from __future__ import annotations

import pytest

from bringup.core.bench import SupplyRole
from bringup.runner.emergency import Alarm, emergency_off
from bringup.runner.guarding import Guarding
from bringup.runner.joined_supply import JoinedSupply
from bringup.runner.pending import Pending
from bringup.runner.roles import Done, OutputSettings, Supply
from bringup.runner.unguarded import Unguarded
from tests.fakes import SupplyFake
from tests.test_wait import Desk


class Mute(SupplyFake):
    """Says that it switched off, and never whether it is."""

    def all_off(self) -> Pending[Done]:
        return self._done("all off", on=None)

    def settings(self, output: int) -> Pending[OutputSettings]:
        return Pending(self.clock.monotonic() + 1.0, self.clock.wake)


def test_no_name_of_a_class_is_put_before_a_person() -> None:
    desk = Desk()
    supply = Mute(desk.clock)
    desk.ask.press_at(30.0, "q")

    ended = emergency_off(supply, (1,), desk.waits, desk.journal, Guarding(Unguarded(), desk.waits))

    assert ended.verified is False
    whys = [str(told.data["why"]) for told in desk.told if told.kind == "off-unknown"]
    assert "the supply did not answer in time: when asked whether output 1 is off" in whys[0]
    assert not [why for why in whys if "Error" in why]


class Knob(SupplyFake):
    """A supply by hand: switched off, and said so, after a while."""

    def all_off(self) -> Pending[Done]:
        pending: Pending[Done] = Pending(self.clock.monotonic() + 120.0, self.clock.wake)
        self.clock.at(self.clock.monotonic() + 60.0, lambda: pending.settle(Done(on=False)), wakes=False)
        return pending


def test_the_load_does_not_wait_for_the_hand_at_the_supply() -> None:
    desk = Desk()
    supply, off_at = Knob(desk.clock, by_hand=True), list[float]()
    begun = desk.clock.monotonic()

    ended = emergency_off(
        supply,
        (1,),
        desk.waits,
        desk.journal,
        Guarding(Unguarded(), desk.waits),
        lambda: off_at.append(desk.clock.monotonic() - begun),
    )

    assert ended.verified
    assert desk.clock.monotonic() - begun >= 60.0
    assert off_at == [0.0]


class StillOn(Mute):
    """Says that it is on though it was told off, and then nothing more."""

    def all_off(self) -> Pending[Done]:
        return self._done("all off", on=True)


class Hung(Mute):
    """Its call never comes back."""

    def all_off(self) -> Pending[Done]:
        self.calls.append(("all off",))
        return Pending(self.clock.monotonic() + 3.0, self.clock.wake)


def _joined(*parts: SupplyFake) -> JoinedSupply:
    names = ("supply", "supply drive")
    roles = [SupplyRole("", "x", {f"V{n}": 1}, name=names[n], first=100 * n) for n in range(len(parts))]
    return JoinedSupply(list(zip(roles, parts, strict=True)))


@pytest.mark.parametrize("kinds", [(StillOn,), (Hung, StillOn), (StillOn, Hung)])
def test_one_that_says_it_is_on_is_never_taken_for_off_because_nothing_more_is_heard(
    kinds: tuple[type[SupplyFake], ...],
) -> None:
    desk = Desk()
    parts = [kind(desk.clock) for kind in kinds]
    supply: Supply = parts[0] if len(parts) == 1 else _joined(*parts)
    desk.ask.press_at(60.0, "q")

    ended = emergency_off(
        supply,
        supply.outputs(),
        desk.waits,
        desk.journal,
        Guarding(Unguarded(), desk.waits),
        alarm=Alarm(known_off=True),
    )

    assert (ended.verified, ended.still_off) == (False, False)
    assert [told for told in desk.told if told.kind == "off-unknown"]


def test_the_one_of_several_that_does_not_come_back_is_named() -> None:
    desk = Desk()
    supply = _joined(SupplyFake(desk.clock), Hung(desk.clock))
    desk.ask.press_at(60.0, "q")

    emergency_off(supply, (1, 101), desk.waits, desk.journal, Guarding(Unguarded(), desk.waits))

    whys = [str(told.data["why"]) for told in desk.told if told.kind == "off-unknown"]
    assert "supply drive: no answer in time" in whys[0]
