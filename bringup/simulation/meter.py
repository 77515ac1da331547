"""The simulated meter, METER-1: volts DC and AC, ohms, amperes, degrees; 6.5 digits, spelt as SCPI-1999 meters are.

`CONFigure` and `MEASure` preset everything (10 power-line cycles, automatic zero, 10 megohm input, one sample, trigger
immediate); what is wanted differently is set after `CONFigure`. A triggered acquisition is carried out before the next
message is looked at. The ampere input is connected to nothing. `TRIGger:SOURce` knows IMMediate and BUS.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterable

from bringup.simulation.command_tree import Call, Command
from bringup.simulation.figures import OVER_RANGE, normal, nr3, uniform
from bringup.simulation.meter_ranges import (
    AC_VOLTS,
    AMPS,
    DEGREES,
    FUNCTIONS,
    HIGH_IMPEDANCE,
    LINE_PERIOD,
    NPLC_CHOICES,
    OHMS,
    OPEN_CIRCUIT_VOLTS,
    OVER_RANGE_FROM,
    TEN_MEGOHM,
    VOLTS,
    Function,
    Range,
    aperture,
    noise,
    resolution,
)
from bringup.simulation.meter_setup import Settings, Setup, cycles, nplc_for, range_index
from bringup.simulation.parameters import Parameter, Special, boolean, either, integer, number, special, string, word
from bringup.simulation.physics import World
from bringup.simulation.scpi_errors import ScpiFault
from bringup.simulation.scpi_instrument import ScpiInstrument

MOST_SAMPLES = 10_000
ROOM = 23.0
"""degC at the sensor of its temperature function: what is simulated warms nothing."""
RANGE_CHANGE_TIME = 0.005
MOST_HOPS = 4
"""Autorange gives up hunting after so many changes and reads where it is."""
GAIN_ERROR = 2e-5
OFFSET_ERROR = 2e-6
"""What this meter may be off: part of the reading, part of the range."""

_PATTERNS = {
    "VOLT": "VOLTage[:DC]",
    "VOLT:AC": "VOLTage:AC",
    "CURR": "CURRent[:DC]",
    "RES": "RESistance",
    "TEMP": "TEMPerature",
}
_UNITS = {"VOLT": "V", "VOLT:AC": "V", "CURR": "A", "RES": "OHM", "TEMP": "CEL"}
_NAMES = {
    "VOLT": VOLTS,
    "VOLT:DC": VOLTS,
    "VOLT:AC": AC_VOLTS,
    "CURR": AMPS,
    "CURR:DC": AMPS,
    "RES": OHMS,
    "TEMP": DEGREES,
}


class Meter(ScpiInstrument):
    """A meter whose probe is where the world has it."""

    def __init__(
        self, world: World, *, serial: str = "SIM-M-0001", outputs: tuple[int, ...] = (1,), pace: float = 1.0
    ) -> None:
        """`outputs`: the supply's, for the private commands."""
        self._setup = Setup()
        self._off_by: dict[tuple[str, int], tuple[float, float]] = {}
        super().__init__(world, model="METER-1", serial=serial, outputs=outputs, pace=pace, sign="+")

    def reset(self, now: float) -> None:
        """DC volts, autorange, presets."""
        del now
        self._setup = Setup()

    def commands(self) -> Iterable[Command]:
        """Return everything of CONFigure, MEASure, SENSe, TRIGger, SAMPle and INPut."""
        for name, function in FUNCTIONS.items():
            yield from self._function_commands(_PATTERNS[name], function)
        yield Command("CONFigure?", self._configuration)
        yield Command("[SENSe:]FUNCtion[:ON]", self._choose, (string(),))
        yield Command("[SENSe:]FUNCtion[:ON]?", lambda _: f'"{self._setup.function.word}"')
        for pattern in ("[SENSe:]VOLTage[:DC]:IMPedance:AUTO", "INPut:IMPedance:AUTO"):
            yield Command(pattern, self._set_impedance, (boolean(),))
            yield Command(f"{pattern}?", lambda _: str(int(self._setup.high_impedance)))
        yield Command("SAMPle:COUNt", self._set_samples, (either(special(), integer(1, MOST_SAMPLES)),))
        yield Command("SAMPle:COUNt?", lambda _: str(self._setup.trigger.samples))
        yield Command("TRIGger[:SEQuence]:SOURce", self._set_source, (word("IMMediate", "BUS"),))
        yield Command("TRIGger[:SEQuence]:SOURce?", lambda _: self._setup.trigger.source)
        yield Command("INITiate[:IMMediate]", self._initiate)
        yield Command("*TRG", self._bus_trigger)
        yield Command("ABORt", self._abort)
        yield Command("FETCh?", self._fetch)
        yield Command("READ?", self._read)

    # settings

    def _function_commands(self, node: str, function: Function) -> Iterable[Command]:
        unit = _UNITS[function.word]
        asked_range = either(_auto(), number(unit, optional=True))
        configured = (Parameter(asked_range.read, optional=True), number(unit, optional=True))

        def settings() -> Settings:
            return self._setup.settings[function.word]

        def configure(call: Call) -> None:
            self._configure(function, call.values)

        def measure(call: Call) -> Generator[float, float, str]:
            self._configure(function, call.values)
            return self._read(call)

        def set_range(call: Call) -> None:
            settings().index, settings().auto = range_index(function, call.values[0]), False
            self._setup.readings.clear()

        def set_auto(call: Call) -> None:
            settings().auto = call.values[0] != "ONCE" and bool(call.values[0])

        def set_nplc(call: Call) -> None:
            settings().nplc = cycles(call.values[0])

        def set_zero(call: Call) -> None:
            settings().auto_zero = call.values[0] != "ONCE" and bool(call.values[0])

        on_or_once = either(_once(), boolean())
        base = f"[SENSe:]{node}"
        yield Command(f"CONFigure[:SCALar]:{node}", configure, configured)
        yield Command(f"MEASure[:SCALar]:{node}?", measure, configured)
        yield Command(f"{base}:RANGe[:UPPer]", set_range, (number(unit),))
        yield Command(f"{base}:RANGe[:UPPer]?", lambda _: f"{function.ranges[settings().index].full_scale:+.8E}")
        yield Command(f"{base}:RANGe:AUTO", set_auto, (on_or_once,))
        yield Command(f"{base}:RANGe:AUTO?", lambda _: str(int(settings().auto)))
        if function is AC_VOLTS:
            return  # integrates as long as its filter wants
        yield Command(f"{base}:NPLCycles", set_nplc, (number(),))
        yield Command(f"{base}:NPLCycles?", lambda _: f"{settings().nplc:+.8E}")
        yield Command(f"{base}:ZERO:AUTO", set_zero, (on_or_once,))
        yield Command(f"{base}:ZERO:AUTO?", lambda _: str(int(settings().auto_zero)))

    def _configure(self, function: Function, values: tuple[object, ...]) -> None:
        """Preset everything for one function, then apply a stated range and resolution."""
        asked, wanted = values
        settings = Settings(self._setup.settings[function.word].index)
        if asked is not None and asked != "AUTO" and asked is not Special.DEFAULT:
            settings.index, settings.auto = range_index(function, asked), False
        if isinstance(wanted, float):
            settings.nplc = nplc_for(function.ranges[settings.index], wanted)
        elif wanted is not None and wanted is not Special.DEFAULT:
            settings.nplc = NPLC_CHOICES[-1] if wanted is Special.MINIMUM else NPLC_CHOICES[0]
        self._setup = Setup(function=function, settings=self._setup.settings | {function.word: settings})

    def _configuration(self, call: Call) -> str:
        del call
        function, settings = self._setup.function, self._settings
        span = function.ranges[settings.index]
        return f'"{function.word} {span.full_scale:+.6E},{resolution(span, settings.nplc):+.6E}"'

    def _choose(self, call: Call) -> None:
        name = str(call.values[0]).upper()
        if name not in _NAMES:
            raise ScpiFault(-224)
        self._setup.function = _NAMES[name]
        self._setup.readings.clear()

    def _set_impedance(self, call: Call) -> None:
        self._setup.high_impedance = bool(call.values[0])

    def _set_samples(self, call: Call) -> None:
        asked = call.values[0]
        samples = {Special.MAXIMUM: MOST_SAMPLES}.get(asked, 1) if isinstance(asked, Special) else asked
        assert isinstance(samples, int), "the parameter reader gives whole numbers"
        self._setup.trigger.samples = samples

    def _set_source(self, call: Call) -> None:
        self._setup.trigger.source = str(call.values[0])

    @property
    def _settings(self) -> Settings:
        return self._setup.settings[self._setup.function.word]

    # acquisition

    def _initiate(self, call: Call) -> Generator[float, float, None] | None:
        trigger = self._setup.trigger
        if trigger.waiting:
            raise ScpiFault(-213)
        self._setup.readings.clear()
        if trigger.source == "BUS":
            trigger.waiting = True
            return None
        return self._acquire(call.now)

    def _bus_trigger(self, call: Call) -> Generator[float, float, None]:
        if not self._setup.trigger.waiting:
            raise ScpiFault(-211)
        self._setup.trigger.waiting = False
        return self._acquire(call.now)

    def _abort(self, call: Call) -> None:
        del call
        self._setup.trigger.waiting = False

    def _read(self, call: Call) -> Generator[float, float, str]:
        if self._setup.trigger.source == "BUS":
            raise ScpiFault(-214)
        if self._setup.trigger.waiting:
            raise ScpiFault(-213)
        yield from self._acquire(call.now)
        return ",".join(self._setup.readings)

    def _fetch(self, call: Call) -> str:
        del call
        if not self._setup.readings:
            raise ScpiFault(-230)
        return ",".join(self._setup.readings)

    def _acquire(self, now: float) -> Generator[float, float, None]:
        """Take the samples that one trigger asks for, in the instrument's own time."""
        readings: list[str] = []
        for _ in range(self._setup.trigger.samples):
            value, now = yield from self._sample(now)
            readings.append(self._written(value, now))
            if self._settings.auto_zero and self._setup.function is not AC_VOLTS:
                now = yield from self._pass(now, aperture(self._settings.nplc))
        self._setup.readings = readings

    def _sample(self, now: float) -> Generator[float, float, tuple[float, float]]:
        """Integrate once, on the range that autorange settles on; return the true value and the time."""
        function, settings = self._setup.function, self._settings
        time = aperture(settings.nplc)
        # Autorange looks briefly, changes range as need be, and integrates to the end only where it stays.
        look = min(time, LINE_PERIOD) if settings.auto else time
        for _ in range(MOST_HOPS):
            span = function.ranges[settings.index]
            now = yield from self._pass(now, look + span.settling)
            value = self._true(function, span, now, look)
            better = function.hunt(settings.index, value) if settings.auto else settings.index
            if better == settings.index:
                break
            settings.index = better
            now = yield from self._pass(now, RANGE_CHANGE_TIME)
        if look < time:
            now = yield from self._pass(now, time - look)
            value = self._true(function, function.ranges[settings.index], now, time)
        return value, now

    def _pass(self, now: float, seconds: float) -> Generator[float, float, float]:
        """Let the instrument's own time pass; return when it is then."""
        if self.pace > 0:
            now = yield now + seconds * self.pace
        return now

    def _true(self, function: Function, span: Range, now: float, time: float) -> float:
        if function is VOLTS:
            high = self._setup.high_impedance and span.goes_high
            return self.world.probe_volts(now, time, HIGH_IMPEDANCE if high else TEN_MEGOHM)
        if function is OHMS:
            return self.world.probe_ohms(now, span.test_current, OPEN_CIRCUIT_VOLTS)
        if function is AC_VOLTS:
            return self.world.probe_noise(now)
        return ROOM if function is DEGREES else 0.0

    def _written(self, true: float, now: float) -> str:
        """Return the reading as this meter sees and writes it: its errors, its noise, its digits."""
        function, settings = self._setup.function, self._settings
        span = function.ranges[settings.index]
        over = not abs(true) <= OVER_RANGE_FROM * span.full_scale
        self.status.questionable.observe(function.overload_bit if over else 0)
        if over:
            return OVER_RANGE
        sigma = noise(span, settings.nplc)
        if function is VOLTS:
            sigma = math.hypot(sigma, self.world.probe_noise(now))
        gain, offset = self._errors(function, settings.index)
        value = true * gain + offset + sigma * normal(self.serial, now)
        return nr3(abs(value) if function is AC_VOLTS else value, resolution(span, settings.nplc))

    def _errors(self, function: Function, index: int) -> tuple[float, float]:
        """Return the factor and the offset by which this meter is off on that range."""
        key = (function.word, index)
        if key not in self._off_by:
            gain, offset = (uniform(self.serial, *key, name) for name in ("gain", "offset"))
            full_scale = function.ranges[index].full_scale
            self._off_by[key] = (1.0 + GAIN_ERROR * gain, OFFSET_ERROR * full_scale * offset)
        return self._off_by[key]


def _auto() -> Parameter:
    return word("AUTO")


def _once() -> Parameter:
    return word("ONCE")
