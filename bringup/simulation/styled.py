"""What simulated instruments of a style share: a table says what they understand, anything else is an error of theirs.

Beside the table every one answers `*IDN?` and obeys the commands under SIMulate (scpi_instrument).
"""

from __future__ import annotations

import re
from collections.abc import Generator, Iterable
from typing import Protocol

from bringup.simulation.command_tree import Command
from bringup.simulation.instrument import MESSAGE_BYTES, Exchange
from bringup.simulation.physics import World
from bringup.simulation.scpi_errors import ScpiFault
from bringup.simulation.scpi_instrument import LOOK_TIME, ScpiInstrument
from bringup.simulation.style import Asked, Complains, Told, compiled

UNKNOWN = -113
_LONGEST_QUEUE = 20


class Spoken(Protocol):
    """What every style says (style.Style, meter_style.MeterStyle)."""

    @property
    def model(self) -> str:
        """The second field of its identity."""

    @property
    def tells(self) -> tuple[Told, ...]:
        """What it can be told."""

    @property
    def asks(self) -> tuple[Asked, ...]:
        """What it can be asked."""

    @property
    def complains(self) -> Complains:
        """Where its errors go."""

    @property
    def acknowledge(self) -> str:
        """What it answers to what it was told; '' for nothing."""


class StyledInstrument(ScpiInstrument):
    """The base of the simulated instruments of a style."""

    everyones: re.Pattern[str]
    """What every one understands, whatever its style."""

    def __init__(
        self,
        world: World,
        style: Spoken,
        *,
        serial: str,
        outputs: tuple[int, ...],
        pace: float,
        case_matters: bool = False,
    ) -> None:
        self._spoken = style
        self._errors: list[int] = []
        known: tuple[Told | Asked, ...] = (*style.asks, *style.tells)
        self._table = [(compiled(each.pattern, case_matters=case_matters), each) for each in known]
        super().__init__(world, model=style.model, serial=serial, outputs=outputs, pace=pace)

    def commands(self) -> Iterable[Command]:
        """Return none of its own: the table has them."""
        return ()

    def reset(self, now: float) -> None:
        """Not reached: no style has `*RST`."""

    def exchange(self, message: bytes, now: float) -> Exchange:
        """Work on one message: what the table knows is done or answered, anything else is an error of the style."""
        text = message.decode("latin-1").strip()
        if len(message) > MESSAGE_BYTES or not text:
            return None
        if self.everyones.fullmatch(text) and self.hears(None):
            asks_who = text.upper().endswith("IDN?")
            return (yield from super().exchange(b"*IDN?" if asks_who else message, now))
        if self.pace > 0:
            now = yield now + LOOK_TIME * self.pace
        self.observe(now)
        found = next(((match, one) for pattern, one in self._table if (match := pattern.fullmatch(text))), None)
        if found is None or not self.hears(found[1]):
            return self.wrong(UNKNOWN, query="?" in text)
        match, one = found
        try:
            if isinstance(one, Asked):
                return (yield from self.reply(one, match, now)).encode("latin-1")
            self.tell(one, match, now)
        except ScpiFault as fault:
            return self.wrong(fault.code)
        return self._spoken.acknowledge.encode() or None

    def wrong(self, code: int, *, query: bool = False) -> bytes | None:
        """Keep what went wrong, or answer it; `query`: it was a question. Kinds of instrument add to this."""
        del query
        if self._spoken.complains is Complains.QUEUE and len(self._errors) < _LONGEST_QUEUE:
            self._errors.append(code)
        return None

    def next_error(self) -> int:
        """Take the oldest error out of the queue; 0 where there is none."""
        return self._errors.pop(0) if self._errors else 0

    # what the kinds of instrument fill in

    def hears(self, one: Told | Asked | None) -> bool:
        """Whether it listens to that entry of its table; None: to what every one understands."""
        del one
        return True

    def observe(self, now: float) -> None:
        """Note what has happened by now, before a message is worked on."""

    def reply(self, asked: Asked, match: re.Match[str], now: float) -> Generator[float, float, str]:
        """Answer a question. May raise ScpiFault."""
        raise NotImplementedError

    def tell(self, told: Told, match: re.Match[str], now: float) -> None:
        """Do what it was told. May raise ScpiFault."""
        raise NotImplementedError
