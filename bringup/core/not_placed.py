"""Parts that the board house did not place, as a procedure names them. What becomes of one: placement.py. Pure."""

from __future__ import annotations

from bringup.core.frozen import frozen


@frozen
class Unplaced:
    """A part that was not placed: its designator, what it is and why, as far as anybody said."""

    part: str
    about: str = ""
    why: str = ""
    serial: str = ""
    """The one unit that it is about; '': every unit."""

    def __str__(self) -> str:
        """For people: 'C14 (22 uF: out of stock)'."""
        said = ": ".join(filter(None, (self.about, self.why)))
        return f"{self.part} ({said})" if said else self.part


@frozen
class NotPlaced:
    """What a procedure says of parts not placed: those of a file, or (no file) what a person types."""

    path: str = ""
    """The file as the procedure names it; '': asked."""
    parts: tuple[Unplaced, ...] = ()
    file: str = ""
    """Where it was read."""

    @property
    def in_short(self) -> str:
        """What is asked about parts, in a few words."""
        return f"{len(self.parts)} parts not placed by {self.path}" if self.path else "parts not placed asked for"
