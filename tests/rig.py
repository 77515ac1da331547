"""A bench for tests of the whole program: simulated instruments on real sockets here, `bringup` in a process there.

The instruments live in the test's process, so that a test can look at the power stage itself after whatever was
done to the program.
"""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

from bringup.commands.main import main
from bringup.core.bench import Bench, MeterRole, SupplyRole
from bringup.core.faults import Fault
from bringup.core.simulate import Simulate
from bringup.files.board_file import load_board
from bringup.simulation.bench import SimulatedBench, build
from bringup.simulation.manners import Manners
from bringup.simulation.server import InstrumentServer

SERIAL = "MBL-0007"

# The power entry of the mooring buoy logger alone: little capacitance, so that a test need not wait for it.
BOARD = """board: Mooring buoy logger, power entry
revision: B
serial: 'MBL-[0-9]{4}'
states: [blank, programmed]
inputs:
  VIN: {voltage: 24 V, range: 18 V .. 30 V, damage_above: 33 V, probe: J1.1, capacitance: 10 uF,
        unpowered_resistance: 4.6 kΩ, ground: '> 2 kΩ'}
rails:
  12V0:
    from: VIN
    probe: TP2
    converter: {kind: buck, starts_at: 14 V, soft_start: 4 ms, efficiency: 88 %, current_limit: 1.5 A,
                reference: 0.8 V ± 1 %, upper: 140 kΩ ± 1 %, lower: 10 kΩ ± 1 %}
    loads: {sensor chain: 100 mA}
    capacitance: 4.7 uF
    unpowered_resistance: 3.9 kΩ
    ground: '> 200 Ω'
    damage_above: 14 V
  3V3:
    from: 12V0
    probe: TP4
    expect: 3.3 V ± 2 %
    converter: {kind: linear, dropout: 300 mV, current_limit: 500 mA}
    loads: {controller: 35 mA}
    capacitance: 2.2 uF
    unpowered_resistance: 850 Ω
    ground: '> 100 Ω'
"""
HEAD = """procedure: Short
board: board.yaml
steps:
"""
UP = "  - apply: {input: VIN, short_check: 1 V, then: [18 V, 24 V], current_limit: 400 mA}\n"
BEFORE = """  - resistance: [VIN, 12V0, 3V3]
  - leads: VIN
"""


@dataclass(frozen=True, slots=True)
class Said:
    """What a command said and returned."""

    returncode: int
    stdout: str
    stderr: str


@dataclass(frozen=True, slots=True)
class Rig:
    """The simulated instruments, the files that describe them, and a folder with a logbook."""

    folder: Path
    bench: Path
    simulated: SimulatedBench
    server: InstrumentServer
    serial: bool = False
    """The supply is at a serial port: that it is simulated is known only once it is opened, so nobody need be there."""
    started: list[subprocess.Popen[str]] = field(default_factory=list)

    @property
    def logbook(self) -> Path:
        return self.folder / "bringup.db"

    @property
    def environment(self) -> dict[str, str]:
        state = self.folder / "state"
        return {**os.environ, "BRINGUP_STATE": str(state), "PYTHONUNBUFFERED": "1", "NO_COLOR": "1"}

    def output_is_on(self, output: int = 1) -> bool:
        """Whether the power stage itself is on, whatever anybody says."""
        with self.server.world:
            return self.simulated.world.is_on(output, self.server.now())

    def procedure(self, steps: str, name: str = "procedure.yaml") -> Path:
        path = self.folder / name
        unattended = "unattended: after first power\n" if self.serial else ""
        path.write_text(unattended + HEAD + steps, encoding="utf-8")
        return path

    def command(self, *arguments: str) -> list[str]:
        return [sys.executable, "-m", "bringup", *arguments]

    def run_arguments(self, steps: str, *more: str, serial: str = SERIAL) -> list[str]:
        procedure = self.procedure(steps)
        more = (*more, "--unattended") if self.serial else more
        return self.command("run", str(procedure), "--serial", serial, "--bench", str(self.bench), *more)

    def start(self, steps: str, *more: str, program: Sequence[str] = ("-m", "bringup")) -> subprocess.Popen[str]:
        """Start `bringup run` in a process group of its own; `program`: what Python is given in its stead."""
        python, _, _, *arguments = self.run_arguments(steps, *more)
        process = subprocess.Popen(
            [python, *program, *arguments],
            cwd=self.folder,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        self.started.append(process)
        return process

    def end_what_is_left(self) -> None:
        """End what a failed test left running, so that no other test is blamed for it."""
        for process in self.started:
            if process.poll() is None:
                process.kill()
                process.wait()
            if process.stdout is not None:
                process.stdout.close()

    def run(self, steps: str, *more: str, serial: str = SERIAL) -> Said:
        """Run `bringup run` in this process, which saves starting one: for what needs no signal of its own."""
        arguments = self.run_arguments(steps, "--logbook", str(self.logbook), *more, serial=serial)[3:]
        out, err = io.StringIO(), io.StringIO()
        with patch.dict(os.environ, self.environment), redirect_stdout(out), redirect_stderr(err):
            code = main(arguments)
        return Said(code, out.getvalue(), err.getvalue())

    def call(self, arguments: Sequence[str]) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            arguments,
            cwd=self.folder,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )

    def asked(self, *arguments: str) -> Any:
        """What a reporting command says, as JSON; asked in this process, which is quicker."""
        said = io.StringIO()
        with redirect_stdout(said):
            code = main([*arguments, "--json", "--logbook", str(self.logbook)])
        assert code == 0, said.getvalue()
        return json.loads(said.getvalue())


@contextmanager
def rig(
    folder: Path,
    *,
    faults: Sequence[Fault] = (),
    supply: Manners | None = None,
    meter: Manners | None = None,
    more: str = "",
    dialect: str = "select-by-number",
    serial: bool = False,
) -> Iterator[Rig]:
    """Serve the demo board on loopback; `more` goes into the bench file's supply, which speaks `dialect`.

    `serial`: the bench file names a serial port for the supply instead.
    """
    path = folder / "board.yaml"
    path.write_text(BOARD, encoding="utf-8")
    board = load_board(path)
    described = Bench(
        "test",
        SupplyRole(None, dialect, {"VIN": 1}),
        MeterRole(None, "configure-and-read"),
        simulate=Simulate(str(path), tuple(faults)),
    )
    simulated = build(described, board, SERIAL, pace=0.0)
    manners = {role: chosen for role, chosen in (("supply", supply), ("meter", meter)) if chosen is not None}
    with ExitStack() as leave:
        over = {"supply": "serial"} if serial else None
        server = leave.enter_context(InstrumentServer(simulated.instruments(), manners, over=over))
        bench = folder / "bench.yaml"
        bench.write_text(
            "bench: Test bench\n"
            f"supply: {{resource: '{server.resource('supply')}', dialect: {dialect},\n"
            f"         outputs: {{VIN: 1}}{more}}}\n"
            f"meter: {{resource: '{server.resource('meter')}', dialect: configure-and-read}}\n"
            "probing: fixed wiring\n",
            encoding="utf-8",
        )
        made = Rig(folder, bench, simulated, server, serial)
        try:
            yield made
        finally:
            made.end_what_is_left()


def wait_for(process: subprocess.Popen[str], words: str) -> str:
    """Read the program's output until a line holds these words; return what was read."""
    assert process.stdout is not None
    lines = []
    for line in process.stdout:
        lines.append(line)
        if words in line:
            return "".join(lines)
    raise AssertionError(f"the program ended before it said {words!r}:\n{''.join(lines)}")


def interrupt(process: subprocess.Popen[str], number: int) -> str:
    """Send the signal; after Ctrl-Z, wait until it has really stopped and let it go on. Returns the rest it said."""
    assert process.stdout is not None
    os.kill(process.pid, number)
    if number == signal.SIGTSTP:
        wait_until_stopped(process.pid)
        os.kill(process.pid, signal.SIGCONT)
    rest = process.stdout.read()
    process.wait(timeout=60)
    process.stdout.close()
    return rest


def wait_until_stopped(pid: int) -> None:
    """Wait until the system says that the process is stopped."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()[0]
        if state == "T":
            return
        time.sleep(0.01)  # the system tells nobody but the parent's wait, which Popen owns
    raise AssertionError("the process did not stop")
