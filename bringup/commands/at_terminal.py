"""Who is at the terminal of an attempt, and which view suits it: a person or nobody, live or plain lines."""

from __future__ import annotations

import getpass
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from bringup.host.clock import HostClock
    from bringup.runner.protocols import Ask
    from bringup.terminal.keys import Keys
    from bringup.terminal.person import Person
    from bringup.terminal.view import View


def at_a_terminal() -> bool:
    """Whether standard input and output are a terminal, so that somebody can be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def login_name() -> str:
    """Return who is logged in; 'unknown' where the system does not say."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def make_person(clock: HostClock, *, unattended: bool) -> Person | None:
    """Return the person at the terminal; None where there is no terminal or nobody is said to be there."""
    if unattended or not at_a_terminal():
        return None
    from bringup.terminal.person import Person

    return Person(wake=clock.wake)


def choose_ask(person: Person | None, *, simulated: bool) -> Ask:
    """Return who answers questions: the person; else the simulated bench by itself; else nobody."""
    if person is not None:
        return person
    if simulated:
        from bringup.simulation.person import SimulatedPerson

        return SimulatedPerson()
    from bringup.terminal.nobody import Nobody

    return Nobody()


@contextmanager
def showing(person: Person | None, clock: HostClock, stream: TextIO) -> Iterator[tuple[View, Keys | None]]:
    """Run the view that suits the terminal, and the keys if a person is there."""
    from bringup.terminal.plain import PlainView

    plain = not stream.isatty() or bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
    view: View
    if plain:
        view = PlainView(stream, person)
    else:
        from bringup.terminal.live import LiveView

        view = LiveView(stream, person)
    keys: Keys | None = None
    if person is not None:
        from bringup.terminal.keys import Keys as TerminalKeys

        person.on_changed(view.changed)
        keys = TerminalKeys(person.press, on_lost=clock.hang_up)
    view.start()
    try:
        with keys.taken() if keys is not None else nullcontext():
            yield view, keys
    finally:
        view.close()


def suspend(clock: HostClock, keys: Keys | None) -> None:
    """Stop the process after Ctrl-Z, the terminal given back meanwhile. Outputs are off by then."""
    with keys.given_back() if keys is not None else nullcontext():
        clock.suspend_now()
