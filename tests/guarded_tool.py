"""A small tool with a guardian, for the guardian's tests: powers an output of a served bench and then misbehaves.

Started as a process of its own: `python -m tests.guarded_tool BENCH LOGBOOK HOW [HANG_BOUND [TRY_FOR]]`. It prints
`on GUARDIAN ATTEMPT` once the output is on. HOW: `beats` (until killed), `silent` (no sign of life), `take over` and
`look` (the last words of those names, then the end), `with child` (beats, and a child holds everything that is open),
`load left` (the supply is off, its load could not be verified off; the end), `nothing` (the attempt is begun and
nothing switched on), `late` (hears nobody, but is switching off and says so), `scanner` (beats; a
relay of the scanner is closed), `load` (beats; the supply is set by hand,
and what is on is a channel of the load).
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

from bringup.commands.guardian_spec import GuardianSpec
from bringup.commands.guarding import command
from bringup.commands.load_off import LoadReached
from bringup.commands.reaching import dialect_of, lock_name
from bringup.commands.relays_open import ScannerReached
from bringup.core.bench import LoadRole
from bringup.files.bench_file import load_bench
from bringup.host.control import ControlServer
from bringup.host.guardian import GuardianProcess
from bringup.host.lock import About, hold
from bringup.host.vigil import FINISHING
from bringup.instruments.opening import Wanted, connect, result
from bringup.logbook.opening import open_for_writing
from bringup.logbook.record import LogbookRecord
from bringup.runner.scpi_load import ScpiLoad
from bringup.runner.scpi_supply import ScpiSupply
from tests.logbook_samples import start


def holding_everything() -> subprocess.Popen[bytes]:
    """Start a child that has inherited whatever is open here, as a badly started host program has."""
    for each in list(Path("/proc/self/fd").iterdir()):
        if int(each.name) > 2:  # beside the standard streams
            try:
                os.set_inheritable(int(each.name), True)
            except OSError:
                continue  # the listing's own
    return subprocess.Popen(["sleep", "30"], close_fds=False, stdout=subprocess.DEVNULL)


def about(how: str, control: ControlServer) -> About:
    """Return what the lock says: where it listens, except for one that does not."""
    return About("a tool", "MBL-0001", control.address if how not in ("nothing", "late") else None)


def main() -> None:
    """Power, say so, misbehave."""
    path, logbook, how = sys.argv[1:4]
    bounds = [float(text) for text in sys.argv[4:]]
    bench = load_bench(Path(path))
    name = "load" if how == "load" else "supply"
    role = bench.load if how == "load" else bench.supply
    assert role is not None
    assert role.resource is not None
    dialect = dialect_of(bench, name)
    lock = lock_name(bench, name)
    with ControlServer(lambda: None) as control, hold((lock,), about(how, control)):
        link = connect([Wanted(name, role.resource, dialect)])[name]
        spec = GuardianSpec(
            role, dialect, role.resource, "@py", lock, link.identity, bench.name, "MBL-0001", logbook, os.getpid()
        )
        if how == "load left":
            assert bench.load is not None
            assert bench.load.resource is not None
            spec = replace(spec, load=LoadReached(bench.load, dialect_of(bench, "load"), bench.load.resource))
        if how == "scanner":
            assert bench.scanner is not None
            assert bench.scanner.resource is not None
            moves = dialect_of(bench, "scanner")
            spec = replace(
                spec, scanner=ScannerReached(bench.scanner, moves, bench.scanner, moves, bench.scanner.resource)
            )
        if bounds:
            spec = replace(spec, hang_bound=bounds[0], try_for=bounds[-1])
        guard = GuardianProcess(command("MBL-0001"), spec.as_line(), reaches_load=spec.load is not None)
        result(guard.ready())
        with LogbookRecord(open_for_writing(Path(logbook)), simulated=True) as record:
            attempt = record.begin(start(simulated=True))
        guard.attempt(attempt)
        if how == "nothing":
            link.close()
            print("on", guard.pid, attempt, flush=True)
            time.sleep(60.0)
        result(guard.on())
        if isinstance(role, LoadRole):
            load = ScpiLoad(role, dialect, link)
            result(load.switch(2, True))
        else:
            supply = ScpiSupply(role, dialect, link)
            result(supply.set_voltage(1, 5.0))
            result(supply.switch(1, True))
        child = holding_everything() if how == "with child" else None
        print("on", guard.pid, attempt, child.pid if child is not None else "", flush=True)
        if how == "late":
            guard.ending(15.0)
            time.sleep(FINISHING + 0.7)
        if how in ("look", "late", "load left"):
            result(supply.all_off())
            guard.off()
            if how == "load left":
                guard.load_left()
            guard.closed()
        if how in ("look", "late", "take over", "load left"):
            link.close()
            guard.close(look_again=how == "look")
            return
        while True:
            if how != "silent":
                guard.beat()
            time.sleep(0.05)


if __name__ == "__main__":
    main()
