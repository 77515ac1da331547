"""A reading: one value with everything needed to judge it again later. The record that all queries read."""

from __future__ import annotations

from dataclasses import field
from datetime import datetime

from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.words import How, Kind, LimitsFrom, Result

BEFORE_OHMS = "before resistance"
"""How the aspect of volts ends that show whether ohms can be measured at all."""
TAKEN_AGAIN = "again"
"""Said of a reading that stands in the place of the one before it, which is kept."""
BY_BOARD = "by the board"
"""Aspect of what the board itself says that a rail has: no instrument's word."""
AT_LEADS = "at the free leads"
"""Aspect of the readings that `leads` takes."""
SUPPLY_LEADS = "supply leads"
"""Aspect of the ohms that they are reckoned to have: of the bench, not of the board."""
RIPPLE_RMS = "ripple RMS"
"""Aspect of volts that are AC: nothing of them is what the point carries."""
RIPPLE_PEAKS = "ripple peak to peak"
"""The same as a scope reads them."""


def new_id() -> str:
    """Return a fresh UUID as text."""
    from uuid import uuid4  # no reading is taken before the first message

    return str(uuid4())


@frozen
class Reading:
    """One value. `value` None goes with result `no value`; it is never NaN or infinite."""

    step: int
    point: str | None
    """Rail or input, None where the reading is of neither."""
    kind: Kind
    value: float | None
    unit: str
    limits: Limits | None
    limits_from: LimitsFrom
    result: Result
    at: datetime
    """UTC, aware."""
    monotonic: float
    """Seconds of the attempt's monotonic clock."""
    instrument: str
    """Role that took it ('supply', 'meter', 'person')."""
    raw: str
    """The reply as it came, or what was typed."""
    how: How = How.READ
    aspect: str = ""
    """Which statistic of a `log` ('minimum', 'maximum', 'mean', 'standard deviation') or which of several alike
    ('at the board', ...)."""
    resolution: float | None = None
    """Weight of the last digit of the reply, base units; None if unknown."""
    board_state: str | None = None
    input_volts: float | None = None
    """As the supply reports them beside this reading."""
    input_amps: float | None = None
    unsettled: bool = False
    lowest: float | None = None
    highest: float | None = None
    """Range of an unsettled reading."""
    decision_rule: str = "simple acceptance"
    uncertainty: float | None = None
    """Expanded (JCGM 100), in `unit`; None: not known."""
    coverage_factor: float | None = None
    """What `uncertainty` is divided by to have the standard one."""
    degrees_of_freedom: float | None = None
    """Effective ones; None beside an uncertainty: infinitely many."""
    uncertainty_from: str = ""
    """What contributed how much, or why it is not known though an accuracy is stated."""
    conformance: float | None = None
    """Probability, 0 .. 1, that what was measured lies within the limits; None: not known, or no limits."""
    meter_range: float | None = None
    """Range that the meter was set to; None: it chose one itself, or nobody knows."""
    limits_basis: str = ""
    """How limits that nobody wrote came about: 'worst case of ...', 'learnt from 5 units that passed'."""
    note: str = ""
    replaces: str | None = None
    """Id of the typed reading that this one corrects."""
    id: str = field(default_factory=new_id)

    @property
    def by_supply(self) -> bool:
        """Whether a supply took it, the first or one beside it ('supply bias')."""
        return self.instrument.split(" ", 1)[0] == "supply"

    @property
    def of_powered_point(self) -> bool:
        """Whether these are volts that its point carried: no figure worked out, no AC, nothing read without power."""
        return (
            self.kind is Kind.VOLTAGE
            and self.how is not How.DERIVED
            and self.instrument != "scope"
            and self.aspect not in (RIPPLE_RMS, AT_LEADS, BY_BOARD)
            and not self.aspect.endswith(BEFORE_OHMS)
        )
