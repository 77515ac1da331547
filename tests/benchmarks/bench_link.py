"""What a reading costs over our link, against a bare pyvisa loop; and that settings do not wait for acknowledgements.

Run by hand: `python -m tests.benchmarks.bench_link`. The instrument is another process that answers at once. Both
loops commit one row each reading with the same sync setting, and alternate in one run.
"""

from __future__ import annotations

import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pyvisa

from bringup.core.bench import MeterRole
from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.files.dialect_file import find_dialect
from bringup.instruments.opening import Wanted, connect
from bringup.runner.pending import Pending
from bringup.runner.roles import Function
from bringup.runner.scpi_meter import ScpiMeter

READINGS = 1000
ROUNDS = 5
INSTRUMENT = """
import socket, threading
answers = {b"*IDN?": b"BRINGUP SIMULATED,FAST,1,0", b"SYST:ERR?": b'+0,"No error"'}
def serve(client):
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    for line in client.makefile("rb"):
        if b"?" in line:
            client.sendall(answers.get(line.strip(), b"+3.30600000E+00") + b"\\n")
listener = socket.create_server(("127.0.0.1", 0))
print(listener.getsockname()[1], flush=True)
while True:
    threading.Thread(target=serve, args=(listener.accept()[0],), daemon=True).start()
"""


def seconds(work: Callable[[], Any], times: int) -> float:
    """Return how long so many calls take."""
    begun = time.perf_counter()
    for _ in range(times):
        work()
    return time.perf_counter() - begun


def main() -> None:
    """Measure and print."""
    with subprocess.Popen([sys.executable, "-c", INSTRUMENT], stdout=subprocess.PIPE, text=True) as instrument:
        try:
            assert instrument.stdout is not None
            resource = f"TCPIP0::127.0.0.1::{int(instrument.stdout.readline())}::SOCKET"
            with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
                measure(resource, Path(folder, "bench.db"))
        finally:
            instrument.kill()


def measure(resource: str, path: Path) -> None:
    """Compare over one resource."""
    bare = pyvisa.ResourceManager("@py").open_resource(resource, read_termination="\n", write_termination="\n")
    assert isinstance(bare, pyvisa.resources.MessageBasedResource)
    dialect = find_dialect("configure-and-read", ".")
    came = threading.Event()
    link = connect([Wanted("meter", resource, dialect)], wake=came.set)["meter"]
    meter = ScpiMeter(MeterRole(resource, dialect.name), dialect, link)

    def awaited(pending: Pending[Any]) -> Any:
        while not pending.done:
            came.wait(1.0)
            came.clear()
        return pending.value()

    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("CREATE TABLE readings (value REAL)")

        def keep(value: float | None) -> None:
            connection.execute("INSERT INTO readings VALUES (?)", (value,))

        ratios = []
        for _ in range(ROUNDS):
            plain = seconds(lambda: keep(float(bare.query("READ?"))), READINGS)
            ours = seconds(lambda: keep(awaited(meter.read(Function.DC_VOLTS, around=3.3))[0].number), READINGS)
            ratios.append(ours / plain)
            print(f"{READINGS} readings with commit: bare {plain:.3f} s, ours {ours:.3f} s, ratio {ours / plain:.2f}")
        print(f"median ratio {statistics.median(ratios):.2f}")
    batch = (Message("INST:NSEL 1"), Message("VOLT 5"), Message("SYST:ERR?", ReplyKind.ERROR))
    texts = [message.text for message in batch]
    stalls = seconds(lambda: (bare.write(texts[0]), bare.write(texts[1]), bare.query(texts[2])), 20) / 20
    smooth = seconds(lambda: awaited(link.submit(batch)), 20) / 20
    print(f"two settings and a query: bare {stalls * 1e3:.2f} ms, ours {smooth * 1e3:.2f} ms")
    link.close()
    bare.close()


if __name__ == "__main__":
    main()
