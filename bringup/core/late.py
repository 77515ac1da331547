"""Regular expressions that are compiled when they are first used.

Compiling one takes as long as importing a small module, and a start of `bringup run` meets some thirty that it does
not need before the first message.
"""

from __future__ import annotations

import re
from typing import Any, cast


class _Late:
    """Stands for a compiled pattern: finds each of its methods when that is first asked for, and keeps it."""

    def __init__(self, text: str, flags: int) -> None:
        self._text = text
        self._flags = flags

    def __getattr__(self, name: str) -> Any:
        found = getattr(re.compile(self._text, self._flags), name)
        setattr(self, name, found)
        return found


def late(text: str, flags: int = 0) -> re.Pattern[str]:
    """Return what is used as `re.compile(text, flags)` is. A pattern that is none raises re.error when first used."""
    return cast(re.Pattern[str], _Late(text, flags))
