"""How a serial port is set: what a dialect expects, and what a bench file says instead."""

from __future__ import annotations

from dataclasses import fields, replace

from bringup.core.frozen import frozen

FLOWS = ("none", "rts/cts", "dtr/dsr", "xon/xoff")
PARITIES = ("none", "even", "odd", "mark", "space")
STOPS = ("1", "1.5", "2")
LINES = ("on", "off")


@frozen
class PortSettings:
    """Settings of a serial port; None is not stated, and whoever opens it takes the usual 9600 8N1 without flow."""

    baud: int | None = None
    bits: int | None = None
    parity: str | None = None
    """One of PARITIES."""
    stop: str | None = None
    """Stop bits, one of STOPS."""
    flow: str | None = None
    """One of FLOWS."""
    dtr: str | None = None
    rts: str | None = None
    """One of LINES: what the line is set to and left at. Not stated: as opening the port leaves it."""

    def over(self, other: PortSettings) -> PortSettings:
        """Return these settings, those of `other` where these state nothing."""
        stated = {one.name: getattr(self, one.name) for one in fields(self)}
        return replace(other, **{name: value for name, value in stated.items() if value is not None})


def clash(port: PortSettings) -> str:
    """Return the line ('dtr' or 'rts') that is stated though flow control moves it by itself; '' if none is."""
    if port.flow == "dtr/dsr" and port.dtr is not None:
        return "dtr"
    return "rts" if port.flow == "rts/cts" and port.rts is not None else ""
