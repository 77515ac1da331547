"""A simulated instrument behind HiSLIP (IVI-6.1, synchronized mode): two connections make one session."""

from __future__ import annotations

import itertools
import socket
import threading
from dataclasses import dataclass, field

from bringup.simulation.hislip import (
    MOST_PAYLOAD,
    RMT_DELIVERED,
    SIZE,
    VENDOR,
    VERSION,
    Fatal,
    Lock,
    Malformed,
    Minor,
    Packet,
    Type,
    receive,
)
from bringup.simulation.hislip_locks import Locks
from bringup.simulation.instrument import MESSAGE_BYTES
from bringup.simulation.listener import LOOPBACK, Listener, hang_up
from bringup.simulation.manners import GARBAGE, Clients, Manners, Speech
from bringup.simulation.wall_time import Desk

SUB_ADDRESS = b"hislip0"
MESSAGE_AVAILABLE = 0x10
"""Bit of the status byte (IEEE 488.2, 11.2.1.2): a response waits to be fetched."""


@dataclass(slots=True)
class Session:
    """One client: its two connections and where its conversation stands."""

    number: int
    sync: socket.socket
    async_: socket.socket | None = None
    message: bytes = b""
    """What has come of a message that is not complete."""
    unfetched: bool = False
    """Whether a response went out of which the client has not said that it has its end."""
    clearing: bool = False
    most: int = MOST_PAYLOAD
    count: int = 0
    async_guard: threading.Lock = field(default_factory=threading.Lock)

    def tell(self, packet: Packet) -> None:
        """Send on the asynchronous channel, from whichever thread."""
        if self.async_ is not None:
            with self.async_guard:
                self.async_.sendall(packet.encode())


class HislipPort(Listener):
    """One instrument's port. `speech` has no say: the protocol marks the ends of messages."""

    def __init__(self, desk: Desk, manners: Manners, speech: Speech) -> None:
        super().__init__(desk, manners)
        del speech
        self.resource = f"TCPIP0::{LOOPBACK}::hislip0,{self.number}::INSTR"
        self.locks = Locks()
        self._sessions: dict[int, Session] = {}
        self._numbers = itertools.count(1)
        self._dropped = False

    def serve(self, client: socket.socket) -> None:
        """Speak with a client until it leaves; its first message says which of its two connections this is."""
        try:
            first = receive(client.recv)
            if first is None:
                return
            if first.type == Type.INITIALIZE:
                self._serve_sync(client, first)
            elif first.type == Type.ASYNC_INITIALIZE:
                self._serve_async(client, first)
            else:
                _fail(client, Fatal.BAD_INITIALIZATION)
        except Malformed:
            _fail(client, Fatal.BAD_HEADER)

    # the synchronous channel

    def _serve_sync(self, client: socket.socket, first: Packet) -> None:
        if first.payload.lower() != SUB_ADDRESS:
            _fail(client, Fatal.BAD_INITIALIZATION)
            return
        if self.manners.clients is Clients.ONE_REFUSES and self._sessions:
            _fail(client, Fatal.TOO_MANY_CLIENTS)
            return
        session = Session(next(self._numbers), client)
        self._sessions[session.number] = session
        holds = self.manners.clients is Clients.ONE_HOLDS
        try:
            client.sendall(Packet(Type.INITIALIZE_RESPONSE, 0, VERSION << 16 | session.number).encode())
            while holds and not self.desk.turn.acquire(timeout=0.05):
                if self.time.pause(0):
                    holds = False
                    return
            self._go_on(session, whole_turn=holds)
        finally:
            if holds:
                self.desk.turn.release()
            self.locks.forget(session.number)
            del self._sessions[session.number]
            if session.async_ is not None:
                hang_up(session.async_)

    def _go_on(self, session: Session, *, whole_turn: bool) -> None:
        """Work through what comes on the synchronous channel until it ends."""
        while (packet := receive(session.sync.recv)) is not None:
            if session.async_ is None:
                _fail(session.sync, Fatal.ONE_CHANNEL_ONLY)
                return
            if packet.type == Type.DEVICE_CLEAR_COMPLETE:
                session.message, session.unfetched, session.clearing = b"", False, False
                session.sync.sendall(Packet(Type.DEVICE_CLEAR_ACKNOWLEDGE).encode())
            elif packet.type not in (Type.DATA, Type.DATA_END, Type.TRIGGER):
                _complain(session.sync, Minor.UNKNOWN_TYPE)
            elif packet.oversize:
                _complain(session.sync, Minor.TOO_LARGE)
            elif not session.clearing and not self._take(session, packet, whole_turn=whole_turn):
                return

    def _take(self, session: Session, packet: Packet, *, whole_turn: bool) -> bool:
        """Take a piece of a message, and carry out what is complete. False when the connection is to end."""
        if packet.control & RMT_DELIVERED:
            session.unfetched = False
        elif session.unfetched and not session.message:
            session.unfetched = False
            session.sync.sendall(Packet(Type.INTERRUPTED, 0, packet.parameter).encode())
            session.tell(Packet(Type.ASYNC_INTERRUPTED, 0, packet.parameter))
            self.desk.interrupted()
        session.message += packet.payload
        if packet.type == Type.DATA:
            return True
        whole, session.message = session.message, b""
        while not self.locks.wait_for(session.number, 0.05):
            if self.time.pause(0):
                return False
        lines = [b"*TRG"] if packet.type == Type.TRIGGER else whole.split(b"\n")
        return all(
            self._carry_out(session, line, packet.parameter, whole_turn=whole_turn) for line in lines if line.strip()
        )

    def _carry_out(self, session: Session, line: bytes, parameter: int, *, whole_turn: bool) -> bool:
        """Carry out one line and send its response; False when the connection is to end."""
        manners, count, session.count = self.manners, session.count, session.count + 1
        if count == manners.drop_after and not self._dropped:
            self._dropped = True
            return False
        if self.time.pause(manners.latency):
            return False
        if 0 <= manners.silent_after <= count:
            return True
        if len(line) > MESSAGE_BYTES:
            self.desk.overrun()
            return True
        reply = self.desk.carry_out(line, whole_turn=whole_turn)
        if reply is None or session.clearing:
            return True
        if manners.identity is not None and line.strip().upper() == b"*IDN?":
            reply = manners.identity
        if 0 <= manners.garbage_after <= count:
            reply = GARBAGE
        if count == manners.late_at and self.time.pause(manners.late_by):
            return False
        self._respond(session, reply + b"\n", parameter)
        return True

    def _respond(self, session: Session, reply: bytes, parameter: int) -> None:
        """Send a response in pieces that the client takes."""
        session.unfetched = True
        most = max(1, session.most)
        for start in range(0, len(reply), most):
            last = start + most >= len(reply)
            piece = Packet(Type.DATA_END if last else Type.DATA, 0, parameter, reply[start : start + most])
            session.sync.sendall(piece.encode())

    # the asynchronous channel

    def _serve_async(self, client: socket.socket, first: Packet) -> None:
        session = self._sessions.get(first.parameter & 0xFFFF)
        if session is None or session.async_ is not None:
            _fail(client, Fatal.BAD_INITIALIZATION)
            return
        session.async_ = client
        session.tell(Packet(Type.ASYNC_INITIALIZE_RESPONSE, 0, VENDOR))
        try:
            while (packet := receive(client.recv)) is not None:
                session.tell(self._answer(session, packet))
        finally:
            hang_up(session.sync)

    def _answer(self, session: Session, packet: Packet) -> Packet:
        """Return the answer to a message on the asynchronous channel."""
        match packet.type:
            case Type.ASYNC_MAXIMUM_MESSAGE_SIZE if len(packet.payload) == SIZE.size:
                session.most = SIZE.unpack(packet.payload)[0]
                return Packet(Type.ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE, 0, 0, SIZE.pack(MOST_PAYLOAD))
            case Type.ASYNC_LOCK if packet.control in (0, 1):
                return Packet(Type.ASYNC_LOCK_RESPONSE, self._lock(session, packet))
            case Type.ASYNC_LOCK_INFO:
                exclusive, holders = self.locks.held()
                return Packet(Type.ASYNC_LOCK_INFO_RESPONSE, int(exclusive), holders)
            case Type.ASYNC_STATUS_QUERY:
                if packet.control & RMT_DELIVERED:
                    session.unfetched = False
                return Packet(Type.ASYNC_STATUS_RESPONSE, MESSAGE_AVAILABLE if session.unfetched else 0)
            case Type.ASYNC_REMOTE_LOCAL_CONTROL:
                return Packet(Type.ASYNC_REMOTE_LOCAL_RESPONSE)
            case Type.ASYNC_DEVICE_CLEAR:
                session.clearing = True
                return Packet(Type.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE)
            case _:
                return Packet(Type.ERROR, Minor.UNKNOWN_TYPE, 0, b"unknown message type")

    def _lock(self, session: Session, packet: Packet) -> Lock:
        if packet.control == 1:
            return self.locks.request(session.number, packet.payload, packet.parameter / 1000)
        return self.locks.release(session.number)


def _fail(client: socket.socket, code: Fatal) -> None:
    """Say that this connection is of no use any more."""
    client.sendall(Packet(Type.FATAL_ERROR, code, 0, code.name.lower().replace("_", " ").encode()).encode())


def _complain(client: socket.socket, code: Minor) -> None:
    """Say that a message was discarded."""
    client.sendall(Packet(Type.ERROR, code, 0, code.name.lower().replace("_", " ").encode()).encode())
