"""`bringup run --replay FILE`: the attempt again, without instruments, against what was said then.

How a problem that somebody reports is looked into, and how it stays solved. Nothing real takes part: no instrument, no
lock, no guardian, no socket, no program. What is kept is marked as simulated, in a logbook of its own.
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from bringup.commands.at_terminal import showing
from bringup.commands.instruments import AnsweringBench
from bringup.commands.loading import sources
from bringup.commands.logbook_words import print_outcome
from bringup.commands.reaching import dialect_of, in_traces, roles_of
from bringup.commands.run import setup_of
from bringup.commands.saying import say
from bringup.core.bench import Bench, SupplyRole
from bringup.core.deviations import Photo
from bringup.core.dialect import Dialect
from bringup.core.frozen import frozen
from bringup.core.procedure import Procedure
from bringup.core.program import programs_of
from bringup.core.traffic import Differs
from bringup.errors import BenchError, CommandError, ExitCode
from bringup.files.traffic_file import Traffic, load_traffic
from bringup.host.clock import HostClock
from bringup.host.replayed_photos import ReplayedPhotos
from bringup.instruments.course import Course
from bringup.instruments.opening import wire_of
from bringup.instruments.replayed import ReplayedLink
from bringup.instruments.replayed_line import ReplayedLine
from bringup.instruments.traced_line import names_in_traces
from bringup.instruments.wire import Broken
from bringup.logbook.opening import open_for_writing
from bringup.logbook.record import LogbookRecord
from bringup.runner.attempt import run_attempt
from bringup.runner.records import AttemptStart, PhotoFile
from bringup.runner.supply_requests import selection
from bringup.simulation.clock import SimulatedClock
from bringup.terminal.replayed_person import ReplayedPerson

if TYPE_CHECKING:
    from bringup.commands.run import Wanted
    from bringup.runner.setup import AttemptOutcome


WORK = (0.0, 2e-4, 1e-3)
"""Seconds that work may have taken where no trace tells. Readings settle by when their replies came, which the trace
has; how soon the next one is asked for can depend on it. The first with which all goes as then is right; if there is
none, the replay differs."""


class ReplayedRecord(LogbookRecord):
    """Keeps an attempt as what it is: nothing of it was measured now, and its pictures are not in the trace."""

    def begin(self, start: AttemptStart) -> str:
        """Open an attempt, marked as simulated whatever instruments are in the trace."""
        return super().begin(replace(start, simulated=True))

    def photo(self, photo: Photo, found: PhotoFile, *, at: datetime, step: int | None = None) -> Iterator[None]:
        """Keep a note of what the picture was instead."""
        yield from ()
        self.note(
            f"photo {photo.file} {photo.caption}, SHA-256 {found.digest}: in the trace without it", at=at, step=step
        )


def replayed(wanted: Wanted, path: Path, procedure: Procedure, bench: Bench) -> ExitCode:
    """Replay, and say where it differs. Raises CommandError, BenchError and FileError for what cannot be replayed."""
    refuse(wanted, procedure)
    traffic = load_traffic(path)
    if traffic.cut:
        say(f"The last line of {path} is not whole and was left out: the trace ends early.", err=True)
    kept = Path(tempfile.mkdtemp(prefix="bringup-replay-")) / "replay.db"
    say(f"REPLAY of {path}: no instrument is opened. Kept as simulated in {kept}", err=True)
    furthest: Replay | None = None
    for number, work in enumerate(WORK):
        replay = once(replace(wanted, logbook=kept.with_stem(f"replay{number}")), procedure, bench, traffic, work)
        if furthest is None or replay.reached > furthest.reached:
            furthest = replay
        if replay.outcome is not None:
            break
    assert furthest is not None, "there is more than one try"
    furthest.logbook.replace(kept)
    say(furthest.shown, err=wanted.as_json)
    if furthest.outcome is None:
        say(f"The replay differs from the trace:\n{furthest.said}", err=True)
        return ExitCode.STOPPED
    say(furthest.said, err=True)
    if wanted.as_json:
        print_outcome(kept, furthest.outcome, None)
    return furthest.outcome.exit_code


@frozen
class Replay:
    """One try. `outcome` None: it differs, at line `reached`."""

    logbook: Path
    shown: str
    said: str
    reached: int
    outcome: AttemptOutcome | None = None


def once(wanted: Wanted, procedure: Procedure, bench: Bench, traffic: Traffic, work: float) -> Replay:
    """Replay, work between a wait and what follows taking so many seconds. Raises BenchError."""
    turns = [event.at for event in traffic.events if event.what == "woke"]
    clock = SimulatedClock(traffic.began, turns, work)
    found: list[Differs] = []
    courses = {role: Course(traffic.path, who, traffic.events, found) for role, who in in_traces(bench).items()}
    person = ReplayedPerson(traffic.path, traffic.events, clock, found)
    lines = {
        name: ReplayedLine(traffic.path, who, traffic.events, clock, found)
        for name, who in names_in_traces(bench.lines).items()
    }
    photos = ReplayedPhotos(traffic.path, traffic.events, clock, found)
    shown = io.StringIO()
    try:
        opened, links = answering(bench, traffic, courses, clock)
        with ExitStack() as leave:
            outcome = attempt(wanted, procedure, opened, (clock, person, lines, photos), (leave, shown))
        for link in links:
            link.close()
        photos.unasked()
        for course in courses.values():
            if course.unsent() is not None:
                raise course.differs("the attempt has ended")
    except Differs as difference:
        first = found[0] if found else difference
        return Replay(wanted.logbook, shown.getvalue(), str(first), first.line)
    sent = sum(course.sent for course in courses.values())
    looks = sum(link.other_looks for link in links)
    besides = f" ({looks} looks at the supply more or less than then)" if looks else ""
    said = f"The replay went as the trace did: {sent} messages, each the same{besides}."
    return Replay(wanted.logbook, shown.getvalue(), said, 1 << 63, outcome)


def refuse(wanted: Wanted, procedure: Procedure) -> None:
    """Raise CommandError for what a replay cannot do."""
    if wanted.trace is not None or wanted.going_on:
        raise CommandError(
            f"--replay does not go with {'--trace' if wanted.trace is not None else '--continue'}",
            "A replay is the whole attempt again, and writes no trace.",
        )
    if programs_of(procedure):
        raise CommandError(
            "a procedure that runs programs of this computer cannot be replayed",
            "What they do is not in the trace, and they are not run without the board.",
        )


def answering(
    bench: Bench, traffic: Traffic, courses: dict[str, Course], clock: SimulatedClock
) -> tuple[AnsweringBench, list[ReplayedLink]]:
    """Do what was done to open the instruments. Raises BenchError where one was not opened then, or is not there."""
    roles = {name: role for name, role in roles_of(bench).items() if not role.by_hand}
    called = {who: role for role, who in in_traces(bench).items()}
    opened = {event.who: event.text for event in reversed(traffic.events) if event.what == "opened"}
    resources = {called.get(who, who): text for who, text in opened.items()}
    if set(resources) != set(roles):
        raise BenchError(
            f"{traffic.path} is of another bench: instruments that answered then: {', '.join(resources) or 'none'}; "
            f"that speak SCPI in {bench.path}: {', '.join(roles) or 'none'}",
            "Name the bench file that the trace was taken with.",
        )
    links: dict[str, ReplayedLink] = {}
    dialects = {name: dialect_of(bench, name) for name in roles}
    for name, role in roles.items():
        wire = wire_of(dialects[name], resources[name], port=role.port, address=role.address)
        looked_at = selecting(role, dialects[name]) if isinstance(role, SupplyRole) else None
        links[name] = link = ReplayedLink(f"{name} at {resources[name]}", wire, courses[name], clock, looked_at)
        try:
            link.open()
        except Broken as broken:
            raise BenchError(f"{link.name} did not answer then: {broken.why}", "There was no attempt.") from broken
        clock.spend(courses[name].at)
    return AnsweringBench(bench, dialects, resources, links), list(links.values())


def selecting(role: SupplyRole, dialect: Dialect) -> frozenset[str]:
    """Return the messages that only select an output of the supply."""
    outputs = set(role.outputs.values()) or {1}
    return frozenset(message.text for output in outputs for message in selection(dialect, output))


def attempt(
    wanted: Wanted,
    procedure: Procedure,
    opened: AnsweringBench,
    ends_waits: tuple[SimulatedClock, ReplayedPerson, Mapping[str, ReplayedLine], ReplayedPhotos],
    leave_and_shown: tuple[ExitStack, TextIO],
) -> AttemptOutcome:
    """Carry the attempt out in the time of the trace."""
    leave, shown = leave_and_shown
    logbook = open_for_writing(wanted.logbook, wanted.logbook.parent)
    leave.callback(logbook.close)
    record = ReplayedRecord(logbook, simulated=True)
    leave.callback(record.close)
    view, _ = leave.enter_context(showing(None, HostClock(), shown))
    view.scene.kept_in = str(wanted.logbook.with_stem("replay"))
    clock, person, lines, photos = ends_waits
    setup = setup_of(wanted, procedure, opened, (clock, person), (record, view.tell))
    kept = sources(wanted.procedure, wanted.bench, procedure)
    return run_attempt(replace(setup, lines=lines, photos=photos, sources=kept, awake=None))
