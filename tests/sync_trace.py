"""Reads a trace of system calls of `bringup run`, to see that a reading is on the disk before the next message.

What counts as on the disk: the call that syncs the write-ahead file has returned after the write that holds the
reading's id. What counts as a message going out: the call that writes to an instrument's socket has begun. Shared with
a benchmark.
"""

from __future__ import annotations

import re
import shutil
import sqlite3
import subprocess
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from tests.rig import Rig

CALLS = "pwrite64,fdatasync,fsync,sendto,sendmsg,write"
_LINE = re.compile(r"(\d+) +(?:<\.\.\. (\w+) resumed>(.*)|(\w+)\((.*))", re.DOTALL)
_SENDS = {"sendto", "sendmsg", "write"}
_SYNCS = {"fdatasync", "fsync"}


@dataclass(frozen=True, slots=True)
class Call:
    """One system call: place of its beginning and of its return in the trace, who made it, what it is about."""

    begun: int
    ended: int
    thread: str
    name: str
    text: str


@dataclass(slots=True)
class Order:
    """What was found for the readings of an attempt."""

    readings: int = 0
    synced_first: int = 0
    """Readings whose sync had returned before the next message to the meter, or the next setting of the supply."""
    looks: int = 0
    """Messages that ask the supply something and that began between a reading's write and its sync: no action."""
    wrong: list[str] = field(default_factory=list)


def why_not() -> str | None:
    """Return why no trace can be taken here; None where it can."""
    if shutil.which("strace") is None:
        return "there is no strace here (apt-get install strace)"
    done = subprocess.run(["strace", "-e", "trace=write", "true"], capture_output=True, text=True, check=False)
    return f"strace may not trace here: {done.stderr.strip()}" if done.returncode else None


def traced_run(rig: Rig, steps: str) -> tuple[int, Path]:
    """Run an attempt under strace; return its exit code and the trace."""
    trace = rig.folder / "trace"
    strace = ["strace", "-f", "-yy", "-s", "9000", "-e", f"trace={CALLS}", "-o", str(trace)]
    done = rig.call([*strace, *rig.run_arguments(steps, "--logbook", str(rig.logbook))])
    return done.returncode, trace


def calls(trace: Path) -> list[Call]:
    """Read a trace, joining what strace took apart because another thread came between."""
    found, open_calls = [], dict[str, tuple[int, str, str]]()
    for place, line in enumerate(trace.read_text(encoding="utf-8", errors="replace").splitlines()):
        match = _LINE.match(line)
        if match is None:
            continue
        thread, resumed, rest, name, text = match.groups()
        if resumed:
            begun, name, text = open_calls.pop(thread, (place, resumed, ""))
            found.append(Call(begun, place, thread, name, text + rest))
        elif text.endswith("<unfinished ...>"):
            open_calls[thread] = (place, name, text)
        else:
            found.append(Call(place, place, thread, name, text))
    return found


def order(rig: Rig, trace: Path) -> Order:
    """Look at every reading in the logbook."""
    with closing(sqlite3.connect(rig.logbook)) as connection:
        ids = [row[0] for row in connection.execute("SELECT id FROM readings ORDER BY seq")]
    made = calls(trace)
    writes = [call for call in made if call.name == "pwrite64" and "-wal>" in call.text]
    syncs = [call for call in made if call.name in _SYNCS and "-wal>" in call.text]
    meter, supply = (f":{rig.server.resource(role).split('::')[2]}]" for role in ("meter", "supply"))
    sends = [call for call in made if call.name in _SENDS and (meter in call.text or supply in call.text)]
    result = Order(len(ids))
    for identity in ids:
        written = next((call for call in writes if identity in call.text), None)
        if written is None:
            result.wrong.append(f"{identity} was never written to the write-ahead file")
            continue
        synced = next(
            (call.ended for call in syncs if call.begun > written.begun and call.thread == written.thread), None
        )
        between = [call for call in sends if written.begun < call.begun and (synced is None or call.begun < synced)]
        looks = [call for call in between if supply in call.text and "?" in call.text]
        actions = [call for call in between if call not in looks]
        result.looks += len(looks)
        if synced is None or actions:
            result.wrong.append(f"{identity} was not synced before {[call.text[:80] for call in actions]}")
        else:
            result.synced_first += 1
    assert any(meter in call.text for call in sends), "the trace holds no message to the meter"
    return result
