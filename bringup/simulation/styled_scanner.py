"""A simulated scanner of a style: relays that take their time, wired to points of the board that the world has.

What it connects is where the world's one probe is then. Two points at once tie the board together, which the world
cannot follow: it is counted in `tied`, and the probe touches nothing meanwhile.
"""

from __future__ import annotations

import re
from collections.abc import Generator, Mapping

from bringup.simulation.instrument import Exchange, Instrument
from bringup.simulation.physics import World
from bringup.simulation.scanner_styles import ScannerStyle
from bringup.simulation.scpi_errors import ScpiFault, entry
from bringup.simulation.style import Asked, Told
from bringup.simulation.styled import StyledInstrument

OUT_OF_RANGE = -222
_ERROR = re.compile(r"\s*SYST(EM)?:ERR(OR)?\?\s*", re.IGNORECASE)


class StyledScanner(StyledInstrument):
    """A scanner with the channels that are wired, and as many again that are not."""

    everyones = re.compile(r"\*(?i:IDN)\?|(?i:SIM(ULATE)?):.*")

    def __init__(
        self,
        world: World,
        style: ScannerStyle,
        *,
        wired: Mapping[int, str],
        ground: int | None = None,
        serial: str = "SIM-R-0001",
        pace: float = 1.0,
    ) -> None:
        """`wired`: channel -> point. `ground`: the channel without which the meter's low side hangs in the air."""
        self.style = style
        self.wired = dict(wired)
        self.ground = ground
        self.channels = frozenset((*wired, *(() if ground is None else (ground,))))
        self.closed: set[int] = set()
        self.stuck_open: set[int] = set()
        self.stuck_closed: set[int] = set()
        self.tied = 0
        """So often two points were connected at once."""
        self.moved: list[tuple[str, int]] = []
        """Every relay that moved: 'close' or 'open', channel."""
        self.moving = 0.0
        """Seconds in all in which relays moved."""
        self._rests_at = 0.0
        self._pointed: str | None = None
        super().__init__(world, style, serial=serial, outputs=(1,), pace=pace)

    def understands(self, text: str) -> bool:
        """Whether a message is for this, where it shares its link with a meter."""
        return any(pattern.fullmatch(text) for pattern, _ in self._table)

    @property
    def complaining(self) -> bool:
        """Whether an error waits in its queue."""
        return bool(self._errors)

    def tell(self, told: Told, match: re.Match[str], now: float) -> None:
        """Move relays. A channel that does not exist moves none."""
        channels = self._listed(match.groupdict().get("list"))
        if told.does == "open all":
            self._move(self.closed, set(), now)
        elif told.does == "open":
            self._move(self.closed & channels, set(), now)
        elif told.does == "close":
            self._move(set(), channels - self.closed, now)
        elif told.does == "close alone":
            if len(channels) != 1:
                raise ScpiFault(-108)
            self._move(self.closed - channels, channels - self.closed, now)
        else:
            raise AssertionError(f"the table of {self.style.name} says {told.does!r}")

    def reply(self, asked: Asked, match: re.Match[str], now: float) -> Generator[float, float, str]:
        """Answer from the relays' state; a style that waits answers once they rest."""
        if asked.what == "error":
            code = self.next_error()
            assert isinstance(asked.form, str)
            return asked.form.format((code, entry(code).partition(",")[2].strip('"')))
        if self.style.waits and now < self._rests_at:
            now = yield self._rests_at
        if asked.what == "rest":
            return str(int(now >= self._rests_at))
        if asked.what == "list":
            return f"(@{','.join(map(str, sorted(self.closed)))})"
        channels = self._listed(match.group("list"))
        return ",".join(str(int(channel in self.closed)) for channel in sorted(channels))

    def _listed(self, text: str | None) -> set[int]:
        """Return the channels of a list. Raises ScpiFault for one that does not exist."""
        channels: set[int] = set()
        for part in (text or "").replace(" ", "").split(","):
            first, _, last = part.partition(":")
            if first:
                channels.update(range(int(first), int(last or first) + 1))
        if text is not None and not channels <= self.channels:
            raise ScpiFault(OUT_OF_RANGE)
        return channels

    def _move(self, opening: set[int], closing: set[int], now: float) -> None:
        opening, closing = opening - self.stuck_closed, closing - self.stuck_open
        self.moved += [("open", each) for each in sorted(opening)] + [("close", each) for each in sorted(closing)]
        if opening or closing:
            self._rests_at = now + self.style.seconds * self.pace
            self.moving += self.style.seconds * self.pace
        self.closed = (self.closed - opening) | closing
        points = [self.wired[each] for each in self.closed if each in self.wired]
        self.tied += len(points) > 1
        grounded = self.ground is None or self.ground in self.closed
        point = points[0] if len(points) == 1 and grounded else None
        if point != self._pointed:
            self._pointed = point
            self.world.probe(point, now)


class MeterWithCard:
    """A meter with a scanner card: one link, and errors of both in one queue."""

    def __init__(self, meter: Instrument, card: StyledScanner) -> None:
        self.meter = meter
        self.card = card

    def exchange(self, message: bytes, now: float) -> Exchange:
        """Hand the message to the card, if it is for it, else to the meter."""
        text = message.decode("latin-1").strip()
        asks_errors = _ERROR.fullmatch(text) is not None
        to_card = self.card.complaining if asks_errors else self.card.understands(text)
        return (yield from (self.card if to_card else self.meter).exchange(message, now))

    def overrun(self) -> None:
        """Note that a message was too long."""
        self.meter.overrun()

    def interrupted(self) -> None:
        """Note that a response was lost to the next message."""
        self.meter.interrupted()
