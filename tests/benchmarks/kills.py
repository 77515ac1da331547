"""Kills `bringup run` some hundreds of times and counts what was left on, what was lost and how long off took.

Run by hand: `python tests/benchmarks/kills.py 500`. Real processes, real SIGKILL; the instruments are simulated in this
process, on loopback sockets, so that the power stage itself is looked at. The kills are spread evenly over the phases
of an attempt and, within each, over its time; `anywhere` is spread over the whole attempt. Several go on at once.

What n of n shows: with no failure in n, the true share of failures is below 1 - 0.05^(1/n) with 95 % confidence
(binomial distribution; about 3/n, the rule of three).
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from bringup.simulation.manners import Clients, Manners  # noqa: E402 - found through the line above
from tests.benchmarks.machine import facts, table  # noqa: E402
from tests.killing import PHASES, Kill, Watched, kill_in  # noqa: E402
from tests.rig import rig  # noqa: E402

AT_ONCE = 4
SERIAL = "serial port"
LINKS = (*Clients, SERIAL)
"""Kinds of supply, in turn: on a socket that takes many clients or one, or on a serial port (a pseudo-terminal)."""


def one(number: int, total: int) -> tuple[str, Kill]:
    """Kill the attempt of that number, on a bench of its own."""
    phase = PHASES[number % len(PHASES)]
    of_phase = number // len(PHASES)
    part = (of_phase + 0.5) / max(1, total // len(PHASES))
    link = LINKS[of_phase % len(LINKS)]
    serial = link == SERIAL
    with (
        tempfile.TemporaryDirectory(prefix="kill-") as folder,
        rig(Path(folder), supply=None if serial else Manners(clients=Clients(link)), serial=serial) as bench,
    ):
        watched = Watched(bench)
        kill = kill_in(watched, phase, min(1.0, part))
        if kill.ended_before:
            print(f"No kill, for it had ended by itself: {kill}; it said last: {watched.lines[-1:]}")
        return SERIAL if serial else f"socket, {link}", kill


def seconds(kills: list[Kill]) -> tuple[str, str]:
    """Return median and worst time to off, in ms, of those that were on."""
    times = [1000 * kill.off_after for kill in kills if kill.off_after is not None and kill.on_at_kill]
    return (f"{statistics.median(times):.0f}", f"{max(times):.0f}") if times else ("", "")


def row(name: str, kills: list[Kill]) -> tuple[str, ...]:
    """Return a line of the table."""
    late = sum(kill.off_after is None or kill.off_after > 1.0 for kill in kills)
    left_open = sum(kill.result == "open" for kill in kills)
    return (
        name,
        str(len(kills)),
        str(sum(kill.on_at_kill for kill in kills)),
        str(sum(kill.ended_before for kill in kills)),
        *seconds(kills),
        str(late),
        str(sum(kill.shown for kill in kills)),
        str(sum(len(kill.missing) for kill in kills)),
        str(sum(kill.integrity != "ok" for kill in kills)),
        str(left_open),
        str(sum(kill.sound for kill in kills)),
    )


def main() -> None:
    """Kill and print."""
    total = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    machine, begun = facts(), time.monotonic()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        done = []
        for each in pool.map(lambda number: one(number, total), range(total)):
            done.append(each)
            if len(done) % 50 == 0:
                sound = sum(kill.sound for _, kill in done)
                print(f"{len(done)} kills, {sound} sound, {time.monotonic() - begun:.0f} s", file=sys.stderr)
    by_phase: dict[str, list[Kill]] = defaultdict(list)
    by_link: dict[str, list[Kill]] = defaultdict(list)
    for link, kill in done:
        by_phase[kill.phase].append(kill)
        by_link[link].append(kill)
        if not kill.sound:
            print(f"NOT SOUND: {kill}")
    heading = (
        "",
        "kills",
        "on",
        "ended before",
        "off ms",
        "worst",
        "late",
        "shown",
        "lost",
        "damaged",
        "open",
        "sound",
    )
    everything = [kill for _, kill in done]
    print(f"{total} kills in {time.monotonic() - begun:.0f} s, {AT_ONCE} at once. {machine}\n")
    print(table([heading, *(row(name, kills) for name, kills in by_phase.items()), row("all", everything)]))
    print()
    print(table([heading, *(row(name, kills) for name, kills in by_link.items())]))
    struck = [kill for kill in everything if not kill.ended_before]
    sound = sum(kill.sound for kill in struck)
    print(f"\n{sound} of {len(struck)} that struck sound.", end=" ")
    if struck and sound == len(struck):
        most = 100 * (1 - 0.05 ** (1 / len(struck)))
        print(f"With no failure in {len(struck)}, at most {most:.1f} % fail, at 95 % confidence.")
    sys.exit(not struck or not all(kill.sound for kill in everything))


if __name__ == "__main__":
    main()
