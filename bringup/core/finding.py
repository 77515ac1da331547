"""One thing that the examination of a procedure found, before anything was opened: refused, or a warning."""

from __future__ import annotations

from bringup.core.frozen import frozen


@frozen
class Finding:
    """What was found, with its numbers, and what to do about it. `step` counts from 0; None: the whole procedure."""

    step: int | None
    message: str
    what_to_do: str
    refused: bool
    """A refused finding keeps the procedure from being run; any other is a warning."""

    @property
    def where(self) -> str:
        """The place as people count: 'step 3', or 'the procedure'."""
        return "the procedure" if self.step is None else f"step {self.step + 1}"

    def __str__(self) -> str:
        return f"{self.where}: {self.message}\n  {self.what_to_do}"
