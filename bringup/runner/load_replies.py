"""What a load's replies say: a look at a channel, its settings. Replies by operation in, records out."""

from __future__ import annotations

from collections.abc import Sequence

from bringup.core.dialect import LOAD_MODES
from bringup.core.understanding import understand_mode
from bringup.runner.exchange import complaints, errors_in, faults_in
from bringup.runner.heard import HeardOfOne
from bringup.runner.load_role import ChannelSettings, LoadSample
from bringup.runner.records import Reply

TRIPS = {
    "tripped_over_voltage": "over-voltage",
    "tripped_over_current": "over-current",
    "tripped_over_power": "over-power",
    "tripped_over_temperature": "over-temperature",
    "tripped_reversed": "reversed",
}
"""Operation -> what has tripped."""
MEASURED = ("measure_voltage", "measure_current", "measure_power")
LEVELS = {mode: f"set_{mode}" for mode in LOAD_MODES}
SETTINGS = ("switch", "set_mode", *LEVELS.values(), "set_stop_voltage")
LOOK = (*MEASURED, "switch", "set_mode", *LEVELS.values(), *TRIPS)
"""What a poll asks, as far as the dialect can."""


class HeardLoad(HeardOfOne):
    """The replies that concern one channel, read by the dialect."""

    def mode(self) -> str | None:
        """Read what it holds constant; None for what is none of our words."""
        reply = self.replies.get("set_mode")
        found = None if reply is None else understand_mode(self._dialect, reply.line)
        return found if found in LEVELS else None

    def level(self) -> float | None:
        """Read the level of the mode that it is in."""
        mode = self.mode()
        return None if mode is None else self.number(LEVELS[mode]).number

    def trips(self) -> tuple[str, ...]:
        """Return what says that it has tripped."""
        return tuple(words for name, words in TRIPS.items() if self.state(name))


def settings(heard: HeardLoad, replies: Sequence[Reply], errors: Sequence[Reply]) -> ChannelSettings:
    """Return mode, level, stop voltage and state; `errors`: what answered the look for errors behind them."""
    sent = ", ".join(reply.message.text for reply in replies)
    return ChannelSettings(
        channel=heard.which,
        mode=heard.mode(),
        level=heard.level(),
        on=heard.state("switch"),
        stop_voltage=heard.number("set_stop_voltage").number,
        troubles=(*faults_in((*replies, *errors)), *complaints(sent, errors_in(errors))),
    )


def sample(heard: HeardLoad, tripped: Sequence[str], replies: Sequence[Reply], now: float) -> LoadSample:
    """Return what a look saw. `tripped`: also what an earlier look saw. `now`: where nothing was heard."""
    volts, amps, watts = (heard.number(name) for name in MEASURED)
    return LoadSample(
        monotonic=replies[0].received if replies else now,
        channel=heard.which,
        volts=volts.number,
        amps=amps.number,
        watts=watts.number,
        on=heard.state("switch"),
        mode=heard.mode(),
        level=heard.level(),
        tripped=" and ".join(tripped) or None,
        fault=next((reply.fault for reply in replies if reply.fault is not None), None),
        over_range=bool(volts.over_range),
        volts_raw=volts.raw,
        amps_raw=amps.raw,
    )
