"""Serial numbers as a board's pattern gives them: a pattern from one example, and the number after the last. Pure."""

from __future__ import annotations

import re

from bringup.errors import CommandError

_RUN = re.compile(r"[0-9]+")


def pattern_like(example: str) -> str:
    """Return the pattern that an example serial number stands for: its last run of digits counts, the rest stays.

    'LMP-001' gives 'LMP-[0-9]{3}'. Raises CommandError for one without a digit.
    """
    runs = list(_RUN.finditer(example))
    if not runs:
        raise CommandError(
            f"the serial number {example!r} has no digit that could count", "Give one such as LMP-001, or a pattern."
        )
    last = runs[-1]
    before, after = (_literally(text) for text in (example[: last.start()], example[last.end() :]))
    return f"{before}[0-9]{{{len(last.group())}}}{after}"


def _literally(text: str) -> str:
    """Return a text as a pattern that only it matches, no more escaped than needed."""
    return re.escape(text).replace("\\-", "-").replace("\\_", "_")
