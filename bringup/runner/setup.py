"""What an attempt is given and what it gives back. The command fills in AttemptSetup; the runner never opens anything.

Everything here is a plain record. Links, logbook and terminal come in through the protocols of protocols.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import field

from bringup.core.bench import Bench
from bringup.core.frozen import frozen
from bringup.core.only import Only
from bringup.core.procedure import Procedure
from bringup.core.reading import Reading
from bringup.core.unlike import Sisters
from bringup.core.words import AttemptResult
from bringup.errors import ExitCode
from bringup.runner.earlier import Earlier
from bringup.runner.load_role import Load
from bringup.runner.protocols import Ask, Clock, Guard, Line, Link, Photos, Programs, Record, Tell
from bringup.runner.records import SourceText
from bringup.runner.roles import Meter, Scanner, Supply
from bringup.runner.scpi_scope import ScpiScope
from bringup.runner.unguarded import Unguarded
from bringup.runner.wakefulness import KeepAwake

EXIT_CODE_OF: dict[AttemptResult, ExitCode] = {
    AttemptResult.PASSED: ExitCode.PASSED,
    AttemptResult.FAILED: ExitCode.FAILED,
    AttemptResult.INCOMPLETE: ExitCode.FAILED,
    AttemptResult.CALLED_OFF: ExitCode.STOPPED,
    AttemptResult.BROKEN_OFF: ExitCode.STOPPED,
}
"""What each result tells the shell."""


def nothing() -> None:
    """Do nothing: the default of a hook."""


@frozen
class AttemptSetup:
    """One procedure on one unit at one bench. The instruments' links are open, nothing has been sent but `*IDN?`."""

    serial: str
    procedure: Procedure
    bench: Bench
    supply: Supply | None
    meter: Meter | None
    clock: Clock
    ask: Ask
    record: Record
    tell: Tell
    operator: str
    tool_version: str
    scanner: Scanner | None = None
    load: Load | None = None
    scope: ScpiScope | None = None
    simulated_link: Link | None = None
    """A link to a simulated instrument (meter or supply): it then moves probe and leads instead of a person."""
    unattended: bool = False
    """`--unattended` was given."""
    variant: str = ""
    lot: str = ""
    ambient: float | None = None
    fixture: str = ""
    sources: tuple[SourceText, ...] = ()
    acknowledged: set[str] = field(default_factory=set)
    """Cautions acknowledged in this sitting; grows, so pass the same set to every attempt of a sitting."""
    nulled: dict[str, float] = field(default_factory=dict)
    """Meter -> ohms of its own leads, as found in this sitting; as above."""
    programs: Programs | None = None
    """Where programs of this computer are run; None: nowhere."""
    photos: Photos | None = None
    """Where photos are read; None: nowhere."""
    program_files: Mapping[str, str] = field(default_factory=dict)
    """Program as the procedure names it -> its file, as found before anything was powered."""
    loaded: Mapping[str, str] = field(default_factory=dict)
    """File that a program loads, as the procedure names it -> its SHA-256 before anything was powered."""
    lines: Mapping[str, Line] = field(default_factory=dict)
    """The serial lines that the steps listen to, by name."""
    suspend: Callable[[], None] = nothing
    """Called after Ctrl-Z once the outputs are off; returns when the process goes on."""
    guard: Guard = field(default_factory=Unguarded)
    """Who switches off when this process dies or hangs."""
    awake: KeepAwake | None = None
    """Keeps the computer awake while an output is on; None: nothing does."""
    going_on: Earlier | None = None
    """The attempt that this one continues; whether it may has been found out before (earlier.differences)."""
    only: Only | None = None
    """What the attempt is confined to; the procedure holds nothing else then."""
    sisters: Sisters | None = None
    """What passed sisters of the unit read, to notice a reading that is unlike theirs."""
    poll_every: float = 0.2
    """Seconds between two looks at the supply while an output is on."""


@frozen
class AttemptOutcome:
    """What became of an attempt."""

    id: str
    result: AttemptResult
    cause: str
    """One sentence; empty when passed."""
    readings: tuple[Reading, ...]
    off_verified: bool | None
    """Whether every output was off at the end, by asking. None: nothing was ever switched on."""
    load_off: bool | None = None
    """The same of the load's channels."""
    unrecorded: tuple[Reading, ...] = ()
    """Readings that were taken but that the logbook could not keep."""
    interrupted: bool = False
    """Whether a signal, a lost terminal or `bringup off` ended it: then whoever would begin another one does not."""

    @property
    def exit_code(self) -> ExitCode:
        """What to tell the shell."""
        return EXIT_CODE_OF[self.result]
