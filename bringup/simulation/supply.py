"""The simulated supplies: SUPPLY-1 with one output, SUPPLY-1W with a watchdog, SUPPLY-3 with three, selected by number.

Both spell SOURce, OUTPut, MEASure and STATus as SCPI-1999 does. `STATus:QUEStionable:CONDition?` (SUPPLY-3:
`STATus:QUEStionable:INSTrument:ISUMmary<n>:CONDition?`): bit 0 the voltage is not regulated, that is constant
current; bit 1 the current is not regulated, that is constant voltage; both unregulated; neither off.
Over-voltage and over-current trips latch with the output off. Clearing one on SUPPLY-3 puts the output back to what
it was told last, as some real families do; on SUPPLY-1 it stays off.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Mapping

from bringup.simulation.command_tree import Call, Command
from bringup.simulation.figures import nr2, nr3, quantised, uniform
from bringup.simulation.instrument import Exchange
from bringup.simulation.parameters import Special, boolean, integer, number, special, word
from bringup.simulation.physics import OutputMode, World
from bringup.simulation.scpi_errors import ScpiFault
from bringup.simulation.scpi_instrument import ScpiInstrument
from bringup.simulation.supply_levels import AMP_STEP, LEVELS, VOLT_STEP, Output, Rating, preset
from bringup.simulation.supply_watchdog import SupplyWatchdog

MEASURING_TIME = 0.02
"""Seconds over which a supply averages what it reads back: one period of 50 Hz."""
SWITCHING_TIME = 0.005
"""Seconds from the command to the output's relay or pass stage."""
GAIN_ERROR = 2e-4
OFFSET_STEPS = 2
"""What the read-back may be off: part of the reading, and steps of its resolution."""
_CONDITION = {OutputMode.OFF: 0, OutputMode.CURRENT: 1, OutputMode.VOLTAGE: 2, OutputMode.UNREGULATED: 3}


class Supply(ScpiInstrument):
    """A supply over the world's power stages; output numbers are those of the world."""

    def __init__(
        self,
        world: World,
        *,
        model: str,
        ratings: Mapping[int, Rating],
        serial: str = "SIM-S-0001",
        pace: float = 1.0,
        exponents: bool = False,
        clear_re_energises: bool = False,
        watchdog: SupplyWatchdog | None = None,
    ) -> None:
        """`exponents`: numbers as NR3 instead of NR2. Every output starts as `*RST` leaves it."""
        self._watchdog = watchdog
        self._stages = {output: Output(rating, preset(rating)) for output, rating in ratings.items()}
        self._selected = min(ratings)
        self._several = len(ratings) > 1
        self._write = nr3 if exponents else nr2
        self._clear_re_energises = clear_re_energises
        super().__init__(world, model=model, serial=serial, outputs=tuple(ratings), pace=pace)
        self.reset(0.0)

    def reset(self, now: float) -> None:
        """Outputs off, 0 V, largest current limit, protections off (levels at their largest), local sense."""
        self._selected = min(self._stages)
        if self._watchdog is not None:
            self._watchdog.forget(self.world, self.outputs, now)
        for output, before in self._stages.items():
            self.world.switch(output, on=False, now=now)
            self.world.clear_trip(output, now)
            self._stages[output] = Output(before.rating, preset(before.rating))
            self.world.set_remote_sense(output, remote=False, now=now)
            for name in LEVELS:
                self._apply(output, name, now)

    def exchange(self, message: bytes, now: float) -> Exchange:
        """Work on a message. Being spoken to at all is what most communication watchdogs wait for."""
        if self._watchdog is not None:
            self._watchdog.heard(self.world, self.outputs, now)
        return (yield from super().exchange(message, now))

    def look(self, now: float) -> None:
        """Observe the power stages: their state is the questionable condition."""
        self.status.questionable.observe(self._condition(self._selected, now))

    def commands(self) -> Iterable[Command]:
        """Return everything of SOURce, OUTPut, MEASure, STATus, and INSTrument where there are several outputs."""
        tail = "[:IMMediate][:AMPLitude]"
        yield from self._level(f"[SOURce:]VOLTage[:LEVel]{tail}", "volts")
        yield from self._level(f"[SOURce:]CURRent[:LEVel]{tail}", "amps")
        yield from self._level("[SOURce:]VOLTage:PROTection[:LEVel]", "over_voltage")
        yield from self._level("[SOURce:]CURRent:PROTection[:LEVel]", "over_current")
        yield from self._level("[SOURce:]CURRent:PROTection:DELay", "delay")
        yield Command("APPLy", self._apply_both, (number("V"), number("A", optional=True)))
        yield from self._protection("VOLTage", "over-voltage")
        yield from self._protection("CURRent", "over-current")
        yield Command("[SOURce:]VOLTage:SENSe[:SOURce]", self._set_sense, (word("INTernal", "EXTernal"),))
        yield Command("[SOURce:]VOLTage:SENSe[:SOURce]?", lambda _: "EXT" if self._stage.remote else "INT")
        yield Command("OUTPut[:STATe]", self._switch, (boolean(),))
        yield Command("OUTPut[:STATe]?", lambda call: str(int(self.world.is_on(self._selected, call.now))))
        yield Command("OUTPut:PROTection:CLEar", self._clear)
        yield Command("MEASure[:SCALar]:VOLTage[:DC]?", lambda call: self._measure(call, "volts"))
        yield Command("MEASure[:SCALar]:CURRent[:DC]?", lambda call: self._measure(call, "amps"))
        if self._several:
            yield from self._selection()
        if self._watchdog is not None:
            yield from self._watchdog.commands(self.world, self.outputs)

    # selection

    def _selection(self) -> Iterable[Command]:
        last = max(self._stages)
        names = [f"OUT{output}" for output in self._stages]
        yield Command("INSTrument:NSELect", self._select, (integer(min(self._stages), last),))
        yield Command("INSTrument:NSELect?", lambda _: str(self._selected))
        yield Command("INSTrument[:SELect]", self._select_by_name, (word(*names),))
        yield Command("INSTrument[:SELect]?", lambda _: f"OUT{self._selected}")
        yield Command("INSTrument:CATalog?", lambda _: ",".join(f'"{name}"' for name in names))
        yield Command(
            "STATus:QUEStionable:INSTrument:ISUMmary#:CONDition?",
            lambda call: str(self._condition(call.suffixes[0], call.now)),
            last_suffix=last,
        )

    def _select(self, call: Call) -> None:
        output = call.values[0]
        assert isinstance(output, int), "the parameter reader gives whole numbers"
        self._selected = output

    def _select_by_name(self, call: Call) -> None:
        self._selected = int(str(call.values[0]).removeprefix("OUT"))

    @property
    def _stage(self) -> Output:
        return self._stages[self._selected]

    def _condition(self, output: int, now: float) -> int:
        return _CONDITION[self.world.mode(output, now)]

    # levels

    def _level(self, pattern: str, name: str) -> Iterable[Command]:
        def told(call: Call) -> None:
            self._set(name, call.values[0])
            self._apply(self._selected, name, call.now)

        def asked(call: Call) -> str:
            level = LEVELS[name]
            asked_for = call.values[0]
            value = self._stage.levels[name] if asked_for is None else self._special(name, asked_for)
            return self._write(value, level.step)

        yield Command(pattern, told, (number(LEVELS[name].unit),))
        yield Command(f"{pattern}?", asked, (special(optional=True),))

    def _special(self, name: str, asked: object) -> float:
        rating = self._stage.rating
        if asked is Special.MINIMUM:
            return 0.0
        return LEVELS[name].largest(rating) if asked is Special.MAXIMUM else preset(rating)[name]

    def _set(self, name: str, asked: object) -> None:
        """Remember a level, in whole steps. One that the output cannot reach is refused and nothing changes."""
        level = LEVELS[name]
        value = asked if isinstance(asked, float) else self._special(name, asked)
        rounded = quantised(value, level.step)
        if not -level.step / 2 <= value <= level.largest(self._stage.rating) + level.step / 2:
            raise ScpiFault(-222)
        self._stage.levels[name] = rounded

    def _apply(self, output: int, name: str, now: float) -> None:
        """Tell the power stage what a level has become."""
        stage, world = self._stages[output], self.world
        levels = stage.levels
        if name == "volts":
            world.set_voltage(output, levels[name], now)
        elif name == "amps":
            world.set_current_limit(output, levels[name], now)
        elif name == "over_voltage":
            world.set_over_voltage(output, levels[name] if stage.over_voltage_on else None, now)
        else:
            trip = levels["over_current"] if stage.over_current_on else None
            world.set_over_current(output, trip, levels["delay"], now)

    def _apply_both(self, call: Call) -> None:
        volts, amps = call.values
        kept = dict(self._stage.levels)
        try:
            self._set("volts", volts)
            if amps is not None:
                self._set("amps", amps)
        except ScpiFault:
            self._stage.levels = kept
            raise
        for name in ("amps", "volts"):
            self._apply(self._selected, name, call.now)

    # protection and switching

    def _protection(self, node: str, what: str) -> Iterable[Command]:
        flag = "over_voltage_on" if node == "VOLTage" else "over_current_on"

        def enable(call: Call) -> None:
            setattr(self._stage, flag, call.values[0])
            self._apply(self._selected, flag.removesuffix("_on"), call.now)

        base = f"[SOURce:]{node}:PROTection"
        yield Command(f"{base}:STATe", enable, (boolean(),))
        yield Command(f"{base}:STATe?", lambda _: str(int(getattr(self._stage, flag))))
        yield Command(f"{base}:TRIPped?", lambda call: str(int(self.world.tripped(self._selected, call.now) == what)))
        yield Command(f"{base}:CLEar", self._clear)

    def _clear(self, call: Call) -> Generator[float, float, None]:
        output, now = self._selected, call.now
        if self.world.tripped(output, now) is None:
            return
        self.world.clear_trip(output, now)
        if self._clear_re_energises and self._stages[output].wanted_on:
            yield from self._turn(output, on=True, now=now)

    def _switch(self, call: Call) -> Generator[float, float, None]:
        on = bool(call.values[0])
        if on and self.world.tripped(self._selected, call.now) is not None:
            raise ScpiFault(-221, "protection tripped")
        self._stage.wanted_on = on
        yield from self._turn(self._selected, on=on, now=call.now)

    def _turn(self, output: int, *, on: bool, now: float) -> Generator[float, float, None]:
        if self.pace > 0:
            now = yield now + SWITCHING_TIME * self.pace
        self.world.switch(output, on=on, now=now)

    def _set_sense(self, call: Call) -> None:
        self._stage.remote = call.values[0] == "EXT"
        self.world.set_remote_sense(self._selected, remote=self._stage.remote, now=call.now)

    # read-back

    def _measure(self, call: Call, what: str) -> Generator[float, float, str]:
        output, now = self._selected, call.now
        if self.pace > 0:
            now = yield now + MEASURING_TIME * self.pace
        true = self.world.terminal_volts(output, now) if what == "volts" else self.world.terminal_amps(output, now)
        step = VOLT_STEP if what == "volts" else AMP_STEP
        gain = 1.0 + GAIN_ERROR * uniform(self.serial, output, what, "gain")
        offset = OFFSET_STEPS * step * uniform(self.serial, output, what, "offset")
        return self._write(true * gain + offset, step)


def single_output(world: World, *, serial: str = "SIM-S-0001", pace: float = 1.0) -> Supply:
    """SUPPLY-1: 36 V, 3 A, numbers as NR2."""
    return Supply(world, model="SUPPLY-1", ratings={1: Rating(36.0, 3.0)}, serial=serial, pace=pace)


def with_watchdog(world: World, *, serial: str = "SIM-S-0002", pace: float = 1.0, only_fed: bool = False) -> Supply:
    """SUPPLY-1W: as SUPPLY-1, with a communication watchdog; `only_fed`: nothing but its own command counts."""
    ratings = {1: Rating(36.0, 3.0)}
    dog = SupplyWatchdog(only_fed=only_fed)
    return Supply(world, model="SUPPLY-1W", ratings=ratings, serial=serial, pace=pace, watchdog=dog)


def select_by_number(world: World, *, serial: str = "SIM-S-0003", pace: float = 1.0) -> Supply:
    """SUPPLY-3: twice 36 V, 3 A and once 6 V, 5 A, numbers as NR3; clearing a trip restores the output."""
    ratings = {1: Rating(36.0, 3.0), 2: Rating(36.0, 3.0), 3: Rating(6.0, 5.0)}
    return Supply(
        world, model="SUPPLY-3", ratings=ratings, serial=serial, pace=pace, exponents=True, clear_re_energises=True
    )
