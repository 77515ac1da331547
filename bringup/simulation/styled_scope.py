"""A simulated scope of a style: its first probe is where the world's one probe is, and what it shows is ripple there.

Ripple is taken as a triangle, whose peaks are 2*sqrt(3) times its RMS value apart. Without the limit to 20 MHz twice as
much is seen, coupled to DC the point's volts come on top. What is more than the screen is high cannot be measured.
"""

from __future__ import annotations

import math
import re
from collections.abc import Generator

from bringup.simulation.physics import World
from bringup.simulation.scope_screen import bmp, png, rows
from bringup.simulation.scope_styles import ScopeStyle
from bringup.simulation.scpi_errors import TEXTS, ScpiFault
from bringup.simulation.style import Asked, Told
from bringup.simulation.styled import StyledInstrument

SETTINGS_CONFLICT, OUT_OF_RANGE, ILLEGAL = -221, -222, -224
PEAKS = 2.0 * math.sqrt(3.0)
UNLIMITED = 2.0
"""By how much more there is to see without the limit to 20 MHz (invented)."""
FLOOR = 0.02
"""Divisions that the scope's own noise is high."""
ACROSS = 12
SETTINGS = ("probe", "scale", "time base")
RUNS = 8
"""Bit 3 of its condition register."""
NEVER = 3600.0
"""Seconds after which a question that waits for a trigger is given up."""


class StyledScope(StyledInstrument):
    """A scope, of which only the channel that was set up for it can be measured."""

    everyones = re.compile(r"\*(?i:IDN)\?|(?i:SIM(ULATE)?):.*")

    def __init__(
        self, world: World, style: ScopeStyle, *, channel: int = 1, serial: str = "SIM-O-0001", pace: float = 1.0
    ) -> None:
        """`channel`: the one whose probe is on the board."""
        self.style = style
        self.channel = channel
        self.triggers = True
        """Whether anything triggers it; else only a free-running sweep acquires."""
        self.cut_short = 0
        """So many bytes of a picture are never sent."""
        self.shows: bytes | None = None
        """What is sent as a picture, whatever the screen shows."""
        self.acquired = 0
        """So often it has acquired."""
        self._on: dict[tuple[str, int], bool] = {}
        self._levels: dict[tuple[str, int], float] = {}
        self._ends_at: float | None = None
        """When the acquisition under way ends; None: none is."""
        self._volts: float | None = None
        """From peak to peak in what was acquired; None: nothing was, or it does not fit on the screen."""
        self._seen = 0.0
        self._place: set[str] = set()
        super().__init__(world, style, serial=serial, outputs=(1,), pace=pace)

    def setting(self, what: str, channel: int = 0) -> bool | float:
        """Return what it is set to: whether (`show`, `couple`, `limit`, `sweep`), or how much."""
        if what in self.style.words:
            return self._on.get((what, channel), False)
        return self._levels.get((what, channel), {"probe": 1.0, "scale": 1.0, "time base": 1e-3}[what])

    def observe(self, now: float) -> None:
        """End an acquisition whose time has come."""
        if self._ends_at is None or now < self._ends_at:
            return
        self._ends_at, channel = None, self.channel
        self.acquired += 1
        ripple = PEAKS * self.world.probe_noise(now) * (1.0 if self.setting("limit", channel) else UNLIMITED)
        scale = float(self.setting("scale", channel))
        steady = 0.0 if self.setting("couple", channel) else abs(self.world.probe_volts(now, 1e-3, 1e7))
        self._seen = ripple + FLOOR * scale
        fits = 2.0 * steady + self._seen <= self.style.divisions * scale
        self._volts = self._seen if fits and self.setting("show", channel) else None

    def tell(self, told: Told, match: re.Match[str], now: float) -> None:
        """Set it, or start an acquisition."""
        given = match.groupdict()
        channel = self._channel(given.get("n"))
        if told.does in self.style.words:
            self._on[told.does, channel] = self._switched(told.does, str(given["word"]))
        elif told.does in SETTINGS:
            if (level := float(str(given["x"]))) <= 0:
                raise ScpiFault(OUT_OF_RANGE)
            self._levels[told.does, channel] = level
        elif told.does in ("acquire", "acquire single", "force"):
            self._volts = None
            free = told.does == "acquire" and bool(self.setting("sweep"))
            takes = ACROSS * float(self.setting("time base")) * self.pace
            self._ends_at = now + takes if self.triggers or free or told.does == "force" else math.inf
        else:
            self._place.add(told.does if told.does != "source" or channel == self.channel else "other source")

    def reply(self, asked: Asked, match: re.Match[str], now: float) -> Generator[float, float, str]:
        """Answer a question."""
        channel = self._channel(match.groupdict().get("n"))
        what, form = asked.what, str(asked.form)
        if what == "error":
            code = self.next_error()
            return form.format((code, TEXTS.get(code, "Error")))
        if what in self.style.words:
            return self.style.words[what][bool(self.setting(what, channel))]
        if what in SETTINGS:
            return form.format(float(self.setting(what, channel)))
        if what == "running":
            return form.format(0 if self._ends_at is None else RUNS)
        if what == "state":
            return form.split("/")[self._ends_at is not None]
        if what == "done":
            if self._ends_at is not None:
                self.observe((yield min(self._ends_at, now + NEVER)))
            return "1"
        if what == "picture":
            return self._picture().decode("latin-1")
        if what == "result" and self._place != set(self.style.chooses):
            raise ScpiFault(SETTINGS_CONFLICT)
        measured = self._volts if what == "result" or channel == self.channel else None
        return self.style.nothing if measured is None else form.format(measured)

    def _channel(self, text: str | None) -> int:
        """Return the channel that a spelling names, 0 for none. Raises ScpiFault for one that does not exist."""
        if text is None:
            return 0
        if not 1 <= int(text) <= self.style.channels:
            raise ScpiFault(OUT_OF_RANGE)
        return int(text)

    def _switched(self, what: str, word: str) -> bool:
        off, on = self.style.words[what]
        if word.upper() not in (off, on):
            raise ScpiFault(ILLEGAL)
        return word.upper() == on

    def _picture(self) -> bytes:
        """Return the screen as a definite block."""
        data = self.shows
        if data is None:
            points = rows(self._seen, float(self.setting("scale", self.channel)), self.style.divisions)
            data = png(points) if self.style.picture == "png" else bmp(points)
        count = str(len(data)).encode()
        return b"#%d%s%s" % (len(count), count, data[: len(data) - self.cut_short])
