"""Writes a logbook of thousands of units, always the same for the same sizes and seed, with a chain that audits.

    python -m tests.benchmarks.large_logbook FILE [--units 20000] [--readings 1000000] [--seed 1]

Rows are made by the statements that an attempt is recorded with, and hashed by the chain itself, so that nothing here
knows columns. Only what keeps a real logbook safe while it grows (a commit for each reading, syncs, indexes that grow
along) is left out.
"""

from __future__ import annotations

import argparse
import heapq
import itertools
import re
import sqlite3
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from uuid import UUID

ROOT = Path(__file__).parent.parent.parent
sys.path.insert(0, str(ROOT))

from bringup.core.deviations import Decision, Observation, Rework, Severity, Target  # noqa: E402 - the path first
from bringup.core.limits import judge  # noqa: E402
from bringup.core.reading import Reading  # noqa: E402
from bringup.core.words import UNIT_OF, AttemptResult, Result, StepOutcome  # noqa: E402
from bringup.logbook.chain import Chain  # noqa: E402
from bringup.logbook.deviation_statements import (  # noqa: E402
    Entered,
    disposition_statement,
    observation_statements,
    rework_statement,
)
from bringup.logbook.opening import open_for_writing  # noqa: E402
from bringup.logbook.processes import Process  # noqa: E402
from bringup.logbook.statements import (  # noqa: E402
    Statement,
    attempt_statements,
    end_statement,
    event_statement,
    note_statement,
    poll_statement,
    reading_statement,
    step_begun_statement,
    step_ended_statement,
)
from bringup.runner.records import AttemptStart, PollSample, SourceText  # noqa: E402
from tests.benchmarks.large_world import BEGIN, BOARD, LOT, RECHECK_AFTER, Step, Unit, Value  # noqa: E402

UNITS = 20_000
READINGS = 1_000_000
FIRST, RECHECK = "First power-on", "Re-check"
EACH = timedelta(seconds=2)
"""From one reading to the next."""
HOST = Process("workshop", "6f1d7c1e-0000-4000-8000-000000000001", 4242, "100")
NOTES = ("flux residue at U4, cleaned", "connector J1 sits askew", "label was missing, printed anew", "C17 touched up")
LEAST_MISSED = ("log", "power_off", "apply", "leads", "resistance", "measure")
"""Kinds of step in the order in which they give up readings to come to the number asked for."""
Job = tuple[datetime, int, int, Unit, int]
"""When, tie-breaker, how many attempts were before, unit, readings that it may still get."""


def write_large(path: Path, units: int = UNITS, readings: int = READINGS, seed: int = 1) -> None:
    """Write the logbook to a file that must not exist yet. `readings`: at least one for each unit."""
    if path.exists() or readings < units:
        raise ValueError(f"{path} is there already, or {readings} readings are too few for {units} units")
    open_for_writing(path).close()
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for pragma in ("journal_mode = OFF", "synchronous = OFF", "cache_size = -500000", "foreign_keys = OFF"):
            connection.execute(f"PRAGMA {pragma}")
        origin = UUID(int=Random(f"{seed} origin").getrandbits(128)).hex  # noqa: S311 - the same each time is wanted
        made = f"{BEGIN:%Y-%m-%dT%H:%M:%S}.000000Z"
        connection.execute("UPDATE origins SET id = ?, made = ?", (origin, made))
        indexes = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql <> ''")
        # An index that is made at the end is made by sorting, which is quicker than growing it.
        later = [(name, sql) for name, sql in indexes if not sql.startswith("CREATE UNIQUE")]
        for name, _ in later:
            connection.execute(f"DROP INDEX {name}")
        connection.execute("BEGIN")
        writer = _Writer(Chain(connection), Random(f"{seed} ids"))  # noqa: S311
        for job in jobs(units, readings, seed):
            writer.attempt(*job)
        connection.execute("COMMIT")
        for _, sql in later:
            connection.execute(sql)
        connection.execute("PRAGMA journal_mode = WAL")


def jobs(units: int, readings: int, seed: int) -> Iterator[tuple[Unit, int, datetime, int]]:
    """Yield unit, number of the attempt, its start and how many readings it takes, in order of time."""
    each, more = divmod(readings, units)
    made = (Unit(number, seed) for number in range(units))
    waiting: list[Job] = []
    count = itertools.count()
    for unit in made:
        # All that comes before this unit's first attempt; units begin in nearly the order of their numbers.
        while waiting and waiting[0][0] < unit.begun - timedelta(days=1):
            yield from _next(waiting, count)
        heapq.heappush(waiting, (unit.begun, next(count), 0, unit, each + (unit.number < more)))
    while waiting:
        yield from _next(waiting, count)


def _next(waiting: list[Job], count: Iterator[int]) -> Iterator[tuple[Unit, int, datetime, int]]:
    at, _, before, unit, left = heapq.heappop(waiting)
    takes = min(left, 37 if before == 0 else 22)
    yield unit, before, at, takes
    if left > takes:
        heapq.heappush(waiting, (at + RECHECK_AFTER, next(count), before + 1, unit, left - takes))


def cut(steps: Sequence[Step], takes: int) -> list[Step]:
    """Return the steps with only so many readings in all; those of the rails themselves go last."""
    left = {step.kind: len(step.values) for step in steps}
    excess = sum(left.values()) - takes
    for kind in (each for each in LEAST_MISSED if each in left):
        dropped = min(excess, left[kind])
        left[kind] -= dropped
        excess -= dropped
    return [Step(step.kind, step.title, step.values[: left[step.kind]]) for step in steps]


class _Writer:
    """Writes attempts and what is entered beside them."""

    def __init__(self, chain: Chain, ids: Random) -> None:
        self._chain = chain
        self._ids = ids
        self._texts = {name: _source(name) for name in ("board", FIRST, RECHECK)}

    def _id(self) -> str:
        return str(UUID(int=self._ids.getrandbits(128), version=4))

    def attempt(self, unit: Unit, before: int, at: datetime, takes: int) -> None:
        """Write one attempt on a unit, and what follows from it."""
        identity, monotonic = self._id(), 1000.0 + 3 * (unit.number % 1000)
        steps = cut(unit.recheck() if before else unit.first_power_on(), takes)
        made = attempt_statements(identity, self._start(unit, before, at, monotonic, steps), HOST)
        failed = []
        now = monotonic
        for index, step in enumerate(steps):
            made.append(step_begun_statement(identity, index, at + timedelta(seconds=now - monotonic), now))
            good = True
            for value in step.values:
                now += EACH.total_seconds()
                reading = self._reading(index, value, at + timedelta(seconds=now - monotonic), now)
                made.append(reading_statement(identity, reading))
                if reading.result is Result.FAIL:
                    good = False
                    failed.append(reading)
            now += 1.0
            moment = at + timedelta(seconds=now - monotonic)
            made += self._happened(identity, index, step.kind, moment, now)
            verdict = "pass" if good else "fail"
            made.append(step_ended_statement(identity, index, StepOutcome.DONE, verdict, moment, "", ""))
        result = AttemptResult.FAILED if failed else AttemptResult.PASSED
        cause = f"{failed[0].point} {failed[0].kind} {failed[0].value:g} {failed[0].unit}" if failed else ""
        ended = at + timedelta(seconds=now - monotonic + 1)
        made.append(end_statement(identity, result, cause, ended, off_verified=True))
        self._chain.write(made, identity)
        self._beside(unit, identity, ended, failed, before)

    def _start(self, unit: Unit, before: int, at: datetime, monotonic: float, steps: Sequence[Step]) -> AttemptStart:
        procedure = RECHECK if before else FIRST
        board = self._texts["board"]
        text = re.sub(r"(?m)^revision: B$", f"revision: {unit.revision}", board.text)
        return AttemptStart(
            serial=unit.serial,
            procedure=procedure,
            board=BOARD,
            revision=unit.revision,
            bench=unit.bench.name,
            operator=unit.operator,
            simulated=False,
            started=at,
            monotonic=monotonic,
            tool_version="0.1.0",
            steps=tuple((step.kind, step.title) for step in steps),
            variant=unit.variant,
            lot=unit.lot,
            ambient=round(21 + unit.random.gauss(0, 1.5), 1),
            fixture="pogo bed 2",
            instruments=unit.bench.instruments(at),
            sources=(self._texts[procedure], SourceText("board", board.path, text)),
        )

    def _reading(self, index: int, value: Value, at: datetime, monotonic: float) -> Reading:
        return Reading(
            step=index,
            point=value.point,
            kind=value.kind,
            value=value.value,
            unit=UNIT_OF[value.kind],
            limits=value.limits,
            limits_from=value.limits_from,
            result=judge(value.value, value.limits),
            at=at,
            monotonic=monotonic,
            instrument=value.instrument,
            raw=f"{value.value:+.5E}",
            how=value.how,
            aspect=value.aspect,
            resolution=value.resolution,
            board_state="programmed",
            input_volts=23.998 if value.powered else None,
            input_amps=0.0687 if value.powered else None,
            id=self._id(),
        )

    def _happened(self, attempt: str, index: int, kind: str, at: datetime, monotonic: float) -> list[Statement]:
        """What is recorded beside the readings of some steps."""
        if kind == "inspect":
            text = "all good: Polarised parts match the silkscreen; Nothing else is plugged in"
            return [event_statement(attempt, index, "inspected", text, at, monotonic, None)]
        if kind == "apply":
            data = {"input": "VIN", "on": "yes"}
            look = PollSample(monotonic, 1, 23.998, 0.0687, on=True, mode="voltage", set_volts=24.0, set_amps=0.4)
            made = [poll_statement(attempt, look), poll_statement(attempt, look)]
            return [event_statement(attempt, index, "power", "VIN set to 24 V", at, monotonic, data), *made]
        if kind == "power_off":
            data = {"input": "VIN", "on": "no"}
            return [event_statement(attempt, index, "power", "VIN OFF, verified by asking", at, monotonic, data)]
        return []

    def _beside(self, unit: Unit, attempt: str, at: datetime, failed: Sequence[Reading], before: int) -> None:
        """What people enter after an attempt: notes, reworks, observations, decisions."""
        entered = Entered(unit.serial, simulated=False, at=at + timedelta(minutes=5), who=unit.operator)
        chance = unit.random.random()
        made: list[Statement] = []
        if chance < 0.03:
            made.append(note_statement((unit.serial, False, None), None, entered.at, entered.who, NOTES[before % 4]))
        if failed and before == 0:
            rail = unit.fault[0] or str(failed[0].point)
            parts = {"12V0": "R10", "5V0": "R12", "3V3": "U4", "1V8": "R14", "VREF": "U6", "N12V": "R20"}
            rework = Rework(parts.get(rail, "U2"), "as fitted", "a new one", f"{rail} was out of its limits", (rail,))
            made.append(rework_statement(entered, rework, follows=attempt))
            if chance < 0.9:
                unit.fault = ("", 1.0)
        elif failed:
            again = chance < 0.5 and unit.fault[0]
            kind = Decision.SCRAP if again else Decision.QUARANTINE
            made.append(disposition_statement(entered, kind, f"{failed[0].point} fails again after the rework"))
        if unit.number % LOT == LOT // 2 and before == 0:
            seen = Observation(f"J1 is hard to reach in lot {unit.lot}", Severity.SHOULD, Target.DESIGN, ())
            made += observation_statements(entered, seen, BOARD, unit.revision)
        # These have their id first; where it is drawn, it would be another one each time.
        self._chain.write([(statement, (self._id(), *values[1:])) for statement, values in made], None)


def _source(name: str) -> SourceText:
    paths = {"board": "fixtures/boards/mooring-buoy-logger.yaml", FIRST: "procedures/first-power-on.yaml"}
    path = paths.get(name, "procedures/recheck.yaml")
    text = (ROOT / path).read_text(encoding="utf-8").replace("MBL-[0-9]{4}", "MBL-[0-9]{5}")
    return SourceText("board" if name == "board" else "procedure", path, text)


def main(arguments: Sequence[str] | None = None) -> None:
    """Write one, and say how long it took."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("--units", type=int, default=UNITS)
    parser.add_argument("--readings", type=int, default=READINGS)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    begun = time.perf_counter()
    write_large(asked.file, asked.units, asked.readings, asked.seed)
    size = asked.file.stat().st_size / 2**20
    print(f"{asked.file}: {asked.units:,} units, {asked.readings:,} readings, {size:,.0f} MiB,", end=" ")
    print(f"in {time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
