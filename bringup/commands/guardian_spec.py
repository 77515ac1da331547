"""What the guardian is given to know: everything it needs to switch a supply or a load off by itself, in one line.

The records themselves travel, not the files they were read from: whatever becomes of those during an attempt, the
guardian speaks to the instrument as the tool did. Both ends are the same program in the same version.
"""

from __future__ import annotations

import base64
import os
import pickle
from dataclasses import field
from typing import Any

from bringup.commands.load_off import LoadReached
from bringup.commands.relays_open import ScannerReached
from bringup.core.bench import Identity, LoadRole, SupplyRole
from bringup.core.dialect import Dialect
from bringup.core.frozen import frozen
from bringup.host.vigil import HANG_BOUND

TRY_FOR = 300.0
"""Seconds for which the guardian tries to reach a supply whose state nobody knows."""
SHORTER = "BRINGUP_TEST_TRY_FOR"
"""A shorter time, for tests whose supplies end with them."""


def try_for() -> float:
    """Return for how long to try: never longer than TRY_FOR, whatever the environment says."""
    try:
        return min(float(os.environ[SHORTER]), TRY_FOR)
    except (KeyError, ValueError):
        return TRY_FOR


@frozen
class GuardianSpec:
    """One supply, one attempt, one tool. With a supply set by hand the load stands in its place.

    Of several supplies each has a guardian of its own.
    """

    role: SupplyRole | LoadRole
    dialect: Dialect
    resource: str
    """Where it is reached; for a simulated role, where it was served."""
    backend: str
    lock: str
    """What is locked for it (reaching.lock_name)."""
    known: Identity | None
    """Who answered there when the attempt began: nobody else is switched off."""
    bench: str
    serial: str
    logbook: str
    """Absolute path; empty where nothing is kept (a check of the bench itself)."""
    tool: int
    """The tool's process."""
    load: LoadReached | None = None
    """The load, which goes off after the supply; None: there is none beside `role`, or it goes with the tool."""
    scanner: ScannerReached | None = None
    """The scanner, whose relays are opened after a kill; None: there is none, or it goes with the tool."""
    own_child: bool = False
    """The supply is simulated by a child of the tool, and goes with it."""
    terminal: str = ""
    """Path of the tool's terminal; empty if it has none."""
    terminal_modes: list[Any] = field(default_factory=list)
    """How that terminal was set (termios), so that the shell gets it back; empty if unknown."""
    to_go_on: str = ""
    """The command that goes on with the attempt; empty where nobody knows it."""
    of: str = ""
    """' of the supply bias' where it is one of several: added to what is said of its outputs."""
    guardians: int = 1
    """How many guardians there are: off is verified when all of them say so."""
    hang_bound: float = HANG_BOUND
    try_for: float = field(default_factory=try_for)

    @property
    def load_alone(self) -> bool:
        """Whether only the load can be switched off from here: the supply is set by hand."""
        return isinstance(self.role, LoadRole)

    def as_line(self) -> str:
        """Return it as one line of text."""
        return base64.b64encode(pickle.dumps(self)).decode("ascii")


def read_spec(line: str) -> GuardianSpec:
    """Read what `as_line` wrote."""
    spec = pickle.loads(base64.b64decode(line))  # noqa: S301 - see the import
    assert isinstance(spec, GuardianSpec)
    return spec
