"""A supply that drops whoever has not spoken for a while, as some do after seconds, while a person is thinking.

Only a question is asked again, once, over a link on which the same instrument has said anew who it is: asking changes
nothing. What tells it something is never repeated.
"""

from __future__ import annotations

from collections.abc import Callable

from bringup.runner.journal import Journal
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault
from bringup.runner.roles import OutputSettings, Supply

LINGERED = 1.0
"""Seconds after which a person's answer is late enough to look whether everything still is as it was shown to them:
the link may have been dropped, and a hand may have been at the supply's panel."""


def settings_of(
    supply: Supply, output: int, result: Callable[[Pending[OutputSettings], str], OutputSettings], journal: Journal
) -> OutputSettings:
    """Read an output's settings; once more where the link turns out to be gone. `result` waits for the answer."""
    found = result(supply.settings(output), "reading the settings back")
    if not any(trouble.fault is LinkFault.LOST for trouble in found.troubles):
        return found
    text = "the supply had dropped the link: it is opened anew and asked again, nothing is sent again"
    journal.event("link-dropped", text, {"instrument": supply.instrument(output)})
    return result(supply.settings(output), "reading the settings back")
