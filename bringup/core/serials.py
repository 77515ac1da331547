"""Serial numbers as a board's pattern gives them: a pattern from one example, and the number after the last. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence

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


def next_serial(earlier: Sequence[str], pattern: str) -> str:
    """Return the number after the highest of those like the last one; '' where none of them could count.

    Which of its digits count, the board's pattern says: the last run of digits that can be one more and still match.
    `earlier`: in the order of recording. Raises CommandError where no further number matches the pattern.
    """
    if not earlier:
        return ""
    newest = earlier[-1]
    runs = list(_RUN.finditer(newest))
    for run in reversed(runs):
        before, after = newest[: run.start()], newest[run.end() :]
        alike = re.compile(f"{re.escape(before)}([0-9]+){re.escape(after)}")
        numbers = [int(match.group(1)) for serial in earlier if (match := alike.fullmatch(serial))]
        candidate = f"{before}{max(numbers) + 1:0{len(run.group())}}{after}"
        if not pattern or re.fullmatch(pattern, candidate):
            return candidate
    if not runs:
        return ""
    raise CommandError(
        f"after {newest} no further serial number matches the board's pattern {pattern}",
        "Give the next one yourself, or widen the pattern in the board file.",
    )


def read_scan(line: str, pattern: str) -> str:
    """Return the serial number that a barcode reader, or a person, gave in a line. Raises CommandError."""
    serial = line.strip()
    if not serial.isprintable():
        raise CommandError("what came has control characters in it", "Scan it again.")
    if not pattern or re.fullmatch(pattern, serial):
        return serial
    half = serial[: len(serial) // 2]
    twice = f": it is {half} twice" if half * 2 == serial and re.fullmatch(pattern, half) else ""
    raise CommandError(
        f"{serial!r} does not match the board's pattern {pattern}{twice}", "The whole serial number must match."
    )
