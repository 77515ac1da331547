"""What a `log` has beside its samples: marks set by what the board says, temperatures. Plain records."""

from __future__ import annotations

from bringup.core.frozen import frozen


@frozen
class HeardMark:
    """A mark that is set whenever a line of what the board says holds this."""

    line: str
    """Name of the serial line in the bench file."""
    name: str
    pattern: str


@frozen
class Temperature:
    """A temperature that is followed beside the samples: `spot` where, 'ambient' for the air around the board."""

    spot: str
    by_meter: bool = False
    """Read by the meter, whose leads are on a sensor there; otherwise a person types it."""

    @property
    def text(self) -> str:
        """The name by which its limits are stated: 'U3 temperature'."""
        return f"{self.spot} temperature"
