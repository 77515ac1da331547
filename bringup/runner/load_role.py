"""The electronic load as the runner uses it. Every operation returns at once with a Pending, awaited at the wait point.

Implemented by scpi_load, through a Dialect and a Link. Channels are numbered from 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from bringup.core.frozen import frozen
from bringup.runner.pending import Pending
from bringup.runner.records import InstrumentInfo, LinkFault
from bringup.runner.roles import Attached, Done, Trouble


@frozen
class ChannelSettings:
    """How one channel is set, as read back. None: the dialect cannot tell, or no value came."""

    channel: int
    mode: str | None
    """'current', 'resistance', 'power' or 'voltage'."""
    level: float | None
    """That of its mode: A, ohm, W or V."""
    on: bool | None
    stop_voltage: float | None = None
    troubles: tuple[Trouble, ...] = ()


@frozen
class LoadSample:
    """One look at one channel. None: no value; 0 is never put in its place."""

    monotonic: float
    channel: int
    volts: float | None
    amps: float | None
    watts: float | None
    on: bool | None
    mode: str | None
    level: float | None
    tripped: str | None = None
    """What the load says has tripped, such as 'over-power'."""
    fault: LinkFault | None = None
    over_range: bool = False
    """Whether the volts are beyond its range."""
    volts_raw: str = ""
    amps_raw: str = ""


class Load(Protocol):
    """One load with numbered channels."""

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook; complete after `attach`."""

    def channels(self) -> Sequence[int]:
        """Channels that the bench file gives to points of the board. Others are never touched."""

    def modes(self) -> Sequence[str]:
        """What it can hold constant."""

    def can_stop(self, mode: str) -> bool:
        """Whether it has a stop voltage that counts in that mode."""

    def attach(self) -> Pending[Attached]:
        """Identify and empty the error queue. Changes no mode, level or input."""

    def settings(self, channel: int) -> Pending[ChannelSettings]:
        """Read mode, level, stop voltage and whether the input is on."""

    def sense(self, channel: int) -> Pending[Done]:
        """Sense where the bench file says. One that cannot choose senses at its terminals; elsewhere is a Trouble."""

    def set_mode(self, channel: int, mode: str) -> Pending[Done]:
        """Choose what is held constant. Some switch their input off by it. Another mode read back is a Trouble."""

    def set_range(self, channel: int, mode: str, level: float) -> Pending[Done]:
        """Choose the range of a mode for a level, before it: on some it rescales the level. Nothing without ranges."""

    def set_level(self, channel: int, mode: str, level: float) -> Pending[Done]:
        """Set the level of a mode: A, ohm, W or V."""

    def set_stop_voltage(self, channel: int, mode: str, volts: float) -> Pending[Done]:
        """Set the voltage below which it stops drawing; a Trouble if the dialect cannot."""

    def can_protect(self, protection: str) -> bool:
        """Whether 'over_current' or 'over_power' has a level that can be set."""

    def set_protection(self, channel: int, protection: str, level: float) -> Pending[Done]:
        """Set the level (A or W) of such a protection and enable it; `on` is what it says of that, None: nothing."""

    def switch(self, channel: int, on: bool) -> Pending[Done]:
        """Switch one input and ask what it is now."""

    def all_off(self) -> Pending[Done]:
        """Every channel of ours off, relying on no earlier selection; `on`: what it says then."""

    def poll(self, channel: int) -> Pending[LoadSample]:
        """Look at one channel. Never raises: a silent load is a sample with a fault."""

    def clear_trip(self, channel: int) -> Pending[Done]:
        """Clear a tripped protection (the caller keeps to the order off, verify, clear, verify)."""

    def close(self) -> None:
        """Let go of the link; inputs stay as they are."""
