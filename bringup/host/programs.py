"""Programs of this computer, such as one that loads firmware: started without a shell, bounded, ended whole.

Implements runner.protocols.Programs. Each program has threads of its own, so that neither its start, nor what it
writes, nor its end ever holds up whoever watches the supply. It gets no input, no terminal and none of our files.
"""

from __future__ import annotations

import hashlib
import math
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from bringup.host.keeper import ENDED, NOT_ENDED, group_lives, process_of
from bringup.host.kept import AFTER_GUARDIAN, Bare, Kept
from bringup.runner.pending import Pending
from bringup.runner.records import ProgramEnd, ProgramOrder

HEAD = TAIL = 32 * 1024
"""Bytes of output that are kept of its beginning and of its end."""
GRACE = 2.0
"""Seconds between asking a program to end and forcing it, and again until it is given up."""
DRAIN = 1.0
"""Seconds in which the output must end once the program has."""
CANNOT = "it cannot be ended"
BATCH_FILES = (".bat", ".cmd")


def find_program(name: str, folder: Path) -> tuple[str, str]:
    """Return a program's file as a full path and '', or '' and why there is none.

    A bare name is looked for in PATH alone, never in the current folder (Windows would); one with a folder in it
    counts from `folder`, the procedure's.
    """
    if os.path.dirname(name) or (os.altsep and os.altsep in name):  # noqa: PTH120 - only whether there is one
        found = shutil.which(str(folder.absolute() / name))
        where = f"no program at {folder.absolute() / name}"
    else:
        places = [place for place in os.environ.get("PATH", "").split(os.pathsep) if Path(place).is_absolute()]
        candidates = (shutil.which(str(Path(place) / name)) for place in places)
        found = next((each for each in candidates if each is not None), None)
        where = f"no program {name!r} in the folders of PATH"
    if found is None:
        return "", where
    if os.name == "nt" and found.lower().endswith(BATCH_FILES):
        return "", f"{found} is a batch file, which Windows runs through a shell"
    return found, ""


class HostPrograms:
    """Starts programs, one at a time. `wake` ends the runner's wait when one has ended.

    `tell` is told the process under way and when it started, as the system counts it, and 0 once it has ended.
    `guarded`: a guardian switches off before it ends the program, if this process is killed.
    """

    def __init__(
        self,
        wake: Callable[[], None],
        tell: Callable[[int, str], None] = lambda *_: None,
        *,
        guarded: bool = False,
    ) -> None:
        self._wake, self._tell = wake, tell
        self._after = AFTER_GUARDIAN if guarded else 0.0

    def start(self, order: ProgramOrder) -> RunningProgram:
        """Start one; returns at once."""
        return RunningProgram(order, self._wake, self._tell, self._after)


class RunningProgram:
    """One program under way."""

    def __init__(
        self, order: ProgramOrder, wake: Callable[[], None], tell: Callable[[int, str], None], after: float
    ) -> None:
        self.ended: Pending[ProgramEnd] = Pending(math.inf, wake)
        self._order, self._tell, self._after = order, tell, after
        self._stop = False
        self._news = threading.Event()
        threading.Thread(target=self._carry, name="program", daemon=True).start()

    def stop(self) -> None:
        """End it and its children: ask, then force. Returns at once."""
        self._stop = True
        self._news.set()

    def _carry(self) -> None:
        try:
            self.ended.settle(self._run())
        except (OSError, ValueError) as error:
            # ValueError: an argument that no system takes, such as one with a NUL in it.
            self.ended.settle(
                ProgramEnd(None, why=f"it cannot be started: {getattr(error, 'strerror', None) or error}")
            )
        except Exception as bug:  # noqa: BLE001 - raised where the end is read, in the main thread
            self.ended.fail(bug)

    def _run(self) -> ProgramEnd:
        order = self._order
        digest = ""
        if order.loads:
            with Path(order.loads).open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        if self._stop:
            return ProgramEnd(None, digest=digest, why="it was ended before it began")
        return self._carry_out(order, digest)

    def _carry_out(self, order: ProgramOrder, digest: str) -> ProgramEnd:
        process: Kept | Bare
        if sys.platform == "linux":
            process = Kept(order, _of_its_own(), after=self._after, grace=GRACE)
        else:
            process = Bare(order, _of_its_own(), end_left=_end_children)
        self._tell(process.pid, started_of(process.pid))
        output = Output(order.wanted)
        reader = threading.Thread(target=output.read, args=(process.output.fileno(),), name="output", daemon=True)
        reader.start()
        threading.Thread(target=self._wait_for, args=(process,), name="end of program", daemon=True).start()
        self._news.wait()
        why = self._end(process)
        reader.join(DRAIN)
        left = process.end_left(GRACE)
        reader.join(DRAIN)
        if reader.is_alive():
            left = "something that it started holds its output open and is no longer among its children"
        else:
            process.output.close()
        if not why.startswith(CANNOT):
            self._tell(0, "")
        code = None if why else process.returncode
        # Children of a program that we ended were ended with it: they are no news.
        return output.end(code, digest, why or left)

    def _wait_for(self, process: Kept | Bare) -> None:
        process.wait()
        self._news.set()

    def _end(self, process: Kept | Bare) -> str:
        """End the program if it has not ended by itself; returns in words what was needed."""
        if process.ended:
            return ""
        for ask, words in ((_terminate, "it was ended"), (_kill, "it was ended by force")):
            ask(process.pid)
            with suppress(subprocess.TimeoutExpired):
                process.wait(GRACE)
                return words
        return f"{CANNOT} (process {process.pid})"


def started_of(pid: int) -> str:
    """Return when a process started, as the system counts it; '' where it does not say."""
    found = process_of(pid)
    return "" if found is None else found.started


def end_left_over(pid: int, started: str) -> str:
    """End a program whose starter is dead, with its group; returns in words what came of it, '' if it was gone."""
    if started and started_of(pid) not in ("", started):
        return ""  # another process has its number by now
    if sys.platform == "win32":
        _kill(pid)
        return "was ended"
    return {"": "", ENDED: "was ended", NOT_ENDED: "cannot be ended"}[_end_children(pid)]


class Output:
    """What a program writes: the beginning and the end of it are kept, and it is searched as it comes."""

    def __init__(self, wanted: tuple[str, ...]) -> None:
        self._wanted = {text: text.encode() for text in wanted}
        self._found: set[str] = set()
        self._carry = max((len(each) for each in self._wanted.values()), default=1) - 1
        self._head, self._tail, self._last, self._written = bytearray(), bytearray(), b"", 0
        self._lock = threading.Lock()

    def read(self, descriptor: int) -> None:
        """Read until its end. Runs in a thread of its own."""
        while True:
            try:
                chunk = os.read(descriptor, 65536)
            except OSError:
                return  # a pipe that breaks has ended
            if not chunk:
                return
            with self._lock:
                self._take(chunk)

    def _take(self, chunk: bytes) -> None:
        self._written += len(chunk)
        window = self._last + chunk
        self._found.update(text for text, raw in self._wanted.items() if raw in window)
        self._last = window[-self._carry :] if self._carry else b""
        room = HEAD - len(self._head)
        self._head += chunk[:room]
        self._tail += chunk[room:] if room > 0 else chunk
        del self._tail[:-TAIL]

    def end(self, code: int | None, digest: str, why: str) -> ProgramEnd:
        """Return how it ended, with what it wrote."""
        with self._lock:
            left_out = self._written - len(self._head) - len(self._tail)
            parts = [bytes(self._head), bytes(self._tail)]
            if left_out:
                parts.insert(1, f"\n[... {left_out} bytes left out ...]\n".encode())
            text = b"".join(parts).decode("utf-8", "replace")
            found = tuple(each for each in self._wanted if each in self._found)
            return ProgramEnd(code, text, self._written, found, digest, why)


if sys.platform == "win32":

    def _of_its_own() -> dict[str, Any]:
        """A process group without a console window."""
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW}

    def _terminate(pid: int) -> None:
        _kill(pid)  # a program without a window or a console cannot be asked

    def _kill(pid: int) -> None:
        """End a process and whatever it started, as far as the tree still holds together."""
        tool = Path(os.environ.get("SYSTEMROOT", r"C:\Windows")) / "System32" / "taskkill.exe"
        subprocess.run(  # noqa: S603 - the system's own program and a number
            [str(tool), "/T", "/F", "/PID", str(pid)], stdin=subprocess.DEVNULL, capture_output=True, check=False
        )

    def _end_children(pid: int) -> str:
        """Nothing to go by: once a process has ended, Windows no longer knows its children."""
        del pid
        return ""

else:

    def _of_its_own() -> dict[str, Any]:
        """A session of its own: no terminal to read or to be stopped by, and one group to end it by."""
        return {"start_new_session": True}

    def _terminate(pid: int) -> None:
        _signal(pid, signal.SIGTERM)

    def _kill(pid: int) -> None:
        _signal(pid, signal.SIGKILL)

    def _signal(pid: int, number: int) -> bool:
        """Signal the whole group; whether anybody is in it."""
        try:
            os.killpg(pid, number)
        except ProcessLookupError:
            return False
        except PermissionError:
            return True  # it is there, and belongs to somebody else by now (a program that changed its user)
        return True

    def _end_children(pid: int) -> str:
        """End what the program left behind in its group; returns in words that there was something."""
        if not _lives(pid):
            return ""
        for number in (signal.SIGTERM, signal.SIGKILL):
            _signal(pid, number)
            until = time.monotonic() + GRACE
            while time.monotonic() < until:
                if not _lives(pid):
                    return ENDED
                time.sleep(0.01)
        return NOT_ENDED

    def _lives(pid: int) -> bool:
        known = group_lives(pid)
        return _signal(pid, 0) if known is None else known
