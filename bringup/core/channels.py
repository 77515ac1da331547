"""Lists of a scanner's channels as SCPI-1999 writes them (volume 1, 8.3.2, from memory): `(@101,103:105)`.

Pure, and nothing here raises, whatever the line.
"""

from __future__ import annotations

from bringup.core.late import late
from bringup.core.response import ENDS

MOST_CHANNELS = 1000
"""No scanner has more; a list that names more is garbage."""
_LIST = late(r"\(@([0-9,:\s]{0,8000})\)")
_RANGE = late(r"([0-9]{1,6})(?::([0-9]{1,6}))?")
_BLOCK = late(r"#([1-9])")


def read_channels(line: str) -> frozenset[int] | None:
    """Read a channel list, bare or within a definite block (`#214(@101,102,103)`); None for anything else."""
    body = line.strip(ENDS)
    if _BLOCK.match(body):
        digits = int(body[1])
        count, body = body[2 : 2 + digits], body[2 + digits :]
        if not count.isascii() or not count.isdigit() or int(count) != len(body):
            return None
    found = _LIST.fullmatch(body)
    if found is None:
        return None
    channels: set[int] = set()
    for part in found.group(1).split(","):
        if not part.strip():
            if found.group(1).strip():
                return None
            continue
        one = _RANGE.fullmatch(part.strip())
        if one is None:
            return None
        first = int(one.group(1))
        last = first if one.group(2) is None else int(one.group(2))
        if not 0 <= last - first < MOST_CHANNELS:
            return None
        channels.update(range(first, last + 1))
    return frozenset(channels) if len(channels) <= MOST_CHANNELS else None


def in_words(channels: frozenset[int] | set[int] | tuple[int, ...]) -> str:
    """Return 'channel 101', 'channels 101 and 103' for people."""
    named = [str(channel) for channel in sorted(channels)]
    return f"channel {named[0]}" if len(named) == 1 else f"channels {', '.join(named[:-1])} and {named[-1]}"
