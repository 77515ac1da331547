"""What an attempt tells its guardian, and when: in simulated time, with the power stage looked at each time."""

from __future__ import annotations

from dataclasses import dataclass, field

from bringup.core.words import AttemptResult
from bringup.host.vigil import HANG_BOUND, Vigil
from bringup.runner.pending import Pending
from bringup.runner.records import Interruption
from bringup.runner.unguarded import Unguarded
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench


@dataclass
class Listening(Unguarded):
    """A guardian that notes every line with its moment and whether the power stage was on then."""

    bench: SimulatedBench
    told: list[tuple[float, str, bool]] = field(default_factory=list)
    lost_from: float = float("inf")

    def _note(self, line: str) -> None:
        self.told.append((self.bench.clock.monotonic(), line, self.bench.on()))

    @property
    def lost(self) -> str:  # type: ignore[override]
        return "it has ended" if self.bench.clock.monotonic() >= self.lost_from else ""

    def ready(self) -> Pending[None]:
        self._note("ready")
        return super().ready()

    def attempt(self, attempt: str) -> None:
        self._note(f"attempt {attempt}")

    def on(self) -> Pending[None]:
        self._note("on")
        return super().on()

    def beat(self) -> None:
        self._note("beat")

    def ending(self, seconds: float) -> None:
        self._note(f"ending {seconds}")

    def off(self) -> None:
        self._note("off")

    def load_left(self) -> None:
        self._note("load left")

    def closed(self) -> None:
        self._note("closed")

    def words(self) -> list[str]:
        return [line.partition(" ")[0] for _, line, _ in self.told]


def listening(*kinds: str) -> tuple[SimulatedBench, Listening]:
    bench = simulated_bench(picked(*kinds) if kinds else simulated_bench().procedure, history=SEEN)
    return bench, Listening(bench)


def test_nothing_is_ever_on_that_the_guardian_does_not_know_of() -> None:
    bench, guard = listening("leads", "apply", "log", "power_off")
    believed: list[bool] = []
    looked = bench.told

    def looking(told: object) -> None:
        words = [word for word in guard.words() if word in ("on", "off")]
        believed.append(not bench.on() or words[-1:] == ["on"])

    outcome = bench.run(guard=guard, tell=looking)

    assert outcome.result is AttemptResult.PASSED
    assert looked == []
    assert len(believed) > 20
    assert all(believed)
    for _, line, on in guard.told:
        assert not (on and line in ("ready", "on", "off", "closed")), "told before it goes on, and after it is off"


def test_a_sound_attempt_is_never_silent_for_long() -> None:
    """Far from the bound: a slow machine must not be taken for a hang."""
    bench, guard = listening("leads", "apply", "measure", "log", "power_off")
    bench.run(guard=guard)

    vigil, longest, before = Vigil(), 0.0, 0.0
    for at, line, _ in guard.told:
        if vigil.on:
            longest = max(longest, at - before)
        vigil.heard(line, at)
        before = at
    assert guard.words().count("beat") > 20
    assert 0.0 < longest < HANG_BOUND / 5


def test_the_guardian_hears_that_all_is_off_before_it_hears_that_the_attempt_is_closed() -> None:
    bench, guard = listening("apply", "power_off")
    bench.run(guard=guard)

    words = guard.words()
    assert words[0] == "attempt"
    assert words[-1] == "closed"
    assert words.index("ready") < words.index("on") < words.index("beat")
    assert words[-3:-1].count("off") == 1


def test_an_emergency_announces_itself_and_its_end() -> None:
    bench, guard = listening("apply", "log")
    bench.clock.interrupt(Interruption.CTRL_C, 4.0)
    bench.run(guard=guard)

    words = guard.words()
    last_beat = len(words) - 1 - words[::-1].index("beat")
    assert words[last_beat + 1 :] == ["ending", "off", "closed"]


def test_an_attempt_does_not_go_on_without_its_guardian() -> None:
    bench, guard = listening("apply", "log")
    guard.lost_from = 4.0
    outcome = bench.run(guard=guard)

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.cause == "the guardian is gone while an output is on: it has ended"
    assert outcome.off_verified is True
    assert not bench.on()
