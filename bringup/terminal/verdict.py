"""The line that says what an attempt came to: result, why, what was under way, and where to find it again. Pure."""

from __future__ import annotations

from bringup.core.frozen import frozen

ID_SHOWN = 8
"""How much of an attempt's id is shown to people."""


@frozen
class Verdict:
    """What an attempt came to, in the words of the runner."""

    result: str
    cause: str = ""
    simulated: bool = False
    warned: str = ""
    """What does not fail the unit but is to be looked at; '' if nothing."""
    under_way: str = ""
    """The step that was half done when it ended, as people count it; '' if none was."""
    attempt: str = ""
    kept_in: str = ""
    """The logbook file."""

    def __str__(self) -> str:
        simulated = " (SIMULATED)" if self.simulated else ""
        words = self.cause.removeprefix(self.result).removeprefix(":").strip()
        said = f": {words}" if words else ""
        if self.under_way and not words.startswith(self.under_way):
            said += f"; {self.under_way} was under way" if said else f": {self.under_way} was under way"
        warned = f", with a warning: {self.warned}" if self.warned else ""
        where = ", ".join(filter(None, [self.attempt and f"attempt {self.attempt[:ID_SHOWN]}", self.kept_in]))
        return f"{self.result.upper() or 'ENDED'}{simulated}{said}{warned}{f' [{where}]' if where else ''}"
