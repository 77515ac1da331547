"""A simulated meter of a style: its table says what it understands, this module what it then does.

Volts and ohms are the world's; what else it measures stands in `applied`, as if it were connected to its terminals.
"""

from __future__ import annotations

import re
from collections.abc import Generator

from bringup.simulation.figures import quantised
from bringup.simulation.meter_ranges import HIGH_IMPEDANCE, LINE_PERIOD, OPEN_CIRCUIT_VOLTS, OVER_RANGE_FROM, TEN_MEGOHM
from bringup.simulation.meter_style import Measures, MeterStyle
from bringup.simulation.physics import World
from bringup.simulation.scpi_errors import ScpiFault, entry
from bringup.simulation.style import Asked, Complains, Told
from bringup.simulation.styled import UNKNOWN, StyledInstrument

TEST_CURRENT = 1e-4
LARGEST = {Measures.DCV: 1000.0, Measures.OHM: 1e8, Measures.OHM4: 1e8}
"""What is over range however the range is found."""
LAST_DIGIT = 1e-6


class StyledMeter(StyledInstrument):
    """A meter whose probe is where the world has it, spoken to in its style."""

    # Spelt like that, the last asks for errors of the commands under SIMulate, which no style has a place for.
    everyones = re.compile(r"\*(?i:IDN)\?|(?i:SIM(ULATE)?):.*|SYSTem:ERRor\?")

    def __init__(
        self,
        world: World,
        style: MeterStyle,
        *,
        serial: str = "SIM-M-0009",
        outputs: tuple[int, ...] = (1,),
        pace: float = 1.0,
    ) -> None:
        """`outputs`: the supply's, for the private commands."""
        self.style = style
        self.measures = Measures.DCV
        self.scale: float | None = None
        """Of the range that it is fixed to; None: automatic."""
        self.high_impedance = style.starts_high
        self.auto_zero = False
        self.seconds = style.seconds
        """What a reading takes."""
        self.applied: dict[Measures, float] = {
            Measures.ACV: 0.0,
            Measures.DCI: 0.0,
            Measures.ACI: 0.0,
            Measures.CAP: 1e-7,
            Measures.DIODE: 0.6,
            Measures.FREQ: 1000.0,
            Measures.TEMP: 23.0,
        }
        self._plain = False
        self._continuous = style.starts_continuous
        self._shown: float | None = None
        self._coming: tuple[float, float] | None = None
        """When the reading under way is done, and its value."""
        super().__init__(world, style, serial=serial, outputs=outputs, pace=pace)

    def wrong(self, code: int, *, query: bool = False) -> bytes | None:
        """Keep or say what went wrong, as the style does."""
        if self.style.complains is Complains.AT_ONCE:
            return b"?" if code == UNKNOWN else b"!"
        return super().wrong(code, query=query)

    # telling

    def tell(self, told: Told, match: re.Match[str], now: float) -> None:
        """Do one thing after the other; the reading under way counts no more."""
        del now
        for does in told.does.split(", "):
            self._do(*does.partition(" ")[::2], said=match.groupdict().get("x"))
        self._shown = self._coming = None

    def _do(self, does: str, what: str, *, said: str | None) -> None:
        """Do one thing. `said` is the number that came with it."""
        if does == "set":
            self.scale = self.scale if self.measures is Measures(what) else None
            self.measures = Measures(what)
        elif does == "configure":
            self.measures, self.scale, self.high_impedance = Measures(what), None, False
        elif does == "range":
            self._fix(float(said or 0))
        elif does == "range-number":
            scales, index = self._scales(), int(said or 0) - int(what)
            if not 0 <= index < len(scales):
                raise ScpiFault(-222)
            self.scale = scales[index]
        elif does == "auto":
            self.scale = None
        elif does == "needs":
            if self.measures is not Measures(what):
                raise ScpiFault(-221)
        elif does == "cycles":
            self.seconds = float(said or 0) * LINE_PERIOD
        elif does == "speed":
            self.seconds = (self.style.speeds or {})[what]
        elif does == "high":
            self.high_impedance = what == "on"
        elif does == "zero":
            self.auto_zero = what == "on"
        elif does == "plain":
            self._plain = True
        elif does == "stop":
            self._continuous = False
        else:
            raise AssertionError(f"the table of {self.style.name} says {does!r}")

    def _fix(self, asked: float) -> None:
        """Take the smallest range that reaches what was asked."""
        scale = next((each for each in self._scales() if asked <= each * (1 + 1e-9)), None)
        if scale is None:
            raise ScpiFault(-222)
        self.scale = scale

    def _scales(self) -> tuple[float, ...]:
        return (self.style.scales or {}).get(self.measures, ())

    # asking

    def reply(self, asked: Asked, match: re.Match[str], now: float) -> Generator[float, float, str]:
        """Answer from its state, or with a reading, which takes its time."""
        del match
        what, _, of = asked.what.partition(" ")
        if what == "error":
            code = self.next_error()
            return _written(asked, (code, entry(code).partition(",")[2].strip('"')))
        if what == "function":
            return _written(asked, self.measures)
        if of and self.measures is not Measures(of):
            raise ScpiFault(-221)
        if self._continuous:
            raise ScpiFault(-213)
        if self.style.free_running and what == "shown":
            return self._in_form((yield from self._look(now)))
        takes = self.seconds * self.pace
        if takes > 0:
            now = yield now + takes
        return self._in_form(self._true(now))

    def _look(self, now: float) -> Generator[float, float, float]:
        """Return what the last finished reading gave; the next one begins now if none is under way.

        Where one more would have begun and ended since, what is there now stands for it: the world has no past.
        """
        takes = self.seconds * self.pace
        if self._coming is not None and now >= self._coming[0]:
            another = now >= self._coming[0] + takes
            self._shown, self._coming = self._true(now) if another else self._coming[1], None
        if self._coming is None:
            self._coming = (now + takes, self._true(now))
        if self._shown is None:
            ready, self._shown = self._coming
            if ready > now:
                yield ready
        return self._shown

    def _true(self, now: float) -> float:
        if self.measures is Measures.DCV:
            return self.world.probe_volts(now, self.seconds, HIGH_IMPEDANCE if self.high_impedance else TEN_MEGOHM)
        if self.measures in (Measures.OHM, Measures.OHM4):
            return self.world.probe_ohms(now, TEST_CURRENT, OPEN_CIRCUIT_VOLTS)
        if self.measures is Measures.ACV and not self.applied[Measures.ACV]:
            return self.world.probe_noise(now)
        return self.applied[self.measures]

    def _in_form(self, value: float) -> str:
        reach = self.scale if self.scale is not None else LARGEST.get(self.measures, 1e9)
        if not abs(value) <= OVER_RANGE_FROM * reach:
            return self.style.over[0 if value > 0 else 1]
        step = LAST_DIGIT * 10 if self.measures in (Measures.DCV, Measures.OHM, Measures.OHM4) else 1e-12
        return self.style.form(quantised(value, step), self.measures, self._plain)


def _written(asked: Asked, value: object) -> str:
    return asked.form(value) if callable(asked.form) else asked.form.format(value)
