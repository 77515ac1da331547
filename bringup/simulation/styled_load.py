"""A simulated electronic load of a style: its table says what it understands, this module what it then does.

What it draws is drawn from the board (sinks), whose rails and converters give way as they would.
"""

from __future__ import annotations

import re
from collections.abc import Generator
from dataclasses import dataclass, field

from bringup.simulation.figures import quantised, uniform
from bringup.simulation.load_style import LoadRating, LoadStyle
from bringup.simulation.physics import World
from bringup.simulation.scpi_errors import ScpiFault, entry
from bringup.simulation.style import Asked, Complains, Told
from bringup.simulation.styled import StyledInstrument

MEASURING_TIME = 0.02
GAIN_ERROR = 2e-4
SMALLEST_OHMS = 0.05
LEVELS = ("current", "resistance", "power", "voltage")
ANY = "level"
"""The level of the mode that it is in, of a load that has but one."""


def largest(rating: LoadRating, what: str) -> float:
    """Return the most that a level, range or protection of a channel can be set to."""
    of = {"current": rating.amps, "resistance": rating.ohms, "power": rating.watts, "voltage": rating.volts}
    return of[what.removeprefix("over_")] if what != "stop" else rating.volts


@dataclass(slots=True)
class Channel:
    """The settings of one channel, which it remembers whatever it draws."""

    rating: LoadRating
    mode: str = "current"
    levels: dict[str, float] = field(default_factory=lambda: {"resistance": 7500.0})
    ranges: dict[str, float] = field(default_factory=dict)
    stop: float = 0.0
    on: bool = False
    wanted_on: bool = False
    """What it was told last; a trip does not change it."""
    remote: bool = False
    protections: dict[str, float] = field(default_factory=dict)
    over_current_on: bool = False
    trip: str | None = None


class StyledLoad(StyledInstrument):
    """A load whose channels draw from the points that the world has their leads on, spoken to in its style."""

    everyones = re.compile(r"\*IDN\?|SIM(ULATE)?:.*", re.IGNORECASE)

    def __init__(
        self,
        world: World,
        style: LoadStyle,
        *,
        serial: str = "SIM-L-0009",
        outputs: tuple[int, ...] = (1,),
        pace: float = 1.0,
    ) -> None:
        """`outputs`: the supply's, for the private commands."""
        self.style = style
        self.channels = {number: Channel(rating) for number, rating in style.channels.items()}
        self._selected = min(style.channels)
        self._registers = {"execution": 0, "query": 0}
        super().__init__(world, style, serial=serial, outputs=outputs, pace=pace)

    def wrong(self, code: int, *, query: bool = False) -> bytes | None:
        """Keep what went wrong, as the style does."""
        if self.style.complains is Complains.REGISTERS:
            self._registers["query" if query else "execution"] = 100 - code % 100
        return super().wrong(code, query=query)

    def observe(self, now: float) -> None:
        """Trip what is beyond the rating or a protection: it is looked at whenever somebody speaks."""
        for number, channel in self.channels.items():
            if not channel.on or channel.trip is not None:
                continue
            volts, amps = self.world.loads.volts(number, now), self.world.loads.amps(number, now)
            watts = min(channel.rating.watts, channel.protections.get("power", channel.rating.watts))
            limit = channel.protections.get("current", channel.rating.amps)
            if volts > channel.rating.volts:
                channel.trip = "over-voltage"
            elif amps > (limit if channel.over_current_on else channel.rating.amps) * (1.0 + GAIN_ERROR):
                channel.trip = "over-current"
            elif volts * amps > watts * (1.0 + GAIN_ERROR):
                channel.trip = "over-power"
            if channel.trip is not None:
                self._switch(number, now, on=False)

    def _meant(self, match: re.Match[str]) -> int:
        said = match.groupdict().get("n")
        number = self._selected if said is None else int(said)
        if number not in self.channels:
            raise ScpiFault(-222)
        return number

    # telling

    def tell(self, told: Told, match: re.Match[str], now: float) -> None:
        """Do it to the channel that is meant."""
        number, said = self._meant(match), match.groupdict()
        on = (said.get("b") or "").upper() in {"ON", "1", "EXT"}
        channel, (does, _, what) = self.channels[number], told.does.partition(" ")
        if does == "nothing":
            return
        if does == "select":
            self._selected = number
        elif does == "mode":
            self._mode(number, what, now)
        elif does == "switch":
            if on and channel.trip is not None:
                raise ScpiFault(-221)
            channel.wanted_on = on
            self._switch(number, now, on=on)
        elif does == "clear":
            tripped, channel.trip = channel.trip, None
            if tripped is not None and self.style.re_energises and channel.wanted_on:
                self._switch(number, now, on=True)
        elif does == "remote":
            channel.remote = on
        elif does == "over_current_on":
            channel.over_current_on = on
        else:
            self._set(number, does, what, float(said["x"] or 0), now)

    def _mode(self, number: int, mode: str, now: float) -> None:
        channel = self.channels[number]
        if mode != channel.mode and self.style.mode_switches_off:
            channel.wanted_on = False
            self._switch(number, now, on=False)
        channel.mode = mode
        self._turn(number, now)

    def _switch(self, number: int, now: float, *, on: bool) -> None:
        self.channels[number].on = on
        self.world.loads.switch(number, now, on=on)

    def _set(self, number: int, does: str, what: str, value: float, now: float) -> None:
        channel = self.channels[number]
        of = channel.mode if what == ANY else "stop" if does == "stop" else what
        least = SMALLEST_OHMS if of == "resistance" else 0.0
        if not least <= value <= largest(channel.rating, of):
            raise ScpiFault(-222)
        value = quantised(value, self.style.step)
        if does == "set":
            channel.levels[of] = value
        elif does == "range":
            before = channel.ranges.get(of, largest(channel.rating, of))
            if self.style.range_rescales and before and of in channel.levels:
                channel.levels[of] *= value / before
            channel.ranges[of] = value
        elif does == "stop":
            channel.stop = value
        else:
            assert does == "protect", does
            channel.protections[of] = value
        self._turn(number, now)

    def _turn(self, number: int, now: float) -> None:
        channel = self.channels[number]
        self.world.loads.turn(number, channel.mode, channel.levels.get(channel.mode, 0.0), channel.stop, now)

    # asking

    def reply(self, asked: Asked, match: re.Match[str], now: float) -> Generator[float, float, str]:
        """Answer for the channel that is meant; measuring takes its time."""
        number = self._meant(match)
        if asked.what.startswith("measured") and self.pace > 0:
            now = yield now + MEASURING_TIME * self.pace
        value = self._value(asked.what, number, now)
        if callable(asked.form):
            return asked.form(value)
        if isinstance(value, bool):
            return asked.form.split("/")[int(value)]
        return asked.form.format(value, n=number)

    def _value(self, asked: str, number: int, now: float) -> object:
        channel, (what, _, of) = self.channels[number], asked.partition(" ")
        if what == "measured":
            return self._measured(number, of, now)
        if what == "set":
            mode = channel.mode if of == ANY else of
            level = channel.levels.get(mode, 0.0)
            return (level, mode) if of == ANY else level
        if what == "range":
            return channel.ranges.get(of, largest(channel.rating, of))
        if what == "protect":
            return channel.protections.get(of, largest(channel.rating, of))
        if what in self._registers:
            code, self._registers[what] = self._registers[what], 0
            return code
        if what == "error":
            code = self.next_error()
            return (code, entry(code))
        known: dict[str, object] = {
            "mode": channel.mode,
            "on": channel.on,
            "stop": channel.stop,
            "selected": self._selected,
            "remote": channel.remote,
            "over_current_on": channel.over_current_on,
            "trip": channel.trip,
        }
        return known[what]

    def _measured(self, number: int, what: str, now: float) -> float:
        volts = self.world.loads.volts(number, now) * (1.0 + GAIN_ERROR * uniform(self.serial, number, "V"))
        amps = self.world.loads.amps(number, now) * (1.0 + GAIN_ERROR * uniform(self.serial, number, "A"))
        return quantised({"volts": volts, "amps": amps, "watts": volts * amps}[what], self.style.step)
