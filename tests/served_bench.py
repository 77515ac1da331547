"""Simulated instruments on loopback that a bench file names like real ones: for commands that speak to a bench."""

from __future__ import annotations

import socket
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.files.bench_file import load_bench
from bringup.files.board_file import load_board
from bringup.simulation.bench import SimulatedBench, build
from bringup.simulation.manners import Manners
from bringup.simulation.server import InstrumentServer

BENCHES = Path(__file__).parent.parent / "fixtures" / "benches"


def nobody() -> str:
    """Return a resource string at which nobody listens."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"


@cache
def described(name: str = "simulated.yaml") -> tuple[Bench, Board]:
    """Return the demo bench and its board, read once."""
    bench = load_bench(BENCHES / name)
    assert bench.simulate is not None
    return bench, load_board(bench.simulate.board_path)


@dataclass(frozen=True, slots=True)
class Served:
    """The simulated bench, its server, and the bench file that names it."""

    simulated: SimulatedBench
    server: InstrumentServer
    file: Path

    def tell(self, role: str, *lines: str) -> list[str]:
        """Send lines to an instrument from outside; return the answers to those with a question mark."""
        answers = []
        with socket.create_connection(("127.0.0.1", self.server.port(role)), timeout=2) as client:
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            stream = client.makefile("rw", newline="\n")
            for line in lines:
                stream.write(line + "\n")
                stream.flush()
                if "?" in line:
                    answers.append(stream.readline().strip())
        return answers

    def outputs_on(self) -> list[str]:
        """Ask the supply itself which of its outputs are on."""
        questions = [line for output in (1, 2, 3) for line in (f"INST:NSEL {output}", "OUTP?")]
        return self.tell("supply", *questions)


@contextmanager
def served_bench(
    folder: Path,
    *,
    supply: str = "outputs: {VIN: 1}",
    meter: str = "",
    manners: Mapping[str, Manners] | None = None,
    missing: tuple[str, ...] = (),
    load: str = "",
    scanner: str = "",
    by_hand: bool = False,
) -> Iterator[Served]:
    """Serve the demo bench and write a bench file that names its sockets. `supply`, `meter`: more of their fields.

    `load`, `scanner`: the fields of such a role beside its resource; '' for none.
    `by_hand`: supply and meter are set and read by hand.
    """
    name = "simulated-load.yaml" if load else "simulated-scanner.yaml" if scanner else "simulated.yaml"
    simulated = build(*described(name), "MBL-0001", pace=0.0)
    with InstrumentServer(simulated.instruments(), manners) as server:
        roles = ("supply", "meter", *(("load",) if load else ()), *(("scanner",) if scanner else ()))
        resources = {role: nobody() if role in missing else server.resource(role) for role in roles}
        loads = f"load: {{resource: '{resources['load']}', {load}}}\n" if load else ""
        scanners = f"scanner: {{resource: '{resources['scanner']}', {scanner}}}\n" if scanner else ""
        supplies = f"supply: {{resource: '{resources['supply']}', dialect: select-by-number, {supply}}}"
        meters = f"{{resource: '{resources['meter']}', dialect: configure-and-read, {meter}}}"
        file = folder / "bench.yaml"
        file.write_text(
            "bench: Test bench\n"
            f"{'supply: by hand' if by_hand else supplies}\nmeter: {'by hand' if by_hand else meters}\n"
            f"{loads}{scanners}probing: by hand\n",
            encoding="utf-8",
        )
        yield Served(simulated, server, file)
