"""What a program of ours has started: found on Linux also where it left the program's session, known by the system.

While a `Brood` is open this process adopts what its descendants leave behind (prctl(2), PR_SET_CHILD_SUBREAPER), so
that a process cannot get away by starting a session of its own and losing its parent. Elsewhere nothing is found.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Self

from bringup.core.frozen import frozen

_SET_SUBREAPER, _GET_SUBREAPER = 36, 37
"""PR_SET_CHILD_SUBREAPER and PR_GET_CHILD_SUBREAPER of linux/prctl.h."""
BETWEEN_LOOKS = 0.01
ENDED, NOT_ENDED = "it left children behind, which were ended", "it left children behind, which cannot be ended"


@frozen
class Process:
    """What the system says of one. `started`: clock ticks since boot; with the number, it means no other process."""

    pid: int
    state: str
    parent: int
    group: int
    session: int
    started: str


def process_of(pid: int) -> Process | None:
    """Return what proc(5) says of a process; None where there is none, or no such file system."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    # The name, in parentheses, may hold anything; fields are counted from behind it.
    rest = text.rpartition(")")[2].split()
    return Process(pid, rest[0], int(rest[1]), int(rest[2]), int(rest[3]), rest[19])


def group_lives(group: int) -> bool | None:
    """Whether anybody but dead processes that nobody waits for is in the group; None: the system does not say."""
    if sys.platform != "linux":
        return None
    return any(each.group == group and each.state != "Z" for each in _processes())


class Brood:
    """Adopts what is left behind while it is entered. One at a time; other children are told by session."""

    def __enter__(self) -> Self:
        self._before = {(each.pid, each.started) for each in _children()}
        self._was = adopts()
        if self._was is not None:
            _adopt(on=True)
        return self

    def __exit__(self, *_: object) -> None:
        if self._was is not None:
            _adopt(on=self._was)

    def end(self, program: int, grace: float) -> str:
        """End whatever `program` (which is waited for by others) left behind; returns in words that there was some."""
        if self._was is None or not (left := self._left(program)):
            return ""
        for number in (signal.SIGTERM, signal.SIGKILL):
            until, asked = time.monotonic() + grace, set[int]()
            while left and time.monotonic() < until:
                for pid in left - asked:
                    with suppress(ProcessLookupError, PermissionError):
                        os.kill(pid, number)
                asked |= left
                time.sleep(BETWEEN_LOOKS)
                left = self._left(program)
        return f"{NOT_ENDED} (process {', '.join(map(str, sorted(left)))})" if left else ENDED

    def _left(self, program: int) -> set[int]:
        """Return what is alive of those adopted and whatever they started; wait for the dead ones."""
        everybody, ours = list(_processes()), os.getpid()
        session = os.getsid(0)
        left: set[int] = set()
        for each in everybody:
            stranger = each.parent == ours and each.session != session and (each.pid, each.started) not in self._before
            if stranger and each.pid != program:
                if each.state == "Z":
                    with suppress(ChildProcessError):
                        os.waitpid(each.pid, os.WNOHANG)
                else:
                    left.add(each.pid)
        while more := {e.pid for e in everybody if e.parent in left and e.state != "Z"} - left:
            left |= more
        return left


def _processes() -> Iterator[Process]:
    with suppress(OSError):
        for name in os.listdir("/proc"):  # noqa: PTH208 - names alone, and there are many
            if name.isdigit() and (found := process_of(int(name))) is not None:
                yield found


def _children() -> Iterator[Process]:
    ours = os.getpid()
    return (each for each in _processes() if each.parent == ours)


def adopts() -> bool | None:
    """Return whether this process adopts what its descendants leave behind. None: the system knows nothing of it."""
    if sys.platform != "linux":
        return None
    import ctypes

    answer = ctypes.c_int()
    failed = ctypes.CDLL(None).prctl(_GET_SUBREAPER, ctypes.byref(answer), 0, 0, 0)
    return None if failed else bool(answer.value)


def _adopt(*, on: bool) -> None:
    import ctypes

    ctypes.CDLL(None).prctl(_SET_SUBREAPER, ctypes.c_ulong(on), 0, 0, 0)
