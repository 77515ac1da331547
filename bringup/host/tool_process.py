"""The tool's process as the guardian sees it: when it is gone, and how it is ended.

Nothing here relies on a pipe or a file that a child of the tool may have inherited and hold open: the system itself
is asked. The guardian is a child of the tool, so on POSIX its own parent's number tells, whatever is not there.
"""

from __future__ import annotations

import ctypes
import os
import select
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any

BETWEEN_LOOKS = 0.05
"""Seconds between two looks where the system cannot be waited for."""
_SYNCHRONIZE_AND_TERMINATE = 0x00100001
_WAIT_MS = 500


class ToolProcess:
    """Made while the tool certainly lives: from then on a later process with the same number is never meant."""

    def __init__(self, pid: int) -> None:
        self._pid = pid
        self.gone = threading.Event()
        """Set once the process is no more."""
        self._handle = _open(pid)

    def watch(self, tell: Callable[[], None]) -> None:
        """Call `tell` from a thread when the process is gone."""

        def wait() -> None:
            _wait(self._handle, self._pid)
            self.gone.set()
            tell()

        threading.Thread(target=wait, name="the tool's end", daemon=True).start()

    def kill(self) -> None:
        """End it at once. One that is gone already is left alone."""
        if not self.gone.is_set():
            with suppress(ProcessLookupError):
                _kill(self._handle, self._pid)


if sys.platform == "win32":

    def _open(pid: int) -> Any:
        return ctypes.windll.kernel32.OpenProcess(_SYNCHRONIZE_AND_TERMINATE, False, pid)

    def _wait(handle: Any, pid: int) -> None:
        del pid
        while handle and ctypes.windll.kernel32.WaitForSingleObject(handle, _WAIT_MS):
            pass

    def _kill(handle: Any, pid: int) -> None:
        del pid
        if handle:
            ctypes.windll.kernel32.TerminateProcess(handle, 1)

else:

    def _open(pid: int) -> int | None:
        opener = getattr(os, "pidfd_open", None)
        if opener is None or os.getppid() != pid:
            return None
        try:
            return int(opener(pid))
        except OSError:
            # Gone by now, or a system that forbids it: our own parent's number tells.
            return None

    def _wait(handle: int | None, pid: int) -> None:
        if handle is not None:
            select.select([handle], [], [])
            return
        pause = threading.Event()
        while os.getppid() == pid:
            pause.wait(BETWEEN_LOOKS)

    def _kill(handle: int | None, pid: int) -> None:
        if handle is not None and hasattr(signal, "pidfd_send_signal"):
            signal.pidfd_send_signal(handle, signal.SIGKILL)
        elif os.getppid() == pid:
            os.kill(pid, signal.SIGKILL)
