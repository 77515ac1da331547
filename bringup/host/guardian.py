"""The tool's end of the guardian: starts its process, tells it line by line, and notices when it is not there.

The process is spawned, in a session of its own, so that nothing the terminal sends to everybody in it reaches the
guardian. Its standard input is a pipe that no child of ours inherits; each line is answered by a line of its own, so
that a guardian that is stopped or hangs is noticed as well as one that has ended.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import IO

from bringup.errors import LinkError
from bringup.host.vigil import LastWord
from bringup.runner.pending import Pending

READY_WITHIN = 30.0
"""Seconds for starting Python and loading every library."""
HEARD_WITHIN = 5.0
"""Seconds in which every line must be answered."""
GONE_WITHIN = 2.0
"""Seconds for leaving once it stands down."""


if sys.platform == "win32":
    # Windows knows no sessions of this kind: a group and a console of its own (none) keep Ctrl-C and closing away.
    _APART = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.DETACHED_PROCESS
else:
    _APART = 0


class GuardianProcess:
    """Implements runner.protocols.Guard. Tell it from one thread only; `close` it when the links are closed."""

    def __init__(
        self, command: list[str], spec: str, wake: Callable[[], None] = lambda: None, *, reaches_load: bool = False
    ) -> None:
        """`command` starts the guardian, `spec` is the first line it is given; `wake` ends the runner's wait.

        `reaches_load`: whether it can switch off a load beside the supply, which outlives this process.
        """
        self._wake = wake
        self._on = False
        self._reaches_load, self._load_left = reaches_load, False
        self._lost = ""
        self._lock = threading.Lock()
        self._held: list[bytes] | None = []
        """Lines that wait until the spec, which may be longer than a pipe takes at once, is on its way."""
        self._handed_over = threading.Event()
        self._unheard: deque[tuple[float, Pending[None]]] = deque()
        self._ready: Pending[None] = Pending(time.monotonic() + READY_WITHIN, wake)
        self._said = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the process
        self._process = subprocess.Popen(  # noqa: S603 - our own program
            command,
            bufsize=0,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._said,
            start_new_session=True,
            creationflags=_APART,
        )
        self._talk = threading.Thread(target=self._listen, args=(spec.encode(),), name="guardian", daemon=True)
        self._talk.start()

    @property
    def pid(self) -> int:
        """Its process number."""
        number: int = self._process.pid
        return number

    @property
    def lost(self) -> str:
        """Why it cannot be relied upon any more; empty while it can."""
        if not self._lost and self._ready.done and self._unheard:
            try:
                since = self._unheard[0][0]
            except IndexError:  # heard by the other thread just now
                return ""
            if time.monotonic() - since > HEARD_WITHIN:
                self._lost = f"it does not answer (process {self.pid})"
        return self._lost

    def ready(self) -> Pending[None]:
        """Done once it could act at once. Raises LinkError where it did not start."""
        return self._ready

    def attempt(self, attempt: str) -> None:
        """Tell the id of the attempt in the logbook."""
        self._send(f"attempt {attempt}")

    def on(self) -> Pending[None]:
        """Tell that an output is about to go on. Done when it was heard."""
        self._on = True
        return self._send("on")

    def beat(self) -> None:
        """Tell that the supply has just been seen doing what it should."""
        self._send("beat")

    def ending(self, seconds: float) -> None:
        """Tell that switching off is under way, and may take that long without a sign of life."""
        self._send(f"ending {seconds:.3f}")

    def off(self) -> None:
        """Tell that every output is off, verified by asking."""
        self._send("off")
        self._on = False

    def load_left(self) -> None:
        """Tell that the load beside the supply could not be verified off."""
        if self._reaches_load:
            self._load_left = True
            self._send("load left")

    def closed(self) -> None:
        """Tell that the attempt is closed in the logbook."""
        self._send("closed")

    def program(self, pid: int, started: str) -> None:
        """Tell which program is under way, 0: none. Callable from any thread."""
        self._send(f"program {pid} {started}".rstrip())

    def close(self, *, look_again: bool = False) -> bool:
        """Say the last word. Returns whether the guardian goes on, because off was not verified.

        `look_again`: a call to the supply never came back and may still be carried out; the guardian looks once more
        when this process is gone.
        """
        word = LastWord.STAND_DOWN_AND_LOOK if look_again else LastWord.STAND_DOWN
        if self._on or self._load_left:
            word = LastWord.TAKE_OVER
        self._send(word.value)
        self._handed_over.wait(GONE_WITHIN)
        assert self._process.stdin is not None
        self._process.stdin.close()
        goes_on = not self.lost and word is not LastWord.STAND_DOWN
        if not goes_on:
            if not self._ready.done:
                # Still loading: it was never needed, and nobody waits for it.
                self._process.kill()
            try:
                self._process.wait(GONE_WITHIN)
            except subprocess.TimeoutExpired:
                # It has nothing left to do, but hangs or is stopped.
                self._process.kill()
                self._process.wait()
            self._talk.join(GONE_WITHIN)
        else:
            # It outlives us on purpose: nobody is to be warned of that.
            self._process.returncode = 0
        return goes_on and word is LastWord.TAKE_OVER

    def _send(self, line: str) -> Pending[None]:
        heard: Pending[None] = Pending(time.monotonic() + HEARD_WITHIN, self._wake)
        with self._lock:
            if self.lost:
                # Written all the same: one that was stopped and goes on must hear that the outputs are off.
                heard.fail(LinkError(f"the guardian is gone: {self._lost}", instrument="guardian"))
            else:
                self._unheard.append((time.monotonic(), heard))
            data = f"{line}\n".encode()
            if self._held is not None:
                self._held.append(data)
            else:
                self._write(data)
        return heard

    def _write(self, data: bytes) -> None:
        """Write a line. It fits into the pipe: long before that is full, unheard lines make the guardian lost."""
        if self._process.poll() is not None:
            self._lost = self._lost or "it has ended"
            return
        assert self._process.stdin is not None
        try:
            os.write(self._process.stdin.fileno(), data)
        except (OSError, ValueError) as error:
            self._lost = self._lost or f"it takes no messages ({error})"

    def _listen(self, spec: bytes) -> None:
        """Hand over the spec, then take its answers until it ends. Runs in a thread of its own."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        stream: IO[bytes] = self._process.stdout
        with suppress(OSError):
            # Where it has ended already, the end of its output tells below.
            self._process.stdin.write(spec + b"\n")
        with self._lock:
            for data in self._held or ():
                self._write(data)
            self._held = None
        self._handed_over.set()
        first = stream.readline().decode("utf-8", "replace").strip()
        if first == "ready":
            with self._lock:
                now = time.monotonic()
                self._unheard = deque((now, pending) for _, pending in self._unheard)
            self._ready.settle(None)
            while stream.readline():
                self._heard()
        with self._lock:
            self._lost = self._lost or "it has ended"
        self._ready.fail(LinkError(f"the guardian did not start: {self._why(first)}", instrument="guardian"))
        while self._unheard:
            self._unheard.popleft()[1].fail(LinkError("the guardian has ended", instrument="guardian"))
        stream.close()
        self._said.close()
        self._wake()

    def _heard(self) -> None:
        with self._lock:
            pending = self._unheard.popleft()[1] if self._unheard else None
        if pending is not None:
            pending.settle(None)

    def _why(self, first: str) -> str:
        self._said.seek(0)
        said = self._said.read().decode("utf-8", "replace").strip()
        return first or said or "it ended without a word"
