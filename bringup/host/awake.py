"""Keeps the computer from going to sleep: through a program of the system that ends with this process, or a call.

Linux: an inhibitor lock held by `systemd-inhibit`; macOS: `caffeinate`; Windows: SetThreadExecutionState. Where there
is none of these nothing is an error: `holds` says why not. Implements runner.wakefulness.KeepAwake.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from typing import IO

HELD = b"held"
PATIENCE = 3.0
"""Seconds within which a program that will hold says so."""
ENDS_WITHIN = 1.0
"""Seconds in which it ends by itself once its standard input has; the outputs are off by then."""
_WHY = "an output of a laboratory supply is on"
# ES_CONTINUOUS and ES_SYSTEM_REQUIRED of SetThreadExecutionState (winbase.h, from memory).
_CONTINUOUS, _SYSTEM_REQUIRED = 0x80000000, 0x00000001


class Program:
    """Holds as long as a child process runs. The child ends when its standard input does, or when `pid` ends."""

    def __init__(self, name: str, arguments: tuple[str, ...], *, says: bool) -> None:
        """`says`: whether the child writes HELD once it holds; else it holds as long as it runs."""
        self._name = name
        self._arguments = arguments
        self._says = says
        self._child: subprocess.Popen[bytes] | None = None
        self._since = 0.0
        self._known: tuple[bool, str] | None = None

    def hold(self) -> None:
        """Start the program."""
        if self._child is not None:
            return
        self._known = None
        path = shutil.which(self._name)
        if path is None:
            self._known = (False, f"{self._name} is not on this computer")
            return
        try:
            # In a session of its own: Ctrl-C at the terminal is for the tool, which needs the computer awake.
            self._child = subprocess.Popen(  # noqa: S603 - a program of the system, arguments of ours, no shell
                [path, *self._arguments],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                start_new_session=True,
            )
        except OSError as error:
            self._known = (False, f"{self._name} cannot be started: {error}")
            return
        self._since = time.monotonic()
        for stream in (self._child.stdout, self._child.stderr):
            if stream is not None:
                os.set_blocking(stream.fileno(), False)

    def holds(self) -> tuple[bool, str] | None:
        """Whether it holds; None while the program has not said so yet."""
        if self._known is None and self._child is not None:
            self._known = self._found(self._child)
        return self._known

    def release(self) -> None:
        """End the program: its standard input ends; if that is not enough it is ended by force."""
        child, self._child = self._child, None
        if child is None:
            return
        if child.stdin is not None:
            child.stdin.close()
        if not self._says:
            child.terminate()
        try:
            child.wait(timeout=ENDS_WITHIN)
        except subprocess.TimeoutExpired:
            _kill(child)
            child.wait()
        for stream in (child.stdout, child.stderr):
            if stream is not None:
                stream.close()

    def _found(self, child: subprocess.Popen[bytes]) -> tuple[bool, str] | None:
        if child.poll() is not None:
            said = _read(child.stderr).decode("utf-8", "replace").split("\n")
            why = next((line.strip() for line in said if line.strip()), f"it ended with {child.returncode}")
            return False, f"{self._name}: {why}"
        if not self._says or HELD in _read(child.stdout):
            return True, self._name
        if time.monotonic() - self._since > PATIENCE:
            return False, f"{self._name} does not say that it holds"
        return None


class ThreadState:
    """Windows: the calling thread says that the system is required; ends with the thread."""

    def __init__(self) -> None:
        self._known: tuple[bool, str] | None = None

    def hold(self) -> None:
        """Say that the system is required."""
        done = _set_thread_state(_CONTINUOUS | _SYSTEM_REQUIRED)
        self._known = (True, "SetThreadExecutionState") if done else (False, "SetThreadExecutionState refuses")

    def holds(self) -> tuple[bool, str] | None:
        """Whether it was accepted."""
        return self._known

    def release(self) -> None:
        """Say that it is not required any more."""
        _set_thread_state(_CONTINUOUS)


class Nothing:
    """For systems that offer nothing we know of."""

    def hold(self) -> None:
        """Do nothing."""

    def release(self) -> None:
        """Do nothing."""

    def holds(self) -> tuple[bool, str] | None:
        """Never."""
        return False, f"nothing is known that would do it on {sys.platform}"


def keeper(platform: str = sys.platform) -> Program | ThreadState | Nothing:
    """Return what keeps this kind of system awake."""
    if platform == "win32":
        return ThreadState()
    if platform == "darwin":
        return Program("caffeinate", ("-i", "-s", "-w", str(os.getpid())), says=False)
    if platform.startswith("linux"):
        # It runs the command only once it holds the lock. Our end of the pipe closes with us, however we end.
        wait = ("sh", "-c", f"echo {HELD.decode()}; exec cat")
        return Program(
            "systemd-inhibit",
            ("--what=idle:sleep", "--mode=block", "--who=bringup", f"--why={_WHY}", *wait),
            says=True,
        )
    return Nothing()


def _read(stream: IO[bytes] | None) -> bytes:
    """Return what lies ready, without waiting."""
    if stream is None:
        return b""
    try:
        return os.read(stream.fileno(), 4096)
    except BlockingIOError:
        return b""


def _kill(child: subprocess.Popen[bytes]) -> None:
    """End the child, and where there are process groups whatever it started: it leads a group of its own."""
    if sys.platform == "win32":
        child.kill()
    else:
        os.killpg(child.pid, signal.SIGKILL)


def _set_thread_state(state: int) -> int:
    if sys.platform == "win32":
        import ctypes

        return int(ctypes.windll.kernel32.SetThreadExecutionState(state))
    raise OSError("only Windows has thread execution states")
