"""Small stand-ins for the carriers' tests: an instrument of three words, and a world that is just numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from bringup.core.faults import Fault
from bringup.errors import BenchError
from bringup.simulation.instrument import Exchange
from bringup.simulation.physics import LeadsAt, OutputMode
from bringup.simulation.sinks import Sink


class EchoInstrument:
    """Answers `*IDN?`, `TIME?` and `WAIT? seconds`; keeps everything else. Notes every message with its time."""

    def __init__(self, name: str = "ECHO-1") -> None:
        self.name = name
        self.seen: list[tuple[str, float]] = []
        self.noted: list[str] = []

    def exchange(self, message: bytes, now: float) -> Exchange:
        text = message.decode("latin-1").strip()
        self.seen.append((text, now))
        if text == "*IDN?":
            return f"BRINGUP SIMULATED,{self.name},1,0".encode()
        if text.startswith("WAIT"):
            now = yield now + float(text.split()[1])
        if text.startswith(("TIME?", "WAIT?")):
            return f"{now:.6f}".encode()
        return None

    def overrun(self) -> None:
        self.noted.append("overrun")

    def interrupted(self) -> None:
        self.noted.append("interrupted")


@dataclass
class FakeOutput:
    volts: float = 0.0
    amps: float = 0.0
    over_voltage: float | None = None
    over_current: float | None = None
    on: bool = False
    trip: str | None = None
    remote: bool = False


@dataclass
class FakeLoads:
    """Channels of a load at points of fixed volts."""

    at: dict[int, float] = field(default_factory=lambda: {1: 3.3, 2: 12.0})
    sinks: dict[int, Sink] = field(default_factory=lambda: {1: Sink(), 2: Sink()})

    def turn(self, channel: int, mode: str, level: float, stop: float, now: float) -> None:
        sink = self.sinks[channel]
        sink.mode, sink.level, sink.stop = mode, level, stop

    def switch(self, channel: int, now: float, *, on: bool) -> None:
        self.sinks[channel].on, self.sinks[channel].stopped = on, False

    def volts(self, channel: int, now: float) -> float:
        sink = self.sinks[channel]
        sink.stopped = sink.stopped or self.at[channel] < sink.stop
        return self.at[channel]

    def amps(self, channel: int, now: float) -> float:
        return self.sinks[channel].amps(self.volts(channel, now))

    def is_on(self, channel: int) -> bool:
        return self.sinks[channel].on

    def stopped(self, channel: int, now: float) -> bool:
        return self.sinks[channel].stopped


@dataclass
class FakeWorld:
    """A resistor on every output and a dictionary of point voltages; time may never run backwards."""

    load: float = 100.0
    points: dict[str, float] = field(default_factory=lambda: {"VIN": 0.0, "3V3": 3.30612345})
    ohms: float = 4700.0
    noise: float = 0.0
    now: float = 0.0
    outputs: dict[int, FakeOutput] = field(default_factory=lambda: {n: FakeOutput() for n in (1, 2, 3)})
    where: LeadsAt = LeadsAt.BOARD
    probed: str | None = None
    serial: str = ""
    board_state: str = ""
    asked: list[tuple[str, float]] = field(default_factory=list)
    loads: Any = field(default_factory=FakeLoads)

    def _move(self, now: float) -> None:
        assert now >= self.now, "time ran backwards"
        self.now = now

    def unit(self, serial: str) -> None:
        self.serial = serial

    def state(self, name: str) -> None:
        if name not in {"blank", "programmed"}:
            raise BenchError(f"no state {name}")
        self.board_state = name

    def plant(self, fault: Fault) -> None:
        raise NotImplementedError

    def leads(self, where: LeadsAt, now: float) -> None:
        self._move(now)
        self.where = where

    def probe(self, point: str | None, now: float) -> None:
        self._move(now)
        if point is not None:
            self._known(point)
        self.probed = point

    def across(self, red: str | None, black: str | None, now: float) -> None:
        self.probe(red, now)
        for point in filter(None, (red, black)):
            self._known(point)

    hand = probe

    def set_voltage(self, output: int, volts: float, now: float) -> None:
        self._move(now)
        self.outputs[output].volts = volts

    def set_current_limit(self, output: int, amps: float, now: float) -> None:
        self._move(now)
        self.outputs[output].amps = amps

    def set_over_voltage(self, output: int, volts: float | None, now: float) -> None:
        self._move(now)
        self.outputs[output].over_voltage = volts

    def set_over_current(self, output: int, amps: float | None, delay: float, now: float) -> None:
        self._move(now)
        self.outputs[output].over_current = amps

    def set_watchdog(self, output: int, until: float, now: float) -> None:
        self._move(now)

    def set_remote_sense(self, output: int, remote: bool, now: float) -> None:
        self._move(now)
        self.outputs[output].remote = remote

    def switch(self, output: int, on: bool, now: float) -> None:
        self._move(now)
        self.outputs[output].on = on

    def clear_trip(self, output: int, now: float) -> None:
        self._move(now)
        self.outputs[output].trip = None

    def _judge(self, output: int, now: float) -> FakeOutput:
        self._move(now)
        stage = self.outputs[output]
        if stage.on and stage.over_voltage is not None and stage.volts > stage.over_voltage:
            stage.on, stage.trip = False, "over-voltage"
        if stage.on and stage.over_current is not None and stage.volts / self.load > stage.over_current:
            stage.on, stage.trip = False, "over-current"
        return stage

    def is_on(self, output: int, now: float) -> bool:
        return self._judge(output, now).on

    def tripped(self, output: int, now: float) -> str | None:
        return self._judge(output, now).trip

    def mode(self, output: int, now: float) -> OutputMode:
        stage = self._judge(output, now)
        if not stage.on:
            return OutputMode.OFF
        return OutputMode.CURRENT if stage.volts / self.load > stage.amps else OutputMode.VOLTAGE

    def terminal_volts(self, output: int, now: float) -> float:
        return self.terminal_amps(output, now) * self.load

    def terminal_amps(self, output: int, now: float) -> float:
        stage = self._judge(output, now)
        return min(stage.volts / self.load, stage.amps) if stage.on else 0.0

    def probe_volts(self, now: float, aperture: float, input_resistance: float) -> float:
        self._move(now)
        self.asked.append(("volts", aperture))
        return 0.0 if self.probed is None else self.points[self.probed]

    def probe_noise(self, now: float) -> float:
        self._move(now)
        return self.noise

    def probe_ohms(self, now: float, test_current: float, open_circuit_volts: float) -> float:
        self._move(now)
        self.asked.append(("ohms", test_current))
        return math.inf if self.probed is None else self.ohms

    def _known(self, point: str) -> None:
        if point not in self.points:
            raise BenchError(f"no point {point}")

    def point_volts(self, point: str, now: float) -> float:
        self._move(now)
        self._known(point)
        return self.points[point]

    def input_volts(self, name: str, now: float) -> float:
        self._move(now)
        return self.points[name]
