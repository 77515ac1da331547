"""Keeps a host program and whatever it starts together (Linux): a small process between the program and `bringup`.

It adopts what the program's children leave behind (prctl(2), PR_SET_CHILD_SUBREAPER), so that nothing gets away by
starting a session of its own and losing its parent, and all its children are the program's: none of the tool's own
is ever taken for one. When the tool is gone, however it ended, it ends the program and everything that it started.

Run by its path, with the standard library alone, so that it starts quickly. Its standard input is a pipe of the tool's:
a line there asks for what the program left behind to be ended, its end says that the tool is gone.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from typing import NamedTuple

_SET_SUBREAPER, _GET_SUBREAPER = 36, 37
"""PR_SET_CHILD_SUBREAPER and PR_GET_CHILD_SUBREAPER of linux/prctl.h."""
BETWEEN_LOOKS = 0.01
LONGEST_SLEEP = 0.25
"""Seconds after which the parent's number is looked at anyway: somebody else may hold the pipe open."""
ENDED, NOT_ENDED = "it left children behind, which were ended", "it left children behind, which cannot be ended"


class Process(NamedTuple):
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
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as file:  # noqa: PTH123 - pathlib is slow to load
            text = file.read()
    except OSError:
        return None
    # The name, in parentheses, may hold anything; fields are counted from behind it.
    rest = text.rpartition(")")[2].split()
    return Process(pid, rest[0], int(rest[1]), int(rest[2]), int(rest[3]), rest[19])


def processes() -> Iterator[Process]:
    """Yield every process that the system shows."""
    with suppress(OSError):
        for name in os.listdir("/proc"):  # noqa: PTH208 - names alone, and there are many
            if name.isdigit() and (found := process_of(int(name))) is not None:
                yield found


def group_lives(group: int) -> bool | None:
    """Whether anybody but dead processes that nobody waits for is in the group; None: the system does not say."""
    if sys.platform != "linux":
        return None
    return any(each.group == group and each.state != "Z" for each in processes())


def adopts() -> bool | None:
    """Return whether this process adopts what its descendants leave behind. None: the system knows nothing of it."""
    if sys.platform != "linux":
        return None
    import ctypes

    answer = ctypes.c_int()
    failed = ctypes.CDLL(None).prctl(_GET_SUBREAPER, ctypes.byref(answer), 0, 0, 0)
    return None if failed else bool(answer.value)


def _keep(status: int, tool: int, after: float, grace: float, arguments: list[str]) -> None:
    """Start the program, tell on `status` what becomes of it, end what is left. `after`: seconds once the tool is gone.

    Told, a line each: `started PID` or `failed ERRNO`, `ended CODE` (negative: by that signal), `left WORDS`.
    """
    import ctypes

    def tell(text: str) -> None:
        with suppress(OSError):  # nobody is there to hear it
            os.write(status, f"{text}\n".encode())

    ctypes.CDLL(None).prctl(_SET_SUBREAPER, ctypes.c_ulong(1), 0, 0, 0)
    os.set_inheritable(status, False)
    woken = _woken_by_children()
    program, errno = _started(arguments)
    if errno:
        tell(f"failed {errno}")
        return
    tell(f"started {program}")
    _let_go_of_output()
    ended, asked, gone = False, False, None
    while True:
        if not ended and (code := _code_of(program)) is not None:
            ended = True
            tell(f"ended {code}")
        _left(program)
        now = time.monotonic()
        if gone is None and os.getppid() != tool:
            gone = now
        if asked or (gone is not None and (ended or now - gone >= after)):
            break
        ready = select.select([woken, *([] if gone is not None else [0])], [], [], LONGEST_SLEEP)[0]
        if woken in ready:
            os.read(woken, 4096)
        if 0 in ready:
            asked = bool(os.read(0, 4096))
            gone = gone if asked else now
    tell(f"left {_end_all(program, grace)}")


def _woken_by_children() -> int:
    """Return what becomes readable when a child changes. Signals meant for others do not end this process."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    signal.set_wakeup_fd(writing)
    # Handlers of ours, for what is ignored would be ignored by the program too.
    for number in (signal.SIGCHLD, signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda *_: None)
    return reading


def _started(arguments: list[str]) -> tuple[int, int]:
    """Start the program in a session of its own, without input; returns its number, and why it does not run (errno)."""
    reading, failing = os.pipe()
    program = os.fork()
    if not program:
        try:
            os.setsid()
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
            signal.set_wakeup_fd(-1)
            for number in (signal.SIGPIPE, signal.SIGXFSZ):  # Python ignores them
                signal.signal(number, signal.SIG_DFL)
            os.execvp(arguments[0], arguments)  # noqa: S606 - a list of arguments, no shell
        except OSError as error:
            os.write(failing, str(error.errno).encode())
        finally:
            os._exit(127)
    os.close(failing)
    said = os.read(reading, 32)
    os.close(reading)
    return program, int(said or b"0")


def _let_go_of_output() -> None:
    """Hold the program's output open no longer: it ends with the program."""
    null = os.open(os.devnull, os.O_RDWR)
    os.dup2(null, 1)
    os.dup2(null, 2)


def _code_of(program: int) -> int | None:
    """Return how the program ended; None if it has not. It is not waited for: its number must stay its own."""
    found = os.waitid(os.P_PID, program, os.WEXITED | os.WNOHANG | os.WNOWAIT)
    if found is None:
        return None
    return found.si_status if found.si_code == os.CLD_EXITED else -found.si_status


def _left(program: int) -> set[int]:
    """Return what is alive of everything that the program started, itself included; wait for the dead ones adopted."""
    everybody, ours = list(processes()), os.getpid()
    left = {each.pid for each in everybody if each.parent == ours and each.state != "Z"}
    for each in everybody:
        if each.parent == ours and each.state == "Z" and each.pid != program:
            with suppress(ChildProcessError):
                os.waitpid(each.pid, os.WNOHANG)
    while more := {each.pid for each in everybody if each.parent in left and each.state != "Z"} - left:
        left |= more
    return left


def _end_all(program: int, grace: float) -> str:
    """End whatever is left, asked first; returns in words that there was something."""
    left = _left(program)
    if not left:
        return ""
    for number in (signal.SIGTERM, signal.SIGKILL):
        until, asked = time.monotonic() + grace, set[int]()
        while left and time.monotonic() < until:
            for pid in left - asked:
                with suppress(ProcessLookupError, PermissionError):
                    os.kill(pid, number)
            asked |= left
            time.sleep(BETWEEN_LOOKS)
            left = _left(program)
    return f"{NOT_ENDED} (process {', '.join(map(str, sorted(left)))})" if left else ENDED


if __name__ == "__main__":
    _keep(int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4]), sys.argv[5:])
