"""A bench as frozen records: which instrument plays which role. Reading it from YAML is files.bench_file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field, replace
from datetime import date
from typing import TYPE_CHECKING

from bringup.core.accuracy import Accuracy
from bringup.core.calibration import CalibrationRule
from bringup.core.frozen import frozen
from bringup.core.quantity import Quantity
from bringup.core.reading_time import Integration
from bringup.core.serial_line import SerialLine
from bringup.core.serial_port import PortSettings
from bringup.core.specification import Specification

if TYPE_CHECKING:
    from bringup.core.dialect import Dialect  # its replies know the Identity that stands here
    from bringup.core.simulate import Simulate

WATCHDOG = 5.0
"""Seconds of silence after which a supply with a communication watchdog is to switch off by itself: well beyond what
the tool lets pass before it counts the supply as lost, and switches off in its own way."""

LEADS_AT_MOST = 0.5
"""Ohms: sound leads have 0.05 to 0.5 together (common practice, no source)."""

FIRST_OUTPUTS = 100
"""Between the first outputs of two supplies: an instrument's own numbers go to 99."""

SIMULATED_MAKER = "BRINGUP SIMULATED"
"""First field of `*IDN?` of every simulated instrument. Reserved: one such role marks the attempt as simulated."""

_LOOPBACK = re.compile(r"TCPIP[0-9]*::(127(\.[0-9]{1,3}){3}|localhost|\[?::1\]?)(::.*)?", re.IGNORECASE)


def on_loopback(resource: str) -> bool:
    """Whether a VISA resource string names this computer itself: only there can a simulated instrument listen."""
    return _LOOPBACK.fullmatch(resource) is not None


@frozen
class Identity:
    """The four fields of `*IDN?` (IEEE 488.2, 10.14), stripped. Missing fields are empty."""

    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""
    text: str = ""
    """The reply as it came."""

    @property
    def simulated(self) -> bool:
        """Whether this is one of our simulated instruments."""
        return self.maker == SIMULATED_MAKER


@frozen
class Expected:
    """Whom the bench file says to expect; an empty field is not compared. Case is ignored."""

    maker: str = ""
    model: str = ""
    serial: str = ""


@frozen
class Ceiling:
    """What no step may exceed on this bench."""

    voltage: Quantity | None = None
    current: Quantity | None = None
    whose: str = "this bench's"


@frozen
class SupplyRole:
    """The supply. `resource` None with a dialect means simulated, without one by hand."""

    resource: str | None
    dialect: str = ""
    outputs: Mapping[str, int] = field(default_factory=dict)
    """Board input -> output number. By hand, or where nothing is said: one output, number 1, serves every input."""
    leave_alone: tuple[int, ...] = ()
    remote_sense: bool = False
    ceiling: Ceiling = Ceiling()
    expected: Expected = Expected()
    calibration_due: date | None = None
    watchdog: float | None = WATCHDOG
    """Time-out in seconds of its own communication watchdog, if the dialect reaches one; None: not to be used."""
    port: PortSettings = PortSettings()
    """What the bench file says of its serial port; the rest is the dialect's."""
    address: int | None = None
    """What its dialect's greeting calls it by."""
    accuracy: Accuracy | None = None
    """Of what it sets and of what it reads, in volts; None: not stated."""
    current_accuracy: Accuracy | None = None
    """Of the current that it reads, in amperes; None: not stated."""
    leads_at_most: float = LEADS_AT_MOST
    """Ohms of both its leads together above which they are pointed out."""
    name: str = "supply"
    """What it is called beside others: 'supply', or 'supply bias' for `more_supplies: {bias: ...}`."""
    first: int = 0
    """Added to its own output numbers wherever outputs of several supplies are told apart by a number."""
    line: int = 0
    column: int = 0

    @property
    def by_hand(self) -> bool:
        """Whether a person sets and reads it: no resource and no dialect. A simulated role has a dialect."""
        return self.resource is None and not self.dialect


@frozen
class MeterRole:
    """The meter. `resource` None with a dialect means simulated, without one by hand."""

    resource: str | None
    dialect: str = ""
    expected: Expected = Expected()
    calibration_due: date | None = None
    port: PortSettings = PortSettings()
    address: int | None = None
    accuracy: Accuracy | Specification | None = None
    """Of the DC volts it reads, or its data sheet's table; None: not stated."""
    calibrated: date | None = None
    """When it was last; None: not stated."""
    integrations: tuple[Integration, ...] = ()
    """What it scatters at each integration time; none: every reading takes the usual one."""
    test_ratio: float = 4.0
    """Test uncertainty ratio for which readings are integrated no longer than needed."""
    high_impedance: bool = False
    """DC volts with an input above 10 gigohm, but for points that nothing powers."""
    line: int = 0
    column: int = 0

    @property
    def by_hand(self) -> bool:
        """Whether a person sets and reads it: no resource and no dialect. A simulated role has a dialect."""
        return self.resource is None and not self.dialect


@frozen
class LoadCeiling:
    """What no step may have the load of this bench draw."""

    current: Quantity | None = None
    power: Quantity | None = None


@frozen
class LoadRole:
    """The electronic load. `resource` None means simulated."""

    resource: str | None
    dialect: str
    channels: Mapping[str, int] = field(default_factory=dict)
    """Rail or input of the board -> channel of the load that draws from it."""
    remote_sense: bool = False
    ceiling: LoadCeiling = LoadCeiling()
    accuracy: Accuracy | None = None
    """Of the volts that it reads; None: not stated."""
    current_accuracy: Accuracy | None = None
    expected: Expected = Expected()
    calibration_due: date | None = None
    port: PortSettings = PortSettings()
    address: int | None = None
    line: int = 0
    column: int = 0

    @property
    def by_hand(self) -> bool:
        """Never: a load that a person sets is no role, for nobody would switch it off when that must be quick."""
        return False


@frozen
class ScannerRole:
    """The scanner: relays that connect the meter to points of the board. Never by hand.

    Without resource, and not in the meter, it is simulated.
    """

    resource: str | None
    dialect: str
    channels: Mapping[str, int] = field(default_factory=dict)
    """Point of the board -> the channel that connects it to the meter."""
    places: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    """Point -> line and column of the bench file that map it."""
    ground: int | None = None
    """Channel that connects the meter's low side to the board's ground, closed beside each other one; None: wired."""
    rating: float = 0.0
    """Volts that may stand between any two of its contacts."""
    settling: float | None = None
    """Seconds from a relay that has moved to a reading; None: as its dialect says."""
    in_meter: bool = False
    """A card in the meter: the meter's link is its own."""
    expected: Expected = Expected()
    calibration_due: date | None = None
    port: PortSettings = PortSettings()
    address: int | None = None
    line: int = 0
    column: int = 0
    by_hand = False


@frozen
class ScopeRole:
    """The oscilloscope, of which one channel is used. Never by hand. Without resource it is simulated."""

    resource: str | None
    dialect: str
    channel: int = 1
    probe: float = 10.0
    """By how much the probe attenuates: volts at its tip to volts at the input."""
    expected: Expected = Expected()
    calibration_due: date | None = None
    port: PortSettings = PortSettings()
    address: int | None = None
    line: int = 0
    column: int = 0
    by_hand = False


@frozen
class Bench:
    """One bench. With `simulate`, roles that name no resource are simulated; their dialects are still honoured."""

    name: str
    supply: SupplyRole | None
    meter: MeterRole | None
    probing_by_hand: bool = True
    """`probing: by hand` or `fixed wiring`."""
    simulate: Simulate | None = None
    scanner: ScannerRole | None = None
    calibration: CalibrationRule = CalibrationRule()
    backend: str = "@py"
    """pyvisa's backend."""
    path: str = ""
    dialects: Mapping[str, Dialect] = field(default_factory=dict, compare=False)
    """Role -> the dialect that the bench file names, as it was read and checked with it."""
    decided: frozenset[str] = frozenset()
    """Roles whose dialect the bench file leaves out: the maker and model that it expects decided it."""
    load: LoadRole | None = None
    more_supplies: tuple[SupplyRole, ...] = ()
    """Supplies beside the first one, by name, each feeding inputs of its own; none of them by hand."""
    scope: ScopeRole | None = None
    scope_beside: bool = False
    """There is a scope that no step asks: its leads are earthed all the same."""
    lines: Mapping[str, SerialLine] = field(default_factory=dict)
    """Serial lines of the board, by name."""

    @property
    def supplies(self) -> tuple[SupplyRole, ...]:
        """Every supply, the first one first."""
        return self.more_supplies if self.supply is None else (self.supply, *self.more_supplies)

    def supply_of(self, name: str) -> SupplyRole | None:
        """Return the supply that feeds that input: the one whose outputs name it, else the first one."""
        return next((each for each in self.supplies if name in each.outputs), self.supply)

    def of_variant(self, variant: str) -> Bench:
        """Return the bench with a unit of that variant on it, where it simulates one. '': as the file says."""
        if self.simulate is None or not variant:
            return self
        return replace(self, simulate=replace(self.simulate, variant=variant))

    def listening_to(self, names: Iterable[str]) -> Bench:
        """Return the bench with no other serial lines than these: a line that nobody hears is not opened."""
        wanted = frozenset(names)
        return replace(self, lines={name: line for name, line in self.lines.items() if name in wanted})

    def for_steps(self, *, scope: bool = False) -> Bench:
        """Return the bench as an attempt uses it: a scope that no step asks, and that may be off, stops nobody."""
        return self if scope else replace(self, scope=None, scope_beside=self.scope is not None)

    def scanned(self, point: str) -> bool:
        """Whether the scanner connects the meter to that point of the board."""
        return self.scanner is not None and point in self.scanner.channels

    def probed_by_hand(self, point: str) -> bool:
        """Whether somebody has to hold a probe on that point."""
        return self.probing_by_hand and not self.scanned(point)

    def surely_real(self) -> Iterator[str]:
        """Yield what shows without asking anything that this bench is no simulation: 'the supply is at TCPIP0::...'.

        An instrument on loopback may be a simulated one or not: only its `*IDN?` tells.
        """
        roles = (
            *((each.name, each) for each in self.supplies),
            ("meter", self.meter),
            ("load", self.load),
            ("scanner", self.scanner),
            ("scope", self.scope),
        )
        for name, role in roles:
            if role is not None and role.by_hand:
                yield f"the {name} is by hand"
            elif role is not None and role.resource is not None and not on_loopback(role.resource):
                yield f"the {name} is at {role.resource}"
        for line in self.lines.values():
            if not line.simulated and not line.on_loopback:
                yield f"the serial line {line.name} is at {line.where}"
