"""What every simulated SCPI instrument has: messages carried out unit by unit, common commands, a hand on the world.

The commands under SIMulate are our own: with them any SCPI client moves the probe and the leads, puts another unit on
the bench and looks at what is true. `SIMulate:PROBe "3V3"|NONE`, `SIMulate:HAND "3V3"|NONE` (as hands
do: after a while, through the air, with a bounce), `SIMulate:LEADs BOARD|FREE|OFF`,
`SIMulate:UNIT "MBL-0001"`, `SIMulate:STATe "programmed"`, `SIMulate:POINt? "3V3"` (true volts),
`SIMulate:OUTPut? 1` (1 or 0 as the power stage is).
"""

from __future__ import annotations

from collections.abc import Generator, Iterable

from bringup import __version__
from bringup.core.bench import SIMULATED_MAKER
from bringup.errors import BenchError
from bringup.simulation.command_tree import Call, Command, CommandTree
from bringup.simulation.instrument import MESSAGE_BYTES, Exchange
from bringup.simulation.parameters import integer, string, string_or_none, word
from bringup.simulation.physics import LeadsAt, World
from bringup.simulation.scpi_errors import ScpiFault
from bringup.simulation.status import Status

LOOK_TIME = 0.0005
"""Seconds from the end of a message to when it is carried out."""


class ScpiInstrument:
    """The base of the simulated instruments. Implements simulation.instrument.Instrument.

    `pace` stretches every time the instrument takes for itself; 0 answers at once.
    """

    def __init__(
        self, world: World, *, model: str, serial: str, outputs: tuple[int, ...], pace: float = 1.0, sign: str = ""
    ) -> None:
        self.world = world
        self.serial = serial
        self.pace = pace
        self.status = Status(sign=sign)
        self.outputs = outputs
        self._identity = f"{SIMULATED_MAKER},{model},{serial},{__version__}"
        self._responses: list[str] = []
        self._tree = CommandTree(
            [
                *self.status.commands(self.look, lambda: bool(self._responses)),
                *self._common(),
                *self._private(),
                *self.commands(),
            ]
        )

    # what the kinds of instrument fill in

    def commands(self) -> Iterable[Command]:
        """Return the instrument's own commands."""
        raise NotImplementedError

    def reset(self, now: float) -> None:
        """Do what `*RST` does to the instrument itself."""
        raise NotImplementedError

    def look(self, now: float) -> None:
        """Observe the conditions that the status registers report."""

    # simulation.instrument.Instrument

    def exchange(self, message: bytes, now: float) -> Exchange:
        """Work on one program message: its units in order. A command error ends it, an execution error does not."""
        if len(message) > MESSAGE_BYTES:
            self.overrun()
            return None
        parts = self._tree.read(message.decode("latin-1"))
        if self.pace > 0 and parts:
            now = yield now + LOOK_TIME * self.pace
        self._responses.clear()
        closed = False
        for part in parts:
            if isinstance(part, ScpiFault):
                self.status.report(part.code, part.detail)
                continue
            if closed and part.query:
                self.status.report(-440)
                break
            try:
                response = part.command.handle(Call(now, part.values, part.suffixes))
                if response is not None and not isinstance(response, str):
                    response, now = yield from self._work(response, now)
            except ScpiFault as fault:
                self.status.report(fault.code, fault.detail)
                continue
            if response is not None:
                self._responses.append(response)
                closed = part.command.indefinite
        reply = ";".join(self._responses)
        answered = bool(self._responses)
        self._responses.clear()
        return reply.encode("latin-1") if answered else None

    def overrun(self) -> None:
        """Note that a message was too long."""
        self.status.report(-363)

    def interrupted(self) -> None:
        """Note that a response was lost to the next message."""
        self.status.report(-410)

    @staticmethod
    def _work(
        work: Generator[float, float, str | None], now: float
    ) -> Generator[float, float, tuple[str | None, float]]:
        """Carry a handler's work through; return its response and the time at which it was done."""
        try:
            wanted = next(work)
            while True:
                now = yield wanted
                wanted = work.send(now)
        except StopIteration as end:
            return end.value, now

    # the commands that all have

    def _common(self) -> Iterable[Command]:
        yield Command("*IDN?", lambda _: self._identity, indefinite=True)
        yield Command("*RST", lambda call: self.reset(call.now))
        yield Command("*TST?", lambda _: "0")
        yield Command("SYSTem:REMote", lambda _: None)
        yield Command("SYSTem:LOCal", lambda _: None)

    def _private(self) -> Iterable[Command]:
        yield Command("SIMulate:PROBe", self._probe, (string_or_none(),))
        yield Command("SIMulate:ACRoss", self._across, (string_or_none(), string_or_none()))
        yield Command("SIMulate:HAND", lambda call: self._probe(call, by_hand=True), (string_or_none(),))
        yield Command("SIMulate:LEADs", self._leads, (word(*LeadsAt),))
        yield Command("SIMulate:UNIT", self._unit, (string(),))
        yield Command("SIMulate:STATe", self._state, (string(),))
        yield Command("SIMulate:POINt?", self._point, (string(),))
        yield Command("SIMulate:OUTPut?", self._output, (integer(1, max(self.outputs)),))

    def _probe(self, call: Call, *, by_hand: bool = False) -> None:
        (point,) = call.values
        assert point is None or isinstance(point, str), "the parameter reader gives text or None"
        try:
            (self.world.hand if by_hand else self.world.probe)(point, call.now)
        except BenchError:
            raise ScpiFault(-224, "no such point") from None

    def _across(self, call: Call) -> None:
        red, black = (None if value is None else str(value) for value in call.values)
        try:
            self.world.across(red, black, call.now)
        except BenchError:
            raise ScpiFault(-224, "no such point") from None

    def _leads(self, call: Call) -> None:
        self.world.leads(LeadsAt(str(call.values[0])), call.now)

    def _unit(self, call: Call) -> None:
        if any(self.world.is_on(output, call.now) for output in self.outputs):
            raise ScpiFault(-221, "an output is on")
        self.world.unit(str(call.values[0]))

    def _state(self, call: Call) -> None:
        try:
            self.world.state(str(call.values[0]))
        except BenchError:
            raise ScpiFault(-224, "no such state") from None

    def _point(self, call: Call) -> str:
        try:
            return f"{self.world.point_volts(str(call.values[0]), call.now):+.9E}"
        except BenchError:
            raise ScpiFault(-224, "no such point") from None

    def _output(self, call: Call) -> str:
        (output,) = call.values
        assert isinstance(output, int), "the parameter reader gives whole numbers"
        if output not in self.outputs:
            raise ScpiFault(-224, "no such output")
        return str(int(self.world.is_on(output, call.now)))
