"""Looking everywhere at once, within bounded time: the network, USB, serial ports, and what pyvisa's backends list.

Each place is looked at in a thread of its own that nobody waits for longer than MOST_SECONDS: a VISA library that hangs
leaves the rest as it is.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from bringup.core.frozen import frozen
from bringup.instruments.finding import announced, serial_ports, usb
from bringup.instruments.finding.multicast import GROUP, MOST_PACKETS, SECONDS, ask_network
from bringup.instruments.finding.sighting import Sighting, merged, of_resource, speakable
from bringup.instruments.serial_library import Port, system_ports
from bringup.instruments.visa_listing import backends, listed

MOST_SECONDS = 10.0


@frozen
class Surroundings:
    """Where to look; the defaults are this computer and its network."""

    ports: Callable[[], Iterable[Port]] = system_ports
    by_id: Path = serial_ports.BY_ID
    sys_root: Path = Path("/sys")
    dev_root: Path = Path("/dev")
    network: tuple[str, int] = GROUP
    seconds: float = SECONDS
    most_packets: int = MOST_PACKETS
    backends: tuple[str, ...] | None = None
    """Of pyvisa; None: those installed."""
    most_seconds: float = MOST_SECONDS


@frozen
class Place:
    """One place that was looked at."""

    name: str
    sightings: tuple[Sighting, ...] = ()
    problem: str = ""
    absent: bool = False
    """There is no such place on this computer, which is no fault."""
    remark: str = ""


@frozen
class Around:
    """What was seen, each thing once, and the places that were looked at."""

    seen: tuple[Sighting, ...]
    places: tuple[Place, ...]


def look_around(where: Surroundings) -> Around:
    """Look everywhere. Opens nothing, asks no instrument anything. Never raises for what it meets."""
    names = backends() if where.backends is None else where.backends
    lookers: dict[str, Callable[[], Place]] = {
        announced.SOURCE: lambda: _network(where),
        usb.SOURCE: lambda: Place(usb.SOURCE, tuple(usb.sightings(where.sys_root, where.dev_root))),
        serial_ports.SOURCE: lambda: Place(
            serial_ports.SOURCE, tuple(serial_ports.sightings(where.ports, where.by_id))
        ),
        **{f"@{name}": _backend_looker(name) for name in names},
    }
    places = _all(lookers, where.most_seconds)
    return Around(merged(each for place in places for each in place.sightings), places)


def _all(lookers: dict[str, Callable[[], Place]], seconds: float) -> tuple[Place, ...]:
    found: dict[str, Place] = {}

    def look(name: str, looker: Callable[[], Place]) -> None:
        try:
            found[name] = looker()
        except Exception as error:  # noqa: BLE001 - drivers and libraries raise anything; the other places stay
            found[name] = Place(name, problem=" ".join(str(error).split()) or type(error).__name__)

    threads = [threading.Thread(target=look, args=each, name=each[0], daemon=True) for each in lookers.items()]
    for thread in threads:
        thread.start()
    end = time.monotonic() + seconds
    for thread in threads:
        thread.join(max(0.0, end - time.monotonic()))
    late = f"did not come back within {seconds:g} s"
    return tuple(found.get(name) or Place(name, problem=late) for name in lookers)


def _network(where: Surroundings) -> Place:
    answers = ask_network(where.network, where.seconds, most_packets=where.most_packets)
    passed = answers.passed_over
    remark = f"{passed} {'message' if passed == 1 else 'messages'} passed over that made no sense" if passed else ""
    seen = tuple(announced.sightings(answers.heard))
    return Place(announced.SOURCE, seen, problem=answers.problem, remark=remark)


def _backend_looker(name: str) -> Callable[[], Place]:
    def look() -> Place:
        source = f"@{name}"
        backend = "" if name == "py" else source
        found = listed(name)
        seen = tuple(of_resource(each, source, backend) for each in found.resources if speakable(each))
        return Place(source, seen, problem=found.problem, absent=found.absent)

    return look
