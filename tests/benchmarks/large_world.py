"""Units of an invented workshop over some years, for large logbooks: what each is, and what is read on it.

Everything of a unit follows from its number and the seed alone, so that a smaller logbook holds the same first units.
Lots of 500 are assembled one after the other; each is brought up at one of several benches, whose meters differ.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from random import Random

from bringup.core.bench import Identity
from bringup.core.limits import Limits, parse_limits
from bringup.core.words import How, Kind, LimitsFrom
from bringup.runner.records import InstrumentInfo

BOARD = "Mooring buoy logger"
LOT = 500
"""Units that are assembled together."""
BEGIN = datetime(2023, 3, 6, 7, 0, tzinfo=UTC)
BETWEEN_LOTS = timedelta(days=30)
BETWEEN_UNITS = timedelta(minutes=11)
A_DAY = 40
"""Units that one bench brings up in a day."""
RECHECK_AFTER = timedelta(days=2)
DEFECTIVE = 0.05
"""Part of the units with a fault that the first attempt finds."""
OPERATORS = ("ada", "bo", "cleo", "dag", "eli", "fern")


@dataclass(frozen=True, slots=True)
class Bench:
    """One bench. `error`: how far its meter reads off, as a part of the value."""

    name: str
    number: int
    error: float

    def instruments(self, at: datetime) -> tuple[InstrumentInfo, ...]:
        """Return its supply and its meter, whose calibration is due in March of each year."""
        due = date(at.year + (at.month >= 3), 3, 1)
        made = []
        for role, model, place in (("supply", "PS-3", 10), ("meter", "DMM-1", 11)):
            serial = f"{place}{self.number:02d}"
            identity = Identity("WEST DOCK", model, serial, "1.4", f"WEST DOCK,{model},{serial},1.4")
            resource = f"TCPIP0::192.0.2.{place + 10 * self.number}::5025::SOCKET"
            dialect = "select-by-number" if role == "supply" else "configure-and-read"
            made.append(InstrumentInfo(role, resource, dialect, identity, due, simulated=False, by_hand=False))
        return tuple(made)


BENCHES = (
    Bench("Corner bench", 0, 1.2e-5),
    Bench("Window bench", 1, -2.6e-5),
    Bench("Quay workshop", 2, 4.1e-5),
    Bench("Slipway bench", 3, -0.7e-5),
    Bench("Harbour loft", 4, 8.8e-5),
)


@dataclass(frozen=True, slots=True)
class Rail:
    """A rail: what it carries, how far units differ (standard deviation, relative), its limits."""

    volts: float
    scatter: float
    limits: Limits
    limits_from: LimitsFrom
    ohms: float
    ohm_limits: Limits
    resolution: float


def _rail(volts: float, scatter: float, limits: str, ohms: float, least: str, *, stated: bool = False) -> Rail:
    where = LimitsFrom.BOARD if stated else LimitsFrom.COMPUTED
    resolution = 1e-4 if abs(volts) > 10 else 1e-5
    return Rail(volts, scatter, parse_limits(limits), where, ohms, parse_limits(least), resolution)


RAILS = {
    "VIN": _rail(23.993, 3e-5, "18 V .. 30 V", 4599.0, "> 2 kΩ", stated=True),
    "12V0": _rail(12.004, 3.1e-3, "11.76 V .. 12.24 V", 3900.0, "> 200 Ω"),
    "5V0": _rail(4.995, 3.4e-3, "4.8545 V .. 5.1357 V", 2700.0, "> 200 Ω"),
    "3V3": _rail(3.298, 2.8e-3, "3.3 V ± 2 %", 850.0, "> 100 Ω", stated=True),
    "1V8": _rail(1.7996, 3.3e-3, "1.757 V .. 1.8425 V", 2.1, "> 1 Ω"),
    "VREF": _rail(2.5, 3.2e-4, "2.5 V ± 0.2 %", 12000.0, "> 1 kΩ", stated=True),
    "N12V": _rail(-12.002, 3.6e-3, "-12.34 V .. -11.667 V", 6800.0, "> 500 Ω"),
}

UNPOWERED = parse_limits("-50 mV .. 50 mV")
LEADS = parse_limits("23.5 V .. 24.5 V")
NO_SHORT = parse_limits("< 50 mA")
AT_LOWEST = parse_limits("70 mA .. 120 mA")
AT_NOMINAL = parse_limits("60 mA .. 110 mA")
DISCHARGED = parse_limits("< 1 V")


@dataclass(frozen=True, slots=True)
class Value:
    """What is read: point, kind, aspect, value in base units, limits and where they are from, resolution, by what."""

    point: str
    kind: Kind
    aspect: str
    value: float
    limits: Limits | None
    limits_from: LimitsFrom
    resolution: float
    instrument: str = "meter"
    how: How = How.READ
    powered: bool = True


@dataclass(frozen=True, slots=True)
class Step:
    """One step: kind, title, what is read in it."""

    kind: str
    title: str
    values: list[Value]


@dataclass(slots=True)
class Unit:
    """One unit, as it was assembled. `fault`: rail and factor on its volts; '' for none."""

    number: int
    seed: int
    random: Random = field(init=False)
    fault: tuple[str, float] = field(init=False)
    parts: dict[str, float] = field(init=False)
    bench: Bench = field(init=False)
    operator: str = field(init=False)

    def __post_init__(self) -> None:
        self.random = Random(f"{self.seed} {self.serial}")  # noqa: S311 - the same each time is what is wanted
        lot = Random(f"{self.seed} lot {self.lot}")  # noqa: S311
        self.parts = {
            name: 1 + lot.gauss(0, rail.scatter / 3) + self.random.gauss(0, rail.scatter)
            for name, rail in RAILS.items()
        }
        defective = self.random.random() < DEFECTIVE
        rail = self.random.choice(("12V0", "5V0", "3V3", "1V8", "VREF", "N12V"))
        self.fault = (rail, self.random.choice((0.93, 0.96, 1.05, 0.988))) if defective else ("", 1.0)
        self.bench = lot.sample(BENCHES, 3)[self.number % 3]
        self.operator = self.random.choice(OPERATORS[self.bench.number :] or OPERATORS)

    @property
    def serial(self) -> str:
        """Its serial number."""
        return f"MBL-{self.number + 1:05d}"

    @property
    def lot(self) -> str:
        """What was assembled together."""
        return f"{2023 + self.number // LOT // 12}-{self.number // LOT % 12 + 1:02d}"

    @property
    def revision(self) -> str:
        """A until the 3rd lot, then B; C from the 20th on."""
        lot = self.number // LOT
        return "A" if lot < 3 else "B" if lot < 20 else "C"

    @property
    def variant(self) -> str:
        """Every fourth reaches far."""
        return "long range" if self.number % 4 == 3 else "short range"

    @property
    def begun(self) -> datetime:
        """When its first attempt starts."""
        lot, place = divmod(self.number, LOT)
        day, turn = divmod(place // 3, A_DAY)
        weekend = timedelta(days=2 * (day // 5) + day)
        return BEGIN + lot * BETWEEN_LOTS + weekend + turn * BETWEEN_UNITS + (place % 3) * timedelta(minutes=3)

    def first_power_on(self) -> list[Step]:
        """Return the steps of the first attempt; 37 readings."""
        ohms = [value for name in RAILS for value in self._ohms(name)]
        return [
            Step("inspect", "Before power", []),
            Step("resistance", f"resistance to ground of {', '.join(RAILS)}", ohms),
            Step("leads", "volts at the free leads of VIN", [self._free_leads()]),
            *self._powered("log VIN current for 5 s", factor=1.0),
        ]

    def recheck(self) -> list[Step]:
        """Return the steps of a later attempt, with its controller programmed; 22 readings."""
        return self._powered("log VIN current for 2 s", factor=1.1)

    def _powered(self, log: str, *, factor: float) -> list[Step]:
        return [
            Step("apply", "apply VIN: 1 V, 18 V, 24 V", list(self._applied(factor))),
            Step("measure", f"measure {', '.join(RAILS)}", [self._volts(name) for name in RAILS]),
            Step("log", log, list(self._logged(factor))),
            Step("power_off", "power off", [self._after()]),
        ]

    def _noise(self, value: float, relative: float) -> float:
        return value * (1 + self.random.gauss(0, relative))

    def _ohms(self, name: str) -> Iterator[Value]:
        rail = RAILS[name]
        rule = LimitsFrom.RULE
        away = round(self.random.gauss(0, 4e-5), 5)
        yield Value(name, Kind.VOLTAGE, "before resistance", away, UNPOWERED, rule, 1e-5, powered=False)
        ohms = round(self._noise(rail.ohms, 0.008), 4)
        yield Value(name, Kind.RESISTANCE, "", ohms, rail.ohm_limits, LimitsFrom.BOARD, 0.01, powered=False)

    def _free_leads(self) -> Value:
        volts = round(self._noise(24.0, 4e-5), 4)
        return Value("VIN", Kind.VOLTAGE, "at the free leads", volts, LEADS, LimitsFrom.RULE, 1e-4)

    def _applied(self, factor: float) -> Iterator[Value]:
        none = LimitsFrom.NONE
        for text, volts, amps, limits in (
            ("short check at 1 V", 1.002, 1e-4, NO_SHORT),
            ("18 V", 17.999, 0.0883, AT_LOWEST),
            ("24 V", 23.998, 0.0687, AT_NOMINAL),
        ):
            set_to = round(self._noise(volts, 5e-5), 3)
            yield Value("VIN", Kind.VOLTAGE, text, set_to, None, none, 1e-3, "supply")
            drawn = round(self._noise(amps * factor, 0.02), 4)
            yield Value("VIN", Kind.CURRENT, text, drawn, limits, LimitsFrom.COMPUTED, 1e-4, "supply")
        at_board = round(self._noise(23.993, 4e-5), 4)
        yield Value("VIN", Kind.VOLTAGE, "at the board", at_board, RAILS["VIN"].limits, LimitsFrom.BOARD, 1e-4)
        leads = round(abs(self._noise(0.097, 0.1)), 4)
        yield Value("VIN", Kind.RESISTANCE, "supply leads", leads, None, none, 0.07, how=How.DERIVED)

    def _volts(self, name: str) -> Value:
        rail = RAILS[name]
        broken = self.fault[1] if name == self.fault[0] else 1.0
        volts = rail.volts * self.parts[name] * broken * (1 + self.bench.error) * (1 + self.random.gauss(0, 1e-5))
        volts = round(volts, 4 if abs(volts) > 10 else 5)
        return Value(name, Kind.VOLTAGE, "", volts, rail.limits, rail.limits_from, rail.resolution)

    def _logged(self, factor: float) -> Iterator[Value]:
        mean = self._noise(0.0687 * factor, 0.02)
        apart = abs(self.random.gauss(0, 4e-4))
        for aspect, value, judged in (
            ("minimum", mean - apart, True),
            ("maximum", mean + apart, True),
            ("mean", mean, True),
            ("standard deviation", apart / 3, False),
            ("peak to peak", 2 * apart, False),
            ("slope per hour", self.random.gauss(0, 0.01), False),
        ):
            limits, where = (AT_NOMINAL, LimitsFrom.PROCEDURE) if judged else (None, LimitsFrom.NONE)
            yield Value("VIN", Kind.CURRENT, aspect, round(value, 5), limits, where, 1e-4, "supply", How.DERIVED)

    def _after(self) -> Value:
        left = round(abs(self._noise(0.9, 0.02)), 4)
        return Value("VIN", Kind.VOLTAGE, "after power off", left, DISCHARGED, LimitsFrom.PROCEDURE, 1e-4)
