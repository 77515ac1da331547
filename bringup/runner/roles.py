"""The roles as the runner uses them. Every operation returns at once with a Pending, awaited at the wait point.

Implemented by scpi_supply, scpi_meter (through a Dialect and a Link) and by_hand (through Ask).
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import Protocol

from bringup.core.bench import Identity
from bringup.core.dialect import UNIT_OF_FUNCTION, Dialect
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.reading_time import Fixed
from bringup.core.replies import ScpiError, Value
from bringup.core.words import Kind
from bringup.runner.pending import Pending
from bringup.runner.records import InstrumentInfo, LinkFault, PollSample


class Function(StrEnum):
    """What a meter is asked for. The text is the key in a dialect's `functions`."""

    DC_VOLTS = "dc volts"
    AC_VOLTS = "ac volts"
    DC_AMPS = "dc amps"
    AC_AMPS = "ac amps"
    OHMS = "ohms"
    FOUR_WIRE_OHMS = "four-wire ohms"
    CAPACITANCE = "capacitance"
    DIODE = "diode"
    FREQUENCY = "frequency"
    TEMPERATURE = "temperature"

    @property
    def unit(self) -> str:
        """The unit of what it measures."""
        return UNIT_OF_FUNCTION[self.value]


KIND_OF = {
    Function.DC_VOLTS: Kind.VOLTAGE,
    Function.AC_VOLTS: Kind.VOLTAGE,
    Function.DC_AMPS: Kind.CURRENT,
    Function.OHMS: Kind.RESISTANCE,
    Function.TEMPERATURE: Kind.TEMPERATURE,
}
"""What the readings of an attempt are of: the functions that steps ask for."""


class Protection(StrEnum):
    """The supply's own protections."""

    OVER_VOLTAGE = "over-voltage"
    OVER_CURRENT = "over-current"
    WATCHDOG = "communication watchdog"
    """Its level is a time: seconds without a message after which the supply switches off by itself."""


@frozen
class Trouble:
    """Something an instrument reported or failed to do, for the logbook: with the command that caused it."""

    sent: str
    text: str
    errors: tuple[ScpiError, ...] = ()
    fault: LinkFault | None = None
    strays: tuple[str, ...] = ()
    wrong: bool = False
    """What was meant was not done although nothing was reported: another output is selected, say."""
    instrument: str = ""
    """Which of several supplies it was, and the text names it; '' where whoever asked knows."""


@frozen
class Attached:
    """What was found on attaching. Nothing was changed."""

    identity: Identity | None
    old_errors: tuple[ScpiError, ...] = ()
    """Errors that were waiting in its queue: they belong to somebody earlier, and reading them cleared them."""
    troubles: tuple[Trouble, ...] = ()
    dialect: Dialect | None = None
    """How this model is spoken to; None by hand."""


@frozen
class OutputSettings:
    """Set points and state of one output as read back. None: the dialect cannot tell, or no value came."""

    output: int
    volts: float | None
    amps: float | None
    on: bool | None
    over_voltage: float | None = None
    over_current: float | None = None
    watchdog: float | None = None
    disabled: tuple[Protection, ...] = ()
    """Protections that the supply says are off: their levels are None."""
    answer_takes: float | None = None
    """Seconds that one query takes, the gap before it included."""
    troubles: tuple[Trouble, ...] = ()


@frozen
class Done:
    """A setting that was sent, read back and its error queue looked at. `readback` None: could not be read."""

    readback: float | None = None
    on: bool | None = None
    troubles: tuple[Trouble, ...] = ()

    @property
    def faultless(self) -> bool:
        """Whether nothing was reported or found wrong (stray lines apart)."""
        return not any(trouble.errors or trouble.fault or trouble.wrong for trouble in self.troubles)


class Supply(Protocol):
    """What feeds the board: one supply with numbered outputs, or several whose numbers tell their outputs apart."""

    @property
    def by_hand(self) -> bool:
        """Whether a person sets and reads it: no polling, no trips, off is the person's word."""

    @property
    def parts(self) -> Sequence[OneSupply]:
        """The supplies it is made of: itself where it is one."""

    def instrument(self, output: int) -> str:
        """Which supply that output is of, as the logbook calls it: 'supply', 'supply bias'."""

    def called(self, output: int) -> str:
        """Return what people call that output: 'output 1', 'output 1 of the supply bias'."""

    def can_protect(self, output: int, protection: Protection) -> bool:
        """Whether the supply of that output has that protection and the dialect reaches it."""

    def outputs(self) -> Sequence[int]:
        """Outputs the bench file gives to inputs, plus those to be left alone."""

    def settings(self, output: int) -> Pending[OutputSettings]:
        """Read set points, protections and output state."""

    def set_voltage(self, output: int, volts: float) -> Pending[Done]:
        """Set the level. `volts` >= 0."""

    def set_current_limit(self, output: int, amps: float) -> Pending[Done]:
        """Set the current limit."""

    def set_protection(
        self, output: int, protection: Protection, level: float | None, delay: float = 0.0
    ) -> Pending[Done]:
        """Set and enable a protection; `level` None disables it."""

    def set_remote_sense(self, output: int, remote: bool) -> Pending[Done]:
        """Choose where the supply senses; a Trouble if the dialect cannot."""

    def switch(self, output: int, on: bool) -> Pending[Done]:
        """Switch one output and ask what it is now."""

    def all_off(self) -> Pending[Done]:
        """Every output off except those to be left alone, relying on no earlier selection; `on`: what it says then."""

    def poll(self, output: int) -> Pending[PollSample]:
        """Look at one output. Never raises: a silent supply is a sample with a fault."""

    def clear_trip(self, output: int) -> Pending[Done]:
        """Clear a tripped protection (the caller keeps to the order off, verify, lower, clear, verify)."""

    def close(self) -> None:
        """Let go of the link; outputs stay as they are."""


class OneSupply(Supply, Protocol):
    """One instrument among those that feed the board, met by itself. Its outputs have the numbers at its front."""

    @property
    def parts(self) -> Sequence[OneSupply]:
        """Itself."""
        return (self,)

    def instrument(self, output: int) -> str:
        """Which supply that output is of."""
        del output
        return self.info.role

    def called(self, output: int) -> str:
        """Return what people call that output."""
        return f"output {output}"

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook; complete after `attach`."""

    def attach(self) -> Pending[Attached]:
        """Identify and empty the error queue. Changes no output, level, limit or protection."""

    def pace(self, answer: float) -> float:
        """Take in how many seconds one answer takes. Returns those of a look at one output."""


@frozen
class Routed:
    """What came of moving relays. `why`: what is not as it was to be, '' if it is."""

    why: str = ""
    stuck: frozenset[int] = frozenset()
    """Channels that are closed though they were to be open: nothing may be closed beside them."""
    troubles: tuple[Trouble, ...] = ()
    rested: float = 0.0
    """Monotonic seconds at which the relays were known to rest; 0: none moved."""
    lost: bool = False
    """The link failed: nobody knows which relays are closed."""


class Scanner(Protocol):
    """Relays between the meter and points of the board, one of them closed at a time."""

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook; complete after `attach`."""

    @property
    def settling(self) -> float:
        """Seconds from a relay that has moved to a reading."""

    def reaches(self, point: str) -> bool:
        """Whether it connects that point of the board."""

    def attach(self) -> Pending[Attached]:
        """Identify and empty the error queue. Moves no relay."""

    def connect(self, point: str) -> Pending[Routed]:
        """Open what is closed, verify that, close the point's channel, verify that: break before make."""

    def still(self, point: str) -> Pending[Routed]:
        """Ask whether that point is connected, and nothing else. Moves no relay."""

    def open_all(self) -> Pending[Routed]:
        """Open every relay and verify it, relying on nothing that was known before."""

    def close(self) -> None:
        """Let go of the link."""


class Meter(Protocol):
    """One meter."""

    @property
    def by_hand(self) -> bool:
        """Whether a person reads it."""

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook; complete after `attach`."""

    def attach(self) -> Pending[Attached]:
        """Identify and empty the error queue. Changes nothing else."""

    def read(
        self,
        function: Function,
        *,
        around: float | None = None,
        limits: Limits | None = None,
        point: str = "",
        move: str = "",
        dead: bool = False,
        keys: str = "",
        fixed: Fixed | None = None,
    ) -> Pending[tuple[Value, tuple[Trouble, ...]]]:
        """Take one fresh reading. `around`: the value expected, from which a fixed range is chosen (None: autorange).

        By hand: the person is asked for what the meter shows at `point`; `move` says in words where the probe goes
        first, '' if it is there; `dead`: nothing feeds the board, or the point is to carry other volts than when it is
        powered: these are no measure then of what looks like a slip. `limits`: by which this very reading will be
        judged; they are the measure of a slip wherever they are known. `keys`: what may be pressed instead of a value.
        `fixed`: what the procedure fixes of range and integration time. Never raises for an instrument's silence.
        """

    def to_volts(self) -> Pending[tuple[str, tuple[Trouble, ...]]]:
        """Have it set to DC volts before a relay puts it on what may be live; nothing is sent if it was told so last.

        Why it is not in volts, '' where it is; and what went wrong. By hand, the person sees to it.
        """

    def close(self) -> None:
        """Let go of the link."""
