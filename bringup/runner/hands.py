"""Moving the meter's probe and the supply's leads: a person asked to do it, or a simulated bench told to.

Hands only move. Whether they may (outputs verified off before leads move) is decided by the caller, in work.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import Protocol

from bringup.core.board import Board
from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind, read_error
from bringup.errors import LinkError
from bringup.runner.journal import Journal
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.protocols import Link
from bringup.runner.wait import WaitPoint


class LeadsPlace(StrEnum):
    """Where the supply's leads are."""

    BOARD = "board"
    FREE = "free"
    """Unplugged from the board, the meter's probes on their ends."""
    OFF = "off"
    """Off the board, touching nothing."""


WORDS = {
    LeadsPlace.BOARD: "plugged into the board",
    LeadsPlace.FREE: "unplugged, the meter across their free ends",
    LeadsPlace.OFF: "off the board, touching nothing",
}
"""The same for people."""


class Hands(Protocol):
    """Whoever moves probe and leads."""

    amiss: str
    """Why what the meter shows is no reading of the point it is meant to be on; '' where it is."""

    def probe(self, point: str) -> None:
        """Put the meter's probe on a point of the board (an input's or rail's name)."""

    def across(self, red: str | None, black: str | None) -> None:
        """Put the meter's leads on two points, None for ground; both None: their tips together, on nothing."""

    def reach(self, point: str) -> None:
        """Have the probe go to a point that the view names, by whoever holds it. Returns at once."""

    def reached(self, point: str) -> None:
        """Take notice that the probe is on the point."""

    def probe_moved(self) -> None:
        """Take notice that the probe may be anywhere: it was put on something else meanwhile."""

    def confirm(self) -> str:
        """Ask whether the meter is still on the point that it was put on last; return why not, '' if it is."""

    def release(self) -> None:
        """Take the meter's own probe off whatever it is on."""

    def move(self) -> str:
        """Return where the probe has yet to be put by whoever reads the meter, in words; '' if it is there."""

    def leads(self, where: LeadsPlace, inputs: Sequence[str]) -> None:
        """Move the supply's leads of these inputs."""

    def unit(self, serial: str) -> None:
        """Have that unit on the bench."""

    def state(self, name: str) -> None:
        """Have the board in that board state."""


class PersonHands:
    """A person does it and presses Enter. With fixed wiring the probe needs nobody.

    Who also reads the meter by hand is asked once: for the probe and the value together, by the meter.
    """

    amiss = ""

    def __init__(self, waits: WaitPoint, board: Board, *, probing_by_hand: bool, reads_meter: bool = False) -> None:
        self._waits = waits
        self._board = board
        self._probing_by_hand = probing_by_hand
        self._reads_meter = reads_meter
        self._at: str | None = None
        self._move = ""

    def probe(self, point: str) -> None:
        """Ask for the probe, unless it is there already or everything is wired."""
        if not self._probing_by_hand or self._at == point:
            return
        self._at = None
        if self._reads_meter:
            self._move = f"probe on {self._probe_at(point) or point}, black on ground"
        else:
            self._go(f"Probe on {self._named(point)}, black on ground")
        self._at = point

    def across(self, red: str | None, black: str | None) -> None:
        """Ask for both leads; whatever is wired, a person has to hold these."""
        self._at = None
        if red is None and black is None:
            text = "tips of the meter's leads together, on nothing else"
        else:
            named = ["ground" if point is None else self._board.point(point).probe or point for point in (red, black)]
            text = f"red lead on {named[0]}, black on {named[1]}"
            if not self._reads_meter:
                named = ["ground" if point is None else self._named(point) for point in (red, black)]
                text = f"Red lead on {named[0]}, black on {named[1]}"
        if self._reads_meter:
            self._move = text
        else:
            self._go(text[0].upper() + text[1:])

    def reach(self, point: str) -> None:
        """Ask nothing: the view says where the probe goes, and the meter tells when it is there."""
        del point
        self._at, self._move = None, ""

    def reached(self, point: str) -> None:
        """Take notice that it is there."""
        self._at = point

    def probe_moved(self) -> None:
        """Forget where it is: who holds it is told anew."""
        self._at, self._move = None, ""

    def confirm(self) -> str:
        """Ask nothing: who holds a probe sees where it is."""
        return ""

    def release(self) -> None:
        """Ask for the probe to be taken off."""
        self._at = None
        self._go("Take the meter's own probes off everything: from here on the scanner connects the meter")

    def move(self) -> str:
        """Return what is still to be said of the probe, once."""
        said, self._move = self._move, ""
        return said

    def leads(self, where: LeadsPlace, inputs: Sequence[str]) -> None:
        """Ask for the supply's leads to be moved."""
        self._move = ""
        # With the leads free the meter is across them: the input's name is where the probe is then.
        self._at = inputs[0] if where is LeadsPlace.FREE and len(inputs) == 1 else None
        named = " and ".join(self._named(name) for name in inputs) or "the board"
        if where is LeadsPlace.BOARD:
            self._go(f"Connect the supply's leads to {named}: mind the polarity")
        elif where is LeadsPlace.OFF:
            self._go(f"Unplug the supply's leads from {named} and keep them clear of everything")
        else:
            self._go(
                f"Unplug the supply's leads from {named}; meter across their free ends, red on the plus lead, "
                "and nothing else"
            )

    def unit(self, serial: str) -> None:
        """Ask nothing: the serial number was typed by the person who has the unit before them."""

    def state(self, name: str) -> None:
        """Ask nothing: the step that brings the board into the state has said so."""

    def _probe_at(self, point: str) -> str | None:
        """Return where to touch it; None for a node that the board file does not know."""
        known = point in self._board.inputs or point in self._board.rails
        return self._board.point(point).probe if known else None

    def _named(self, point: str) -> str:
        probe = self._probe_at(point)
        return f"{probe} ({point})" if probe else point

    def _go(self, text: str) -> None:
        self._waits.answer(Prompt(PromptKind.GO, text, suggestion="done"))


class SimulatedHands:
    """The simulated bench moves probe and leads itself, by its instruments' private commands, and says so.

    With a `person` (a simulated bench that is probed by hand) the person is asked first, as at a real bench.
    """

    amiss = ""

    def __init__(self, waits: WaitPoint, link: Link, journal: Journal, person: PersonHands | None = None) -> None:
        self._waits = waits
        self._link = link
        self._journal = journal
        self._person = person
        self._at: str | None = None

    def probe(self, point: str) -> None:
        """Move the simulated probe."""
        if self._person is not None:
            self._person.probe(point)
        if self._at != point:
            self._send(f'SIMulate:PROBe "{point}"')
            self._at = point

    def across(self, red: str | None, black: str | None) -> None:
        """Move both simulated leads."""
        if self._person is not None:
            self._person.across(red, black)
        places = ("NONE" if point is None else f'"{point}"' for point in (red, black))
        self._send(f"SIMulate:ACRoss {','.join(places)}")
        self._at = None

    def reach(self, point: str) -> None:
        """Have a simulated hand take the probe there, in its own time."""
        if self._person is not None:
            self._person.reach(point)
        if self._at != point:
            self._at = None
            self._send(f'SIMulate:HAND "{point}"')

    def reached(self, point: str) -> None:
        """Take notice that it is there."""
        if self._person is not None:
            self._person.reached(point)
        self._at = point

    def probe_moved(self) -> None:
        """The simulated probe is where it was put."""
        if self._person is not None:
            self._person.probe_moved()

    def confirm(self) -> str:
        """The simulated probe stays where it is."""
        return ""

    def release(self) -> None:
        """Take the simulated probe off the board."""
        if self._person is not None:
            self._person.release()
        self._send("SIMulate:PROBe NONE")
        self._at = None

    def move(self) -> str:
        """Return what a person who reads the meter is still to be told of the probe."""
        return "" if self._person is None else self._person.move()

    def leads(self, where: LeadsPlace, inputs: Sequence[str]) -> None:
        """Move the simulated leads, the probe off the board first; free ends are probed by the input's name."""
        if self._person is not None:
            self._person.leads(where, inputs)
        self._send("SIMulate:PROBe NONE")
        self._at = None
        self._send(f"SIMulate:LEADs {where.value.upper()}")
        self._journal.show("event", f"simulated: the supply's leads are {WORDS[where]}", kind="simulated")

    def unit(self, serial: str) -> None:
        """Put the simulated unit of that serial number on the bench."""
        self._send(f'SIMulate:UNIT "{serial}"')

    def state(self, name: str) -> None:
        """Put the simulated board into that state."""
        self._send(f'SIMulate:STATe "{name}"')

    def _send(self, text: str) -> None:
        """Send it and ask for the error, so that it has happened before anything else does."""
        question = Message("SYSTem:ERRor?", ReplyKind.ERROR)
        replies = self._waits.result(self._link.submit((Message(text), question)), "simulated bench", text)
        line = replies[-1].line
        error = read_error(line) if line is not None else None
        if error is None or error.code != 0:
            said = line if line is not None else str(replies[-1].fault)
            raise LinkError(f"the simulated bench refuses `{text}`: {said}", instrument=self._link.name, sent=text)
