"""Serial lines of a simulated board in wall time: on a socket and on a pseudo-terminal, whatever state it is in."""

from __future__ import annotations

import os
import select
import socket
import sys
import time

import pytest

from bringup.files.bench_file import load_bench
from bringup.files.board_file import load_board
from bringup.simulation.bench import SimulatedBench, build
from bringup.simulation.server import InstrumentServer
from bringup.simulation.world import BoardWorld
from tests.fakes import ROOT

GUARD = 60.0


def built() -> SimulatedBench:
    bench = load_bench(ROOT / "fixtures/benches/simulated-serial.yaml")
    assert bench.simulate is not None
    return build(bench, load_board(bench.simulate.board_path), "MBL-0001", pace=0.0)


def power(world: BoardWorld, now: float) -> None:
    world.set_current_limit(1, 1.0, now)
    world.set_voltage(1, 24.0, now)
    world.switch(1, True, now)


def read_until(words: bytes, far: int) -> bytes:
    heard, end = b"", time.monotonic() + GUARD
    while words not in heard:
        assert time.monotonic() < end, heard
        if select.select([far], [], [], 1.0)[0]:
            heard += os.read(far, 4096)
    return heard


@pytest.mark.parametrize("over", ["socket", "serial"])
def test_a_powered_board_talks_and_answers(over: str) -> None:
    if over == "serial" and sys.platform == "win32":
        pytest.skip("there are no pseudo-terminals")
    bench = built()
    with InstrumentServer({}, over={"console": over}, lines=bench.lines) as server:
        where = server.resources()["console"]
        if over == "socket":
            host, _, port = where.partition(":")
            far = socket.create_connection((host, int(port)), GUARD).detach()
        else:
            far = os.open(where, os.O_RDWR | os.O_NOCTTY)
        with server.world:
            power(bench.world, server.now())
        assert b"loader 2: waiting for an image\r\n" in read_until(b"image\r\n", far)
        os.write(far, b"te")
        os.write(far, b"mp\r\n")
        assert b"board 31.25 degC\r\n" in read_until(b"degC\r\n", far)
        with server.world:
            bench.world.state("asleep")
        read_until(b"asleep, next frame in 600 s\r\n", far)
        os.close(far)


def test_what_is_said_depends_on_power_and_state_and_begins_anew_with_either() -> None:
    bench = built()
    world, talking = bench.world, bench.lines["console"]
    world.state("programmed")
    assert talking.due(0.0) == b""
    talking.hear(b"temp\r\n")
    assert talking.due(0.1) == b"", "it has no power"

    power(world, 0.2)
    talking.due(0.3)
    first = talking.due(1.6)
    world.switch(1, False, 1.7)
    assert talking.due(5.0) == b""
    power(world, 5.0)
    talking.due(5.1)
    again = talking.due(6.4)
    every = talking.due(10.2)

    assert b"logger 1.4.2 vin=23.9" in first
    assert first.endswith(b"logger ready\r\n")
    assert again.splitlines()[0] == first.splitlines()[0] == b"loader 2: image found"
    assert every == b"radio: 1 frame sent\r\n" * 2
