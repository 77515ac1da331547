"""Putting the meter on points by a scanner (hands.Hands): its channels where there are any, other hands for the rest.

One thing touches the board at a time: the scanner is opened before a probe goes on it, and the probe is taken off
before a relay closes. A relay that did not close leaves its point without a value; one that did not open, or a scanner
that is lost, ends the attempt: through it two points could be tied together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from bringup.errors import BenchError, BringupError, LinkError
from bringup.runner.endings import BrokenOff
from bringup.runner.hands import Hands, LeadsPlace
from bringup.runner.in_volts import not_in_volts
from bringup.runner.journal import Journal
from bringup.runner.roles import Meter, Routed, Scanner
from bringup.runner.wait import WaitPoint

OPEN_WITHIN = 10.0
"""Seconds for opening all at the end, when outputs are off already."""


class ScannerHands:
    """A scanner, and `others` for what it does not reach."""

    def __init__(
        self, scanner: Scanner, others: Hands, waits: WaitPoint, journal: Journal, meter: Meter | None
    ) -> None:
        """`meter`: what the relays connect; it is in volts before one of them closes."""
        self._scanner = scanner
        self._meter = meter
        self._others = others
        self._waits = waits
        self._journal = journal
        self._at: str | None = None
        """The point that a channel connects."""
        self._held = False
        """Whether the meter's own probe is on something."""
        self._free: tuple[str, ...] = ()
        """Inputs whose leads are free: what is to be measured there is not on the board."""
        self.amiss = ""
        """Why what the meter shows is no reading of the point it is meant to be on; '' where it is."""

    def probe(self, point: str) -> None:
        """Connect the point. Raises BrokenOff for a relay that sticks, LinkError for a scanner that is lost."""
        if point in self._free or not self._scanner.reaches(point):
            self._open()
            self._held = True
            self._others.probe(point)
            return
        if self._at == point and not self.amiss:
            return
        self._release()
        self._at = None
        if why := not_in_volts(self._meter, self._waits, self._journal):
            self.amiss = f"the meter is not known to be in volts: {why}"
            self._journal.event("scanner", f"{point} is not connected: {self.amiss}", {"instrument": "scanner"})
            return
        routed = self._done(self._waits.result(self._scanner.connect(point), "scanner", f"connecting {point}"))
        if routed.why:
            self.amiss = routed.why
            self._journal.event("scanner", f"{point} is not connected: {routed.why}", {"instrument": "scanner"})
            return
        self._at, self.amiss = point, ""
        if routed.rested and self._scanner.settling:
            self._waits.sleep_until(routed.rested + self._scanner.settling)

    def across(self, red: str | None, black: str | None) -> None:
        """Put the meter's own leads on two points, every relay open: a scanner connects points against ground only."""
        self._open()
        self._held = True
        self._others.across(red, black)

    def reach(self, point: str) -> None:
        """Have the meter's own probe go there, every relay open."""
        self._open()
        self._held = True
        self._others.reach(point)

    def reached(self, point: str) -> None:
        """Take notice that the probe is there."""
        self._others.reached(point)

    def probe_moved(self) -> None:
        """Take notice that a probe in a hand may be anywhere."""
        self._others.probe_moved()

    def confirm(self) -> str:
        """Ask the scanner whether the point is still connected. Raises as `probe` does."""
        point = self._at
        if point is None or self.amiss:
            return self.amiss or self._others.confirm()
        routed = self._done(self._waits.result(self._scanner.still(point), "scanner", f"whether {point} is connected"))
        if routed.why:
            self._at, self.amiss = None, f"the meter was not on {point} any more: {routed.why}"
            text = f"what was read is no reading of {point}: {routed.why}"
            self._journal.event("scanner", text, {"instrument": "scanner"})
        return self.amiss

    def release(self) -> None:
        """Take the probe off what it is on; a scanner's relays stay."""
        self._release()

    def move(self) -> str:
        """Return where the probe has yet to be put by hand."""
        return self._others.move()

    def leads(self, where: LeadsPlace, inputs: Sequence[str]) -> None:
        """Have the leads moved, every relay open; the meter is off them again once they go elsewhere."""
        self._open()
        if where is not LeadsPlace.FREE:
            self._release()  # before the leads go on the board: the meter may be across them
        self._others.leads(where, inputs)
        self._held = where is LeadsPlace.FREE
        self._free = tuple(inputs) if self._held else ()

    def unit(self, serial: str) -> None:
        """Have that unit on the bench."""
        self._others.unit(serial)

    def state(self, name: str) -> None:
        """Have the board in that board state."""
        self._others.state(name)

    def _release(self) -> None:
        if self._held:
            self._others.release()
            self._held = False

    def _open(self) -> None:
        """Open whatever is closed."""
        if self._at is None and not self.amiss:
            return
        self._at = None
        routed = self._done(self._waits.result(self._scanner.open_all(), "scanner", "opening all"))
        if routed.why:
            raise BrokenOff(routed.why)
        self.amiss = ""

    def _done(self, routed: Routed) -> Routed:
        """Log what was amiss. Raises LinkError for a scanner that is lost, BrokenOff for a relay that sticks."""
        self._journal.troubles("scanner", routed.troubles)
        if routed.lost:
            raise LinkError(routed.why, instrument="scanner")
        if routed.stuck:
            raise BrokenOff(f"{routed.why}: nothing may be connected beside it")
        return routed


def try_relays(scanner: Scanner, points: Iterable[str], waits: WaitPoint) -> None:
    """Open every relay, close each that will be needed once, and open all. Raises BenchError: nothing was powered."""
    for point in ("", *(each for each in points if scanner.reaches(each)), ""):
        doing = f"connecting {point}" if point else "opening all"
        try:
            routed = waits.result(scanner.connect(point) if point else scanner.open_all(), "scanner", doing)
        except LinkError as error:
            raise BenchError(f"the scanner does not answer: {error.message}", error.what_to_do) from error
        if routed.why:
            raise BenchError(
                f"{doing}: {routed.why}",
                "Check the scanner, and its `channels` in the bench file. Nothing was powered.",
            )


def open_at_the_end(scanner: Scanner, waits: WaitPoint, journal: Journal) -> None:
    """Open every relay, the outputs being off. Never raises: what is not certain is said and kept."""
    try:
        with waits.emergency(OPEN_WITHIN):
            routed = waits.result(scanner.open_all(), "scanner", "opening all")
        why = routed.why
    except BringupError as error:  # no answer, or another instrument answers now
        why = error.message
    if why:
        text = f"the scanner's relays are in an UNKNOWN state: {why}. Switch it off before touching the board"
        journal.event_if_possible("scanner", text)
