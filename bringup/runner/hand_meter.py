"""A meter that speaks to nobody: a person reads it and types what it shows.

A value that looks like a slip is asked for once more, then taken and flagged.
"""

from __future__ import annotations

from collections.abc import Mapping

from bringup.core.bench import MeterRole
from bringup.core.limits import Limits
from bringup.core.reading_time import Fixed
from bringup.core.replies import Value
from bringup.core.wording import limits_text
from bringup.core.words import Kind
from bringup.runner.exchange import settled
from bringup.runner.key_words import LETTERS
from bringup.runner.pending import Pending
from bringup.runner.protocols import Ask
from bringup.runner.records import InstrumentInfo
from bringup.runner.roles import KIND_OF, Attached, Function, Trouble
from bringup.runner.typed import Typed, Wanted, near, type_in, value_of

DIAL_OF = {
    Function.DC_VOLTS: "dial at DC volts, red lead in the volts jack",
    Function.DC_AMPS: "dial at DC amps, red lead in the amps jack (the largest range first)",
    Function.TEMPERATURE: "dial at temperature, its sensor in the jacks",
    Function.OHMS: "dial at ohms, range automatic or the highest, red lead in the volts jack",
}
INSTEAD = (
    "Keys instead of a value, no Enter: r takes the last reading again, x an extra one, l leaves this point out,"
    " L the step, c corrects, n notes, w enters a rework, p a photo, q calls off; o and Enter: an observation."
)
"""Said once: while a value is typed, keys are letters of it."""


class HandMeter:
    """A meter that a person reads (roles.Meter)."""

    by_hand = True

    def __init__(self, role: MeterRole, ask: Ask, *, limits: Mapping[str, Limits] | None = None) -> None:
        """`limits`: voltage limits of the board's points by name, by which slips are noticed."""
        self._role = role
        self._ask = ask
        self._limits = dict(limits or {})
        self._dial: Function | None = None
        self._asked = False

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook."""
        return InstrumentInfo("meter", "", "", None, self._role.calibration_due, simulated=False, by_hand=True)

    def attach(self) -> Pending[Attached]:
        """Nothing answers by itself."""
        return settled(Attached(None))

    def to_volts(self) -> Pending[tuple[str, tuple[Trouble, ...]]]:
        """Send nothing: where its dial is to be is said with each question."""
        return settled(("", ()))

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
        """Ask what the meter shows at `point`; dial and jack are named when they change, the probe when it moves."""
        del fixed
        if function not in KIND_OF or function is Function.AC_VOLTS:
            why = f"{function.value} is not read by hand"
            return settled((Value(None, "", why=why), (Trouble("", why),)))
        kind = KIND_OF[function]
        lines = (f"Meter: {DIAL_OF[function]}.",) if function is not self._dial else ()
        lines = lines if self._asked else (*lines, INSTEAD)
        lines = lines if limits is None else (*lines, f"Expected: {limits_text(limits)}.")
        self._dial, self._asked = function, True
        others = {name: each for name, each in self._limits.items() if name != point}
        volts = kind is Kind.VOLTAGE
        powered = volts and not dead
        asked = f"{move}. What does the meter show?" if move else "what does the meter show?"
        wanted = Wanted(
            f"{point}: {asked}" if point else asked[0].upper() + asked[1:],
            kind,
            lines,
            self._measure_of_slips(kind, point, around, limits, dead=dead),
            others if powered else None,
            letters=keys,
        )

        def taken(typed: Typed) -> tuple[Value, tuple[Trouble, ...]]:
            if typed[1] in LETTERS:
                self._dial = None  # perhaps turned, perhaps not: the next question says it again
            return value_of(typed, kind), typed[2]

        return type_in(self._ask, wanted).then(taken)

    def _measure_of_slips(
        self, kind: Kind, point: str, around: float | None, limits: Limits | None, *, dead: bool
    ) -> Limits | None:
        """Return within what a value is no slip: the reading's own limits, else the board's, else what is expected.

        Limits of volts that reach to zero are met by what slipped as well.
        """
        if kind is not Kind.VOLTAGE:
            return near(around, kind)
        if limits is not None and limits.low is not None and limits.high is not None and limits.low * limits.high > 0:
            return limits
        return None if dead else self._limits.get(point, near(around, kind))

    def close(self) -> None:
        """Nothing to let go of."""
