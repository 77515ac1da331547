"""What the emergency way off tells a person who stands before a supply that does not answer."""

from __future__ import annotations

from bringup.runner.emergency import emergency_off
from bringup.runner.guarding import Guarding
from bringup.runner.pending import Pending
from bringup.runner.roles import Done, OutputSettings
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
