"""A probe held by hand: how long a reading takes, and that no wrong one is taken.

Run by hand: `python tests/benchmarks/bench_hands_free.py [SEQUENCES] [PROCESSES]` (1,000 and 2). Whole attempts on the
simulated clock: the shipped board with a second 3.3 V rail beside the first, an output on and polled, rails measured.

Time. *Settling* is what the same meter takes on the same rail when the probe is wired to it, from being asked to the
reading that counts. *One integration* is the time between two successive replies of the meter, automatic zero included.
A hands-free reading is timed from the last moment at which the tip came down (after its last bounce) to the reply of
the reading that was taken. It is to take at most 1.2 times settling plus one integration, in the mean for each rail:
how long a noisy one takes is a matter of chance.

Wrong readings. In every sequence a seeded hand makes mistakes on its way to each of four points: stays on the last one,
goes to another rail, to a neighbouring pin (ground, a feedback node, an enable, other volts), slips to one and back,
slides over without lifting, makes bad contact, touches others on the way; the input may forget slowly; some units have
a fault. In the end the hand is on the point. The person presses Enter only with the probe where it should be. Wrong is
a reading that was kept for a point while the probe was on something else during any of its integration, and that no
key confirmed.
"""

from __future__ import annotations

import statistics
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from bringup.core.board import Board  # noqa: E402 - found through the line above
from bringup.core.faults import Fault, FaultKind  # noqa: E402 - as above
from bringup.runner.prompts import Prompt  # noqa: E402 - as above
from bringup.simulation.hand import Touching, bounced, course_to  # noqa: E402 - as above
from tests.benchmarks.machine import facts  # noqa: E402 - as above
from tests.fakes import BENCH, SimulatedBench  # noqa: E402 - as above
from tests.probe_hand import BY_HAND, held  # noqa: E402 - as above

AT_MOST = 1.2
APERTURE = 0.02
"""Seconds that the simulated meter integrates: one line period. Its automatic zero takes as long, before it answers."""
RAILS = ("12V0", "5V0", "3V3", "3V3A", "1V8", "VREF", "N12V")
PINS = (0.0, 0.0, 0.6, 0.8, 1.25, 2.9, 4.2, 9.7, 23.4, -5.1)
"""Volts of neighbouring pins: ground, feedback, enable, gate drive and the like; none that a rail sought may have."""
FAULTS = (
    Fault("3V3", FaultKind.CAPACITOR_MISSING),
    Fault("12V0", FaultKind.UPPER_OPEN),
    Fault("5V0", FaultKind.NOT_FITTED),
    Fault("5V0", FaultKind.LOWER_SHORTED),
)


def the_board() -> Board:
    """The shipped board with two rails that read alike."""
    board = held("3V3").board
    return replace(board, rails={**board.rails, "3V3A": replace(board.rails["3V3"], name="3V3A", probe="TP8")})


@dataclass
class Hand:
    """One seeded hand, what it did, and where the probe was."""

    random: Random
    touches: list[tuple[float, str | float | None]] = field(default_factory=list)
    target: str = ""
    last: str | None = None
    done: Counter[str] = field(default_factory=Counter)

    def course(self, point: str, now: float) -> Sequence[Touching]:
        """Return how it goes there this time."""
        self.target, before, self.last = point, self.last, point
        mistakes: list[Callable[[str, float, str | None], list[Touching]]] = [
            self.tidy, self.late, self.wrong_rail, self.neighbour, self.slips, self.slides, self.loose, self.grazes,
        ]  # fmt: skip
        how = self.random.choice(mistakes)
        self.done[how.__name__] += 1
        return how(point, now, before)

    def _s(self, low: float, high: float) -> float:
        return self.random.uniform(low, high)

    def _other(self, point: str) -> str:
        return self.random.choice([name for name in (*RAILS, "VIN") if name != point])

    def tidy(self, point: str, now: float, before: str | None) -> list[Touching]:
        return course_to(point, now, self.random.random())

    def late(self, point: str, now: float, before: str | None) -> list[Touching]:
        return course_to(point, now + self._s(2.0, 6.0), self.random.random())

    def wrong_rail(self, point: str, now: float, before: str | None) -> list[Touching]:
        return self._first(self._other(point), point, now, self._s(0.3, 5.0))

    def neighbour(self, point: str, now: float, before: str | None) -> list[Touching]:
        return self._first(self.random.choice(PINS), point, now, self._s(0.1, 5.0))

    def _first(self, wrong: str | float, point: str, now: float, seconds: float) -> list[Touching]:
        down = now + self._s(0.6, 1.4)
        lifted = [Touching(now + 0.3, None), *bounced(wrong, down, self.random.random())]
        gone = down + 0.06 + seconds
        return [*lifted, Touching(gone, None), *bounced(point, gone + self._s(0.02, 0.8), self.random.random())]

    def slips(self, point: str, now: float, before: str | None) -> list[Touching]:
        """On the point, off it before anything can be taken, maybe several times."""
        at = now + self._s(0.6, 1.2)
        course = [Touching(now + 0.3, None)]
        for _ in range(self.random.randint(1, 5)):
            course += bounced(point, at, self.random.random())
            at += self._s(0.05, 0.3)
            elsewhere: list[str | float | None] = [*PINS, self._other(point), None]
            course.append(Touching(at, self.random.choice(elsewhere)))
            at += self._s(0.03, 1.5)
        return [*course, Touching(at, point)]

    def slides(self, point: str, now: float, before: str | None) -> list[Touching]:
        """Over to the next point, sometimes over the wrong one, without a gap or with one too short to be seen."""
        at = now + self._s(0.5, 1.5)
        gap = self.random.choice([0.0, 0.004, 0.015])
        over = [Touching(at, self._other(point))] if self.random.random() < 0.5 else []
        at += self._s(0.1, 3.0) if over else 0.0
        return [*over, Touching(at, None), Touching(at + gap, point)]

    def loose(self, point: str, now: float, before: str | None) -> list[Touching]:
        """On lacquer: contact comes and goes for seconds."""
        at = now + self._s(0.6, 1.2)
        course = [Touching(now + 0.3, None)]
        for _ in range(self.random.randint(5, 40)):
            course += [Touching(at, point), Touching(at + (on := self._s(0.002, 0.06)), None)]
            at += on + self._s(0.002, 0.1)
        return [*course, Touching(at, point)]

    def grazes(self, point: str, now: float, before: str | None) -> list[Touching]:
        """Over several others on the way."""
        at = now + self._s(0.5, 1.0)
        course = [Touching(at, None)]
        for _ in range(self.random.randint(1, 6)):
            at += self._s(0.01, 0.3)
            others: list[str | float | None] = [*PINS, self._other(point)]
            course.append(Touching(at, self.random.choice(others)))
            at += self._s(0.005, 0.2)
            course.append(Touching(at, None))
        return [*course, *bounced(point, at + self._s(0.05, 0.6), self.random.random())]

    def was_on(self, begin: float, end: float) -> set[str | float | None]:
        """What the probe touched between two moments."""
        before = [on for at, on in self.touches if at <= begin]
        return {*(before[-1:] or [None]), *(on for at, on in self.touches if begin < at < end)}


@dataclass
class Counted:
    """What came of sequences."""

    sequences: int = 0
    readings: int = 0
    by_key: int = 0
    wrong: list[str] = field(default_factory=list)
    took: dict[str, list[float]] = field(default_factory=dict)
    """Seconds that tidy readings took, by point."""
    done: Counter[str] = field(default_factory=Counter)
    ended: Counter[str] = field(default_factory=Counter)

    def add(self, other: Counted) -> None:
        """Count another one in."""
        self.sequences += other.sequences
        self.readings += other.readings
        self.by_key += other.by_key
        self.wrong += other.wrong
        for point, each in other.took.items():
            self.took.setdefault(point, []).extend(each)
        self.done += other.done
        self.ended += other.ended


Reply = tuple[str, float]


def listening(bench: SimulatedBench) -> list[Reply]:
    """Note every reply of the meter, with when it came."""
    replies: list[Reply] = []
    read = bench.meter.read

    def noted(*given: Any, **named: Any) -> Any:
        def note(taken: Any) -> Any:
            replies.append((taken[0].raw, taken[0].received or 0.0))
            return taken

        return read(*given, **named).then(note)

    bench.meter.read = noted  # type: ignore[method-assign]
    return replies


def settling() -> tuple[dict[str, float], float]:
    """Return the settling of each rail with the probe wired to it, and the time of one integration."""
    took: dict[str, list[float]] = {}
    gaps: list[float] = []
    for seed in range(20):
        bench = held(*RAILS, board=the_board(), bench_path=BENCH)
        bench.clock.spend(seed * 0.0137)  # noise is another at another time
        asked: dict[str, float] = {}
        put, replies = bench.world.probe, listening(bench)

        def probe(point: str | None, now: float, *, asked: dict[str, float] = asked, put: Any = put) -> None:
            put(point, now)
            if point is not None:
                asked[point] = now

        bench.world.probe = probe  # type: ignore[method-assign]
        bench.run()
        for each in bench.record.readings:
            if each.step == 1 and each.point is not None and each.instrument == "meter":
                received = [at for raw, at in replies if raw == each.raw and at <= each.monotonic]
                took.setdefault(each.point, []).append(received[-1] - asked[each.point])
        gaps += [later - sooner for (_, sooner), (_, later) in pairwise(replies)]
    return {point: statistics.mean(each) for point, each in took.items()}, statistics.median(gaps)


def sequence(seed: int, *, tidy: bool = False) -> Counted:
    """One attempt with a seeded hand. `tidy`: no mistakes, no fault, readings are timed."""
    random = Random(seed)  # noqa: S311 - to be repeated, not secret
    hand = Hand(random)

    def agrees(prompt: Prompt) -> bool:
        if "just then" in prompt.text:  # of the two readings for which power was cut: the probe may have moved on since
            (_, sooner), (_, later) = replies[-2:]
            return hand.was_on(sooner - 2 * APERTURE, later - APERTURE) == {hand.target}
        return bool(bench.world.touched == hand.target)

    def course(point: str, now: float) -> Sequence[Touching]:
        if tidy:
            hand.target = point
            return course_to(point, now, seed)
        return hand.course(point, now)

    points = tuple(random.sample(RAILS, len(RAILS) if tidy else 4))
    bench = held(*points, board=the_board(), bench_path=BY_HAND, course_of=course, agrees=agrees)
    replies = listening(bench)
    world, go_to = bench.world, bench.world._go_to

    def gone_to(on: str | float | None) -> None:
        go_to(on)
        hand.touches.append((world._bench.now, on))

    world._go_to = gone_to  # type: ignore[method-assign]
    if not tidy:
        world.lead_farads = random.choice([1e-10, 1e-10, 1e-9, 1e-8, 1e-7])
        world.hum = random.uniform(0.0, 1.0)
        if random.random() < 0.3:
            fault = random.choice(FAULTS)
            bench.clock.at(random.uniform(4.0, 12.0), lambda: world.plant(fault))
    bench.clock.at(600.0, lambda: bench.ask._keys.append("q"))  # type: ignore[attr-defined]
    told = _told_by_key(bench)
    outcome = bench.run()
    count = Counted(1, done=hand.done, ended=Counter([str(outcome.result)]))
    for each in bench.record.readings:
        if each.instrument != "meter" or each.point is None or each.how != "read" or each.value is None:
            continue
        if each.step == 0 and each.aspect != "at the board":
            continue
        received = [at for raw, at in replies if raw == each.raw and at <= each.monotonic][-1]
        key = any(point == each.point and abs(at - each.monotonic) < 0.2 for point, at in told)
        count.readings += 1
        count.by_key += key
        on = hand.was_on(received - 2 * APERTURE - 1e-3, received - APERTURE - 1e-3)
        if on != {each.point} and not key:
            count.wrong.append(f"seed {seed}: {each.point} {each.value:.4f} V taken on {on}")
        if tidy and not key and each.step == 1:
            down = [at for at, touched in hand.touches if touched == each.point and at < received][-1]
            count.took.setdefault(each.point, []).append(received - down)
    return count


def _told_by_key(bench: SimulatedBench) -> list[tuple[str, float]]:
    """Note which points were taken by a key, and when."""
    told: list[tuple[str, float]] = []
    event = bench.record.event

    def noted(kind: str, text: str, **named: Any) -> None:
        if text.startswith("taken by a key: "):
            told.append((text.partition("(")[2].partition(")")[0], bench.clock.monotonic()))
        event(kind, text, **named)

    bench.record.event = noted  # type: ignore[method-assign]
    return told


def batch(seeds: range, tidy: bool) -> Counted:
    """Several sequences in one process."""
    count = Counted()
    for seed in seeds:
        count.add(sequence(seed, tidy=tidy))
    return count


def main() -> int:
    """Time tidy readings, then count wrong ones; 1 where a bound is missed."""
    sequences = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    processes = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    print(facts())
    timed, count, step = Counted(), Counted(), 25
    with ProcessPoolExecutor(processes) as pool:
        wired = pool.submit(settling)
        tidy = pool.submit(batch, range(1, 21), True)
        starts = range(0, sequences, step)
        jobs = [pool.submit(batch, range(first, min(first + step, sequences)), False) for first in starts]
        each, integration = wired.result()
        timed.add(tidy.result())
        print(f"one integration: {1000 * integration:.0f} ms", flush=True)
        late = []
        for point, took in timed.took.items():
            most = AT_MOST * each[point] + integration
            late += [point] if statistics.mean(took) > most else []
            print(
                f"{point:5} settling {1000 * each[point]:5.0f} ms, hands-free {1000 * statistics.mean(took):5.0f} ms "
                f"in the mean of {len(took)} ({1000 * min(took):.0f} .. {1000 * max(took):.0f}), "
                f"at most {1000 * most:.0f} ms",
                flush=True,
            )
        for job in jobs:
            done = job.result()
            count.add(done)
            print(f"{count.sequences} sequences, {len(count.wrong)} wrong so far", flush=True)
            for text in done.wrong:
                print("  WRONG", text, flush=True)
    print(
        f"{count.sequences} sequences, {count.readings} readings, {count.by_key} of them by a key: "
        f"{len(count.wrong)} wrong"
    )
    print("moves:", dict(count.done), "attempts:", dict(count.ended))
    return 1 if count.wrong or late or not timed.took else 0


if __name__ == "__main__":
    raise SystemExit(main())
