"""A simulated supply of a style: its table says what it understands, this module what it then does.

One command is one message here: most of these instruments take no more.
"""

from __future__ import annotations

import re
from collections.abc import Generator

from bringup.simulation.figures import quantised, uniform
from bringup.simulation.physics import OutputMode, World
from bringup.simulation.power_stage import OVER_CURRENT, OVER_VOLTAGE
from bringup.simulation.scpi_errors import ScpiFault, entry
from bringup.simulation.style import Asked, Complains, Style, Told
from bringup.simulation.styled import StyledInstrument
from bringup.simulation.supply_levels import LEVELS, Output, preset

MEASURING_TIME = 0.02
GAIN_ERROR = 2e-4
_MODE_BITS = {OutputMode.VOLTAGE: 1, OutputMode.CURRENT: 2, OutputMode.UNREGULATED: 3, OutputMode.OFF: 0}


class StyledSupply(StyledInstrument):
    """A supply over the world's power stages, spoken to in its style."""

    def __init__(self, world: World, style: Style, *, serial: str = "SIM-S-0009", pace: float = 1.0) -> None:
        self.style = style
        self.everyones = re.compile(rf"{re.escape(style.identifies)}|SIM(ULATE)?:.*", re.IGNORECASE)
        self._stages = {number: Output(rating, preset(rating)) for number, rating in style.ratings.items()}
        self._own = dict.fromkeys(style.ratings, False)
        """Each output's own switch."""
        self._master = not style.master
        self._selected = min(style.ratings)
        self._locked = not style.locked
        self._addressed = style.address is None
        self._registers = {"execution": 0, "query": 0}
        self._events = dict.fromkeys(style.ratings, 0)
        self._was_tripped: dict[int, str | None] = dict.fromkeys(style.ratings)
        outputs = tuple(style.ratings)
        super().__init__(world, style, serial=serial, outputs=outputs, pace=pace, case_matters=style.case_matters)
        for number in self._stages:
            world.switch(number, on=False, now=0.0)
            for level in LEVELS:
                self._apply(number, level, 0.0)

    def hears(self, one: Told | Asked | None) -> bool:
        """Whether it was addressed, where it has an address; that is always listened to."""
        return self._addressed or (isinstance(one, Told) and one.does == "address")

    def wrong(self, code: int, *, query: bool = False) -> bytes | None:
        """Keep or say what went wrong, as the style does. What cannot be understood is never answered otherwise."""
        if not self._addressed:
            return None
        if self.style.complains is Complains.REGISTERS:
            self._registers["query" if query else "execution"] = 100 - code % 100
        elif self.style.complains is Complains.AT_ONCE:
            return f"C{-code % 100:02d}".encode()
        return super().wrong(code, query=query)

    def _meant(self, match: re.Match[str]) -> int:
        said = match.groupdict()
        if said.get("name") is not None and self.style.names is not None:
            named = {name.upper(): number for number, name in self.style.names.items()}
            if said["name"].upper() not in named:
                raise ScpiFault(-224)
            return named[said["name"].upper()]
        number = self._selected if said.get("n") is None else int(said["n"])
        if number not in self._stages:
            raise ScpiFault(-222)
        return number

    # telling

    def tell(self, told: Told, match: re.Match[str], now: float) -> None:
        """Do it to the output that is meant."""
        output, said = self._meant(match), match.groupdict()
        on = (said.get("b") or "").upper() in {"ON", "1", "EXT", "4W"}
        does = told.does
        if does == "address":
            self._addressed = output == self.style.address or int(said.get("x") or -1) == self.style.address
        elif does == "lock":
            self._locked = on
        elif does == "nothing":
            pass
        elif not self._locked:
            raise ScpiFault(-221)
        elif does == "clear errors":
            self._errors.clear()
        elif does == "select":
            self._selected = output
        elif does in LEVELS:
            self._set(output, does, float(said["x"] or 0), now)
        elif does in ("over_voltage_on", "over_current_on", "remote"):
            setattr(self._stages[output], does, on)
            self._apply(output, does.removesuffix("_on"), now)
        elif does == "clear":
            self._clear(output, now)
        else:
            self._switch(does, output, now, on=on)

    def _switch(self, does: str, output: int, now: float, *, on: bool) -> None:
        if on and self.world.tripped(output, now) is not None:
            raise ScpiFault(-221)
        if does == "master":
            self._master = on
        elif does == "off" or self.style.one_switch:
            self._own = dict.fromkeys(self._own, on and does != "off")
        else:
            assert does == "switch", does
            self._own[output] = on
        for number, own in self._own.items():
            if self.world.tripped(number, now) is None:
                self.world.switch(number, on=own and self._master, now=now)

    def _set(self, output: int, name: str, value: float, now: float) -> None:
        stage, level = self._stages[output], LEVELS[name]
        most = level.largest(stage.rating)
        if self.style.clamps:
            value = min(max(value, 0.0), most)
        elif not 0.0 <= value <= most:
            raise ScpiFault(-222)
        stage.levels[name] = quantised(value, self.style.step)
        if name in ("over_voltage", "over_current") and not self._has_switch(name):
            setattr(stage, f"{name}_on", True)
        self._apply(output, name, now)

    def _has_switch(self, name: str) -> bool:
        return any(each.does == f"{name}_on" for each in self.style.tells)

    def _apply(self, output: int, name: str, now: float) -> None:
        stage, world = self._stages[output], self.world
        if name == "volts":
            world.set_voltage(output, stage.levels[name], now)
        elif name == "amps":
            world.set_current_limit(output, stage.levels[name], now)
        elif name == "over_voltage":
            world.set_over_voltage(output, stage.levels[name] if stage.over_voltage_on else None, now)
        elif name == "remote":
            world.set_remote_sense(output, remote=stage.remote, now=now)
        else:
            trip = stage.levels["over_current"] if stage.over_current_on else None
            world.set_over_current(output, trip, stage.levels["delay"], now)

    def _clear(self, output: int, now: float) -> None:
        every = not any("{n}" in each.pattern for each in self.style.tells if each.does == "clear")
        for number in self._stages if every and not self.style.selects else (output,):
            if self.world.tripped(number, now) is None:
                continue
            self.world.clear_trip(number, now)
            if self.style.re_energises:
                self.world.switch(number, on=self._own[number] and self._master, now=now)
            else:
                self._own[number] = False

    # asking

    def reply(self, asked: Asked, match: re.Match[str], now: float) -> Generator[float, float, str]:
        """Answer for the output that is meant; measuring takes its time."""
        output = self._meant(match)
        if asked.what.startswith("measured") and self.pace > 0:
            now = yield now + MEASURING_TIME * self.pace
        value = self._value(asked.what, output, now)
        if callable(asked.form):
            return asked.form(value)
        if isinstance(value, bool):
            return asked.form.split("/")[int(value)]
        return asked.form.format(value, n=output)

    def _value(self, what: str, output: int, now: float) -> object:
        stage, tripped = self._stages[output], self.world.tripped(output, now)
        if what in LEVELS:
            return stage.levels[what]
        if what == "measured both":
            return self._measure(output, "volts", now), self._measure(output, "amps", now)
        if what.startswith("measured"):
            return self._measure(output, what.split()[1], now)
        known: dict[str, object] = {
            "on": self.world.is_on(output, now),
            "own": self._own[output],
            "master": self._master,
            "locked": self._locked,
            "selected": self._selected,
            "selected name": (self.style.names or {}).get(self._selected, ""),
            "over_voltage_on": stage.over_voltage_on,
            "over_current_on": stage.over_current_on,
            "remote": stage.remote,
            "tripped over-voltage": tripped == OVER_VOLTAGE,
            "tripped over-current": tripped == OVER_CURRENT,
            "mode": str(self.world.mode(output, now)),
            "trip": tripped,
            "states": {number: self._condition(number, now) for number in self._stages},
        }
        if what in known:
            return known[what]
        return self._read_once(what, output, now)

    def _condition(self, output: int, now: float) -> tuple[bool, str, str | None]:
        """Return on, mode and trip of an output: what status words are made of."""
        world = self.world
        return world.is_on(output, now), str(world.mode(output, now)), world.tripped(output, now)

    def _read_once(self, what: str, output: int, now: float) -> object:
        """Return what reading changes: errors, registers, events."""
        if what == "events":
            word, self._events[output] = self._events[output], 0
            return word
        if what in self._registers:
            number, self._registers[what] = self._registers[what], 0
            return number
        assert what == "error", what
        if self.style.errors_clear_trips:
            for each in self._stages:
                self._clear(each, now)
        code = self.next_error()
        return (code, entry(code))

    def observe(self, now: float) -> None:
        """Note events: modes as long as they last, trips once."""
        for output in self._stages:
            tripped = self.world.tripped(output, now)
            self._events[output] |= _MODE_BITS[self.world.mode(output, now)]
            if tripped != self._was_tripped[output] and tripped is not None:
                self._events[output] |= {OVER_VOLTAGE: 4, OVER_CURRENT: 8}.get(tripped, 0)
            if tripped is not None:
                self._own[output] = self._own[output] and self.style.re_energises
            self._was_tripped[output] = tripped

    def _measure(self, output: int, what: str, now: float) -> float:
        true = self.world.terminal_volts(output, now) if what == "volts" else self.world.terminal_amps(output, now)
        gain = 1.0 + GAIN_ERROR * uniform(self.serial, output, what, "gain")
        return quantised(true * gain, self.style.step)
