"""A supply and a meter in a process of their own that answer at once: what is left is the cost of asking.

They answer by looking up, not by simulating a board (a simulated reading takes four times as long as the whole
exchange here, which would hide what is measured). A setting is remembered and given back; the supply reports its set
voltage while on; the meter reads a fixed voltage where its probe is. Started by the benchmarks, never by hand: it
prints its resource strings as JSON, and for every line on standard input what it has been sent since the last one, as
[wall time in seconds, role, message].
"""

from __future__ import annotations

import json
import socket
import sys
import threading
import time

LOOPBACK = "127.0.0.1"
FIXED = {
    "*IDN": "BRINGUP SIMULATED,QUICK,1,0",
    "SYST:ERR": '+0,"No error"',
    "SYSTEM:ERROR": '+0,"No error"',
    "STAT:QUES:INST:ISUM1:COND": "2",
    "VOLT:PROT:TRIP": "0",
    "CURR:PROT:TRIP": "0",
    "SIM:POIN": "+0.00000000E+00",
}
VOLTS = {"": 0.0, "NONE": 0.0, '"VIN"': 24.0}
RAIL = 3.306
"""Volts at every point that is not in VOLTS, while the supply is on."""
AMPS = 0.08


class Quick:
    """Both instruments: what was set, and everything that was sent."""

    def __init__(self) -> None:
        self.held: dict[str, str] = {"OUTP": "0", "VOLT": "0", "CURR": "0", "INST:NSEL": "1"}
        self.probe = ""
        self.log: list[tuple[float, str, str]] = []

    def answer(self, role: str, text: str) -> str | None:
        """Take one message; return its answer if it asks."""
        self.log.append((time.time(), role, text))
        header, _, value = text.partition(" ")
        if not header.endswith("?"):
            if header == "SIMulate:PROBe":
                self.probe = value
            self.held[header] = {"ON": "1", "OFF": "0"}.get(value, value)
            return None
        header = header[:-1]
        if header in FIXED:
            return FIXED[header]
        on = self.held["OUTP"] == "1"
        if header == "READ":
            return f"{VOLTS.get(self.probe, RAIL) if on else 0.0:+.8E}"
        if header == "MEAS:VOLT":
            return f"{float(self.held['VOLT']) if on else 0.0:+.5E}"
        if header == "MEAS:CURR":
            return f"{AMPS if on and float(self.held['VOLT']) > 2 else 0.0:+.5E}"
        return self.held.get(header, "0")

    def serve(self, role: str, client: socket.socket) -> None:
        """Answer one client until it leaves."""
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for line in client.makefile("r", encoding="latin-1", newline="\n"):
            answer = self.answer(role, line.strip())
            if answer is not None:
                client.sendall(answer.encode() + b"\n")

    def listen(self, role: str) -> str:
        """Start listening; return the resource string."""
        listener = socket.create_server((LOOPBACK, 0))

        def accept() -> None:
            while True:
                client = listener.accept()[0]
                threading.Thread(target=self.serve, args=(role, client), daemon=True).start()

        threading.Thread(target=accept, daemon=True).start()
        return f"TCPIP0::{LOOPBACK}::{listener.getsockname()[1]}::SOCKET"


def main() -> None:
    """Serve until standard input ends."""
    quick = Quick()
    print(json.dumps({role: quick.listen(role) for role in ("supply", "meter")}), flush=True)
    for _ in sys.stdin:
        seen, quick.log = quick.log, []
        print(json.dumps(seen), flush=True)


if __name__ == "__main__":
    main()
