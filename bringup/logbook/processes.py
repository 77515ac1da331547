"""Who wrote an attempt, and whether that process still lives: for attempts that nobody closed."""

from __future__ import annotations

import os
import socket
import sys
from pathlib import Path

from bringup.core.frozen import frozen

_STILL_ACTIVE = 259
_QUERY_LIMITED_INFORMATION = 0x1000


@frozen
class Process:
    """One process on one machine since one start of that machine. Empty text: the system does not tell."""

    host: str
    boot: str
    number: int
    started: str


def this_process() -> Process:
    """Return who we are."""
    number = os.getpid()
    return Process(socket.gethostname(), _boot(), number, _started(number))


def may_be_alive(process: Process) -> bool:
    """Whether that process may still be running; True also where it cannot be known.

    Another host under the same start of the machine is a container beside us: it cannot be seen from here.
    """
    here = this_process()
    if here.boot != process.boot:
        return False
    if here.host != process.host:
        return bool(here.boot)
    if not _exists(process.number):
        return False
    return not process.started or _started(process.number) == process.started


def _boot() -> str:
    """Return what names this start of the machine (Linux), or empty text."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


def _started(number: int) -> str:
    """Return the start time of a process in ticks since the machine started (Linux), or empty text.

    It tells a process from a later one that got the same number: field 22 of /proc/PID/stat, counted after the
    name in parentheses, which may itself hold spaces and parentheses.
    """
    try:
        text = Path(f"/proc/{number}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    return text.rpartition(")")[2].split()[19]


def _exists(number: int) -> bool:
    platform: str = sys.platform
    if platform == "win32":
        return _exists_on_windows(number)
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _exists_on_windows(number: int) -> bool:
    # os.kill(number, 0) would send Ctrl-C on Windows.
    import ctypes

    kernel = getattr(ctypes, "windll").kernel32  # noqa: B009 - the name exists on Windows only
    handle = kernel.OpenProcess(_QUERY_LIMITED_INFORMATION, False, number)
    if not handle:
        return False
    code = ctypes.c_ulong()
    known = kernel.GetExitCodeProcess(handle, ctypes.byref(code))
    kernel.CloseHandle(handle)
    return not known or code.value == _STILL_ACTIVE
