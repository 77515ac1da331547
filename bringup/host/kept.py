"""A host program as whoever started it sees it: kept together by a process of its own on Linux, bare elsewhere."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from bringup.host import keeper
from bringup.runner.records import ProgramOrder

AFTER_GUARDIAN = 2.0
"""Seconds that a guardian has, once the tool is gone, to switch off before the program is ended."""
BETWEEN_LOOKS = 0.05
LOST = "what kept it together was ended: neither its exit code nor what it left behind is known"
TALK = 1.0
"""Seconds for a word of the keeper's, beyond what ending something takes."""


class Kept:
    """A program and its keeper. `output`: the descriptor on which it writes."""

    def __init__(self, order: ProgramOrder, own: dict[str, Any], *, after: float, grace: float) -> None:
        """Start it. Raises OSError where it cannot be started. `after`, `grace`: see keeper."""
        hearing, telling = os.pipe()
        numbers = (telling, os.getpid(), after, grace)
        try:
            self._keeper = subprocess.Popen(  # noqa: S603 - our own keeper; what it starts was agreed to by a person
                [sys.executable, "-I", "-S", keeper.__file__, *map(str, numbers), *order.arguments],
                cwd=order.folder,
                env={**os.environ, **order.environment},
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                bufsize=0,
                pass_fds=(telling,),
                **own,
            )
        except BaseException:
            os.close(hearing)
            raise
        finally:
            os.close(telling)
        assert self._keeper.stdout is not None
        self.output = self._keeper.stdout
        self._told = os.fdopen(hearing, encoding="utf-8")
        word, _, rest = self._told.readline().strip().partition(" ")
        if word != "started":
            self._close()
            self._told.close()
            self.output.close()
            raise OSError(int(rest or 0), os.strerror(int(rest)) if rest else "what was to keep it ended at once")
        self.pid = int(rest)
        self.returncode: int | None = None
        self._left = ""
        self._ended, self._done = threading.Event(), threading.Event()
        threading.Thread(target=self._hear, name="keeper of program", daemon=True).start()

    @property
    def ended(self) -> bool:
        """Whether it has ended, in whatever way."""
        return self._ended.is_set()

    def wait(self, timeout: float | None = None) -> int | None:
        """Wait for its end. Raises subprocess.TimeoutExpired."""
        if not self._ended.wait(timeout):
            raise subprocess.TimeoutExpired([], timeout or 0.0)
        return self.returncode

    def end_left(self, grace: float) -> str:
        """End whatever it left behind; returns in words that there was something."""
        with suppress(OSError):
            assert self._keeper.stdin is not None
            self._keeper.stdin.write(b"end\n")
        self._done.wait(2 * grace + TALK)
        self._close()
        return self._left

    def _hear(self) -> None:
        with self._told:
            for line in self._told:
                word, _, rest = line.strip().partition(" ")
                if word == "ended":
                    self.returncode = int(rest)
                    self._ended.set()
                elif word == "left":
                    self._left = rest
        if not self._ended.is_set():  # the keeper was killed: nobody waits for the program any more
            self._left = LOST
            while (found := keeper.process_of(self.pid)) is not None and found.state != "Z":
                time.sleep(BETWEEN_LOOKS)
        self._ended.set()
        self._done.set()

    def _close(self) -> None:
        assert self._keeper.stdin is not None
        with suppress(OSError):
            self._keeper.stdin.close()
        with suppress(subprocess.TimeoutExpired):
            self._keeper.wait(TALK)


class Bare:
    """A program that nothing keeps. `output`: the descriptor on which it writes."""

    def __init__(self, order: ProgramOrder, own: dict[str, Any], *, end_left: Callable[[int], str]) -> None:
        """Start it. Raises OSError where it cannot be started. `end_left` ends what it left, where that is known."""
        self._process = subprocess.Popen(  # noqa: S603 - a list of arguments, no shell, and agreed to by a person
            order.arguments,
            cwd=order.folder,
            env={**os.environ, **order.environment},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            bufsize=0,
            **own,
        )
        assert self._process.stdout is not None
        self.output, self.pid, self._end_left = self._process.stdout, self._process.pid, end_left

    @property
    def returncode(self) -> int | None:
        """How it ended; None if it has not."""
        return self._process.returncode

    @property
    def ended(self) -> bool:
        """Whether it has ended."""
        return self._process.poll() is not None

    def wait(self, timeout: float | None = None) -> int | None:
        """Wait for its end. Raises subprocess.TimeoutExpired."""
        return self._process.wait(timeout)

    def end_left(self, grace: float) -> str:
        """End whatever it left behind; returns in words that there was something."""
        del grace
        return self._end_left(self.pid)
