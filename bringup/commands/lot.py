"""`bringup run --lot L --next`: attempt after attempt, a unit each, until the person ends it; then the lot's yield.

Between two units nothing is open and nothing is on: each attempt ends with its outputs verified off, and where that
could not be verified the loop ends there.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup.commands.at_terminal import at_a_terminal
from bringup.commands.saying import say
from bringup.core.serials import next_serial, read_scan
from bringup.errors import BringupError, CommandError, ExitCode, Stopped

if TYPE_CHECKING:
    from bringup.commands.run import Wanted
    from bringup.core.bench import Bench
    from bringup.core.procedure import Procedure
    from bringup.runner.setup import AttemptOutcome

END = ("q", "Q")
Ask = Callable[[str], str | None]
"""Puts a question and returns the line that came; None: no more."""


class Lot:
    """The units of one loop, and the worst that became of them."""

    def __init__(self, wanted: Wanted, procedure: Procedure, bench: Bench, ask: Ask) -> None:
        self._wanted, self._procedure, self._ask = wanted, procedure, ask
        self._bench = bench
        self.done: dict[str, AttemptOutcome] = {}
        """Serial number -> its last outcome."""
        self.outcomes: list[tuple[str, AttemptOutcome]] = []
        self.worst = ExitCode.PASSED

    def refused(self, error: BringupError) -> None:
        """Say what was refused, and remember it."""
        say(str(error), err=True)
        self.worst = max(self.worst, error.exit_code)

    def suggested(self) -> str:
        """Return the serial number that comes next; '' where nothing says."""
        if not self.outcomes and self._wanted.serial:
            return self._wanted.serial
        serials = [*self._recorded(), *(serial for serial, _ in self.outcomes)]
        return next_serial(serials, self._procedure.board.serial_pattern)

    def units(self) -> Iterator[str]:
        """Yield the serial number of each unit that is to be attempted, until the person ends it."""
        while True:
            try:
                suggested = self.suggested()
            except CommandError as error:
                self.refused(error)
                suggested = ""
            enter = f"Enter: {suggested}; " if suggested else ""
            line = self._ask(f"\nNext unit of lot {self._wanted.lot}: scan or type its serial number ({enter}q: end)")
            if line is None or line.strip() in END:
                return
            if not line.strip() and not suggested:
                self.refused(CommandError("no serial number to go on from", "Scan or type the first one."))
                continue
            try:
                serial = read_scan(line, self._procedure.board.serial_pattern) if line.strip() else suggested
                if self._meant(serial):
                    yield serial
            except CommandError as error:
                self.refused(error)

    @property
    def passed_once(self) -> bool:
        """Whether a unit has passed: those that follow are shown in brief."""
        return any(outcome.exit_code is ExitCode.PASSED for _, outcome in self.outcomes)

    def add(self, serial: str, outcome: AttemptOutcome) -> None:
        """Keep what became of a unit."""
        self.done[serial] = outcome
        self.outcomes.append((serial, outcome))
        self.worst = max(self.worst, outcome.exit_code)

    def _meant(self, serial: str) -> bool:
        """Ask where a unit comes a second time: a barcode may have been read twice. Raises CommandError."""
        before = self.done.get(serial)
        if before is not None:
            known = f"{serial} was attempted in this sitting already ({before.result})"
        elif self._passed_before(serial):
            known = f"{serial} has passed {self._procedure.name} before"
        else:
            return True
        if not at_a_terminal():
            raise CommandError(f"{known}, and nobody is here to say that it is meant", "It was not attempted again.")
        return (self._ask(f"{known}. Attempt it again? (y; Enter: no)") or "").strip().lower() in ("y", "yes")

    def _kinds(self) -> tuple[bool, ...]:
        """Whether units of this bench are simulated: one or the other, or not known before it is opened."""
        if self._bench.simulate is not None:
            return (True,)
        return (False,) if self._bench.surely_real() else (False, True)

    def _recorded(self) -> list[str]:
        from bringup.logbook.lots import serials_of
        from bringup.logbook.reading import read

        if not self._wanted.logbook.exists():
            return []
        board = self._procedure.board.name
        return read(
            self._wanted.logbook,
            lambda connection: [
                serial for kind in self._kinds() for serial in serials_of(connection, board, simulated=kind)
            ],
        )

    def _passed_before(self, serial: str) -> bool:
        from bringup.logbook.lots import has_passed
        from bringup.logbook.reading import read

        if not self._wanted.logbook.exists():
            return False
        names = (serial, self._procedure.name, self._procedure.board.name)
        return read(
            self._wanted.logbook,
            lambda connection: any(has_passed(connection, *names, simulated=kind) for kind in self._kinds()),
        )


def run_lot(wanted: Wanted) -> ExitCode:
    """Run unit after unit. Returns the worst that became of them. Raises BringupError for what is refused at once."""
    from bringup.commands.loading import load
    from bringup.commands.run import run_one

    _check(wanted)
    procedure, bench = load(wanted.procedure, wanted.bench)
    assert bench is not None, "a bench file was named, so there is a bench or a FileError"
    lot = Lot(wanted, procedure, bench, _asking())
    try:
        for serial in lot.units():
            try:
                outcome, _ = run_one(replace(wanted, serial=serial, compact=wanted.compact or lot.passed_once))
            except Stopped as error:
                lot.refused(error)
                break
            except BringupError as error:
                lot.refused(error)
                if at_a_terminal():
                    continue  # the person may mend it, and scan the unit again
                break
            assert not isinstance(outcome, ExitCode), "a loop is never replayed"
            lot.add(serial, outcome)
            if not _off(outcome, bench):
                say(
                    f"The loop ends here. After {serial} it is NOT known that everything is off: use the switch.",
                    err=True,
                )
                break
            if outcome.interrupted:
                break
    except (click.Abort, KeyboardInterrupt):
        say("", err=wanted.as_json)  # the terminal has echoed ^C after the question
    _tell_yield(lot, wanted)
    return lot.worst if lot.outcomes or lot.worst else ExitCode.STOPPED


def _check(wanted: Wanted) -> None:
    """Refuse what does not go with a loop. Raises CommandError."""
    if not wanted.lot:
        raise CommandError("--next goes through a lot, and no lot is named", "Name it with --lot NAME.")
    for option, given in (
        ("--continue", wanted.going_on),
        ("--replay", wanted.replay is not None),
        ("--trace", wanted.trace is not None),
        ("--unattended", wanted.unattended),
    ):
        if given:
            raise CommandError(f"--next and {option} do not go together", f"Run that unit by itself with {option}.")


def _asking() -> Ask:
    """Return who says which unit comes next: the person or the barcode reader, else the lines of standard input."""
    if at_a_terminal():
        from bringup.commands.bench_find import typed

        return typed

    def line(question: str) -> str | None:
        del question
        return sys.stdin.readline() or None

    return line


def _off(outcome: AttemptOutcome, bench: Bench) -> bool:
    """Whether the board may be taken out: told, too."""
    if outcome.off_verified is False or outcome.load_off is False:
        return False
    by_hand = bench.supply is not None and bench.supply.by_hand
    said = "as said" if by_hand else "verified by asking"
    off = f"outputs OFF, {said}" if outcome.off_verified else "nothing was switched on"
    say(f"\nBetween units: {off}; instruments released. The board may be changed.", err=True)
    return True


def _tell_yield(lot: Lot, wanted: Wanted) -> None:
    """Show what came of the lot, in this sitting and by now."""
    from bringup.commands.common import print_json
    from bringup.core.yields import wilson
    from bringup.logbook.lots import lot_yield
    from bringup.logbook.reading import read

    if not lot.outcomes:
        say("No unit was attempted.", err=True)
        return
    try:
        found = read(Path(wanted.logbook), lambda connection: lot_yield(connection, lot.outcomes[-1][1].id))
    except BringupError as error:
        lot.refused(error)
        return
    if wanted.as_json:
        interval = wilson(found.passed_first, found.judged) if found.judged else None
        units = [
            {"serial": serial, "attempt": one.id, "result": one.result.value, "cause": one.cause}
            for serial, one in lot.outcomes
        ]
        yielded = {
            "passed_first": found.passed_first,
            "judged": found.judged,
            "passed_by_now": found.passed_last,
            "undecided": found.undecided,
            "low": None if interval is None else interval[0],
            "high": None if interval is None else interval[1],
        }
        print_json({"lot": wanted.lot, "attempts": units, "yield": yielded})
        return
    say(f"\nLot {wanted.lot}, {len(lot.outcomes)} attempted now: "
        + ", ".join(f"{serial} {one.result}" for serial, one in lot.outcomes))  # fmt: skip
    for each in found.lines():
        say(f"  {each}")
