"""Asking the local network once which instruments it has, by multicast DNS, and hearing whoever answers.

A one-shot query (RFC 6762, 5.1): from a port of our own, so that answers come to us alone (6.7), nothing is joined,
nothing is kept running, and a responder of the system on port 5353 is not disturbed. IPv4 only.
"""

from __future__ import annotations

import secrets
import select
import socket
import struct
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack

from bringup.core.frozen import frozen
from bringup.instruments.finding.announced import SERVICES, Heard, service_name, unanswered
from bringup.instruments.finding.dns import PTR, Malformed, Name, question, read_answer

GROUP = ("224.0.0.251", 5353)
"""Where multicast DNS is spoken (RFC 6762, 3)."""
SECONDS = 3.0
"""How long answers are waited for: responders wait up to 0.12 s (RFC 6762, 6), slow ones and lost packets need more."""
AGAIN_AFTER = 1.0
"""Seconds to the second round, of what was not answered whole, too; twice as long to each that follows (RFC 6762, 5.2:
at least one second, then each time at least twice as long)."""
MOST_PACKETS = 500
MOST_RECORDS = 5000
"""Records that are kept of all messages together: an instrument announces some ten, and what is sent to fill our memory
could hold 500 in each message."""
LOOPBACK = ("lo", "lo0")
ROOM = 1400
"""Bytes of a question, so that it travels in one piece over Ethernet."""
LARGEST = 9000
"""Bytes of one message (RFC 6762, 17)."""


@frozen
class Answers:
    """What came back. `passed_over`: messages that were no answers of multicast DNS, or too many."""

    heard: tuple[Heard, ...] = ()
    passed_over: int = 0
    asked: tuple[str, ...] = ()
    """Network interfaces that the question went out on; '' is the system's choice."""
    problem: str = ""
    """Why nothing went out."""


def ask_network(
    to: tuple[str, int] = GROUP,
    seconds: float = SECONDS,
    *,
    again_after: float = AGAIN_AFTER,
    most_packets: int = MOST_PACKETS,
) -> Answers:
    """Ask on every interface and listen that long, or to so many messages. Never raises for what the network sends."""
    number = secrets.randbelow(0xFFFF) + 1
    everything = [(service_name(service), PTR) for service in SERVICES]
    heard: list[Heard] = []
    passed_over, room = 0, MOST_RECORDS
    with ExitStack() as leave:
        sockets, problem = _sockets(to, leave)
        out = _send(sockets, to, question(number, everything))
        if not out:
            return Answers(problem=problem or "no network interface takes it")
        end = time.monotonic() + seconds
        again = time.monotonic() + again_after
        while (now := time.monotonic()) < end and len(heard) + passed_over < most_packets:
            if now >= again:
                again_after *= 2
                again = now + again_after
                _send(out, to, _question(number, [*everything, *unanswered(heard)]))
            for each in select.select(list(out), [], [], max(0.0, min(end, again) - now))[0]:
                one = _received(each, number)
                if one is None or len(one.records) > room:
                    passed_over += 1
                else:
                    heard.append(one)
                    room -= len(one.records)
    return Answers(tuple(heard), passed_over, tuple(out.values()))


def _question(number: int, names: Sequence[tuple[Name, int]]) -> bytes:
    """Return one message that asks for as many of them as it has room for, first things first."""
    asked: list[tuple[Name, int]] = []
    for each in names:
        try:
            if len(question(number, [*asked, each])) <= ROOM:
                asked.append(each)
        except ValueError:
            continue  # bytes that were no text stand replaced, and made the name too long to be asked for
    return question(number, asked)


def _received(from_socket: socket.socket, number: int) -> Heard | None:
    try:
        data, (sender, *_) = from_socket.recvfrom(LARGEST)
        return Heard(sender, read_answer(data, number))
    except (OSError, Malformed):
        return None


def _send(sockets: dict[socket.socket, str], to: tuple[str, int], data: bytes) -> dict[socket.socket, str]:
    """Send through each; return those that took it."""
    out: dict[socket.socket, str] = {}
    for each, name in sockets.items():
        try:
            each.sendto(data, to)
        except OSError:
            continue  # an interface without an address, or without multicast
        out[each] = name
    return out


def _sockets(to: tuple[str, int], leave: ExitStack) -> tuple[dict[socket.socket, str], str]:
    """Return a socket for each network interface where the system tells them apart, and why there is none."""
    found: dict[socket.socket, str] = {}
    problem = ""
    for index, name in _interfaces() if to == GROUP else [(0, "")]:
        try:
            made = leave.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
            made.setblocking(False)
            made.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 255)  # RFC 6762, 11; no router passes it on
            if index:
                # struct ip_mreqn: group, address, index of the interface.
                through = struct.pack("@4s4si", b"\0" * 4, b"\0" * 4, index)
                made.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, through)
        except OSError as error:
            problem = error.strerror or str(error)
            continue
        found[made] = name
    return found, problem


def _interfaces() -> list[tuple[int, str]]:
    """Return (index, name) of the network interfaces; (0, '') stands for the one that the system takes."""
    if sys.platform == "win32":
        return [(0, "")]
    try:
        return [(index, name) for index, name in socket.if_nameindex() if name not in LOOPBACK]
    except OSError:
        return [(0, "")]
