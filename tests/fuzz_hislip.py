"""Hostile HiSLIP: packets in any order, with wrong lengths and types, cut off; a proper client is then served."""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

from hypothesis import strategies as st
from pyvisa_py.protocols import hislip as theirs

from bringup.simulation.hislip import HEADER, PROLOGUE
from bringup.simulation.server import InstrumentServer
from tests.fake_instrument import EchoInstrument

_LENGTHS = st.one_of(st.none(), st.sampled_from((0, 1, 15, 16, 1 << 20, (1 << 20) + 1, 1 << 40, (1 << 64) - 1)))


@st.composite
def _packet(draw: st.DrawFn) -> bytes:
    payload = draw(st.one_of(st.just(b"hislip0"), st.just(b"*IDN?\n"), st.just(b"TIME?\n"), st.binary(max_size=40)))
    length = draw(_LENGTHS)
    kind = draw(st.one_of(st.sampled_from((0, 6, 7, 8, 12, 17, 19)), st.integers(0, 255)))
    parameter = draw(st.one_of(st.just(1), st.just(0x0100_7878), st.integers(0, 0xFFFF_FFFF)))
    prologue = draw(st.sampled_from((PROLOGUE, PROLOGUE, PROLOGUE, b"XX")))
    size = len(payload) if length is None else length
    return HEADER.pack(prologue, kind, draw(st.integers(0, 255)), parameter, size) + payload


PACKETS = st.lists(_packet(), max_size=6).map(b"".join)


@contextmanager
def hislip_server() -> Iterator[Callable[[Any], None]]:
    """What is no HiSLIP is answered with an error or hung up on."""
    with InstrumentServer({"meter": EchoInstrument()}, over={"meter": "hislip"}) as server:

        def read(data: bytes) -> None:
            with suppress(OSError), socket.create_connection(("127.0.0.1", server.port("meter")), 5.0) as wire:
                wire.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                wire.sendall(data)
                wire.shutdown(socket.SHUT_WR)
                while wire.recv(65536):
                    pass
            proper = theirs.Instrument("127.0.0.1", port=server.port("meter"), timeout=5.0)
            try:
                proper.send(b"*IDN?\n")
                assert proper.receive() == b"BRINGUP SIMULATED,ECHO-1,1,0\n"
            finally:
                proper.close()

        yield read
