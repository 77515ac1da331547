"""Switches the channels of a load off from here, on a session of its own, where no attempt does it.

Called by the guardian and by `bringup off`, always after the supply: what is not fed draws nothing.
"""

from __future__ import annotations

import threading
import time

from bringup.commands.session_alone import session_alone
from bringup.core.bench import Identity, LoadRole
from bringup.core.dialect import Dialect
from bringup.core.frozen import frozen
from bringup.errors import BringupError
from bringup.instruments.opening import result
from bringup.runner.scpi_load import ScpiLoad

TRY_FOR = 15.0
"""Seconds for which a load is tried: a tool that was killed frees its session only when the system has closed it."""
PAUSE = 0.25
PATIENCE = 3.0
"""Seconds for the first answer of one try."""
UNKNOWN = "the state of the LOAD is UNKNOWN, switch it off at its own switch"


@frozen
class LoadReached:
    """A load, and where it is reached."""

    role: LoadRole
    dialect: Dialect
    resource: str
    backend: str = "@py"
    known: Identity | None = None
    """Who answered there before; nobody else is switched off."""


def load_off(load: LoadReached, *, try_for: float = TRY_FOR) -> str:
    """Switch every channel of ours off and ask. Returns '' once that is verified, else why not. Never raises."""
    until = time.monotonic() + try_for
    while True:
        why = _once(load)
        if not why or time.monotonic() >= until:
            return why
        time.sleep(PAUSE)


def _once(load: LoadReached) -> str:
    try:
        with session_alone("load", load, PATIENCE) as link:
            done = result(ScpiLoad(load.role, load.dialect, link, resource=load.resource).all_off())
    except BringupError as error:
        return error.message
    except Exception as error:  # noqa: BLE001 - whatever it is, it is told; the outputs are another matter
        return f"{type(error).__name__}: {error}"
    if done.on is False:
        return ""
    return "the load says that a channel is on" if done.on else "the load does not say whether it is off"


class LoadOffBeside:
    """Has the load switched off in a thread of its own, so that the supply never waits for it."""

    def __init__(self, load: LoadReached | None) -> None:
        self._load = load
        self.try_for = TRY_FOR
        """Seconds for which it is tried."""
        self._thread: threading.Thread | None = None
        self._why = ""

    def begin(self) -> None:
        """Start, the supply having been told; nothing if it is at it, was verified off, or there is no load."""
        if self._load is None or (self._thread is not None and (self._thread.is_alive() or not self._why)):
            return
        self._thread = threading.Thread(target=self._work, args=(self._load,), name="load off", daemon=True)
        self._thread.start()

    def forget(self) -> None:
        """Rely on nothing that was verified before: a hand may have been at its panel since."""
        if self._thread is not None and not self._thread.is_alive():
            self._thread = None

    def trouble(self) -> str:
        """Wait for its end and return in words what stood in the way; '' where it is off, verified by asking."""
        if self._thread is None:
            return ""
        self._thread.join(self.try_for + PATIENCE)
        why = "it is still being tried" if self._thread.is_alive() else self._why
        return why and f"{UNKNOWN}: {why}"

    def _work(self, load: LoadReached) -> None:
        self._why = load_off(load, try_for=self.try_for)
