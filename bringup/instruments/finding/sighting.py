"""A thing that was seen and may be an instrument: where it is, what it is called, how it would be reached. Records.

Several ways of looking see the same thing; `merged` makes one of it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import fields, replace

from bringup.core.bench import Identity
from bringup.core.frozen import frozen

ORDER = ("lan", "usb", "gpib", "serial", "other")
"""Kinds, in the order in which they are shown: a serial port comes late, since it may be the board itself."""
_STARTS = {"TCPIP": "lan", "VICP": "lan", "USB": "usb", "GPIB": "gpib", "ASRL": "serial"}
_ADDRESS = re.compile(r"[0-9.]+|.*:.*")
"""What looks like an address, and is no name that a thing could also be known by."""
_SPEAKABLE = re.compile(r"[!-~]+")
"""What a resource string may be made of: nothing that a terminal, YAML or a VISA library would take for more."""


@frozen
class UsbIdentity:
    """How a USB device describes itself. The texts are the device's own."""

    vendor: int
    product: int
    serial: str = ""
    maker: str = ""
    name: str = ""

    @property
    def numbers(self) -> str:
        """Vendor and product as they are written: '1ab1:0588'."""
        return f"{self.vendor:04x}:{self.product:04x}"


@frozen
class Sighting:
    """One thing that was seen."""

    kind: str
    """One of ORDER."""
    place: str
    """What tells it from others: an address, a device, a USB identity."""
    resources: tuple[str, ...] = ()
    """How it would be reached, best first; none where what it shows does not tell."""
    seen_by: tuple[str, ...] = ()
    name: str = ""
    """What it is called: a host name, a description."""
    device: str = ""
    """The node under /dev (or the port's name)."""
    usb: UsbIdentity | None = None
    announced: Identity | None = None
    """What it tells the network of itself unasked."""
    backend: str = ""
    """The pyvisa backend that alone lists it; '' where the usual one does."""
    remark: str = ""
    """What it would take to reach it; settled where a backend lists it."""
    doubt: str = ""
    """Why it may be another thing than it seems."""


def speakable(resource: str) -> bool:
    """Whether a resource string can be written down and used as it is."""
    return _SPEAKABLE.fullmatch(resource) is not None and len(resource) < 200  # noqa: PLR2004 - none is that long


def of_resource(resource: str, seen_by: str, backend: str = "") -> Sighting:
    """Return what a resource string alone tells."""
    kind = next((kind for start, kind in _STARTS.items() if resource.upper().startswith(start)), "other")
    device = serial_device(resource)
    return Sighting(kind, place_of(resource), (resource,), (seen_by,), device=device, backend=backend)


def serial_device(resource: str) -> str:
    """Return the device of a serial port's resource string: '/dev/ttyUSB0', 'COM3'; '' for others."""
    found = re.match(r"ASRL([^:]+)", resource, re.IGNORECASE)
    if found is None:
        return ""
    return f"COM{found[1]}" if found[1].isdecimal() else found[1]


def place_of(resource: str) -> str:
    """Return what two resource strings of one thing have in common."""
    parts = resource.split("::")
    if device := serial_device(resource):
        return device_place(device)
    if resource.upper().startswith("TCPIP") and len(parts) > 1:
        return lan_place(parts[1])
    if resource.upper().startswith("USB") and len(parts) > 3:  # noqa: PLR2004 - board, vendor, product, serial number
        try:
            return usb_place(int(parts[1], 0), int(parts[2], 0), parts[3])
        except ValueError:
            return resource.upper()
    return re.sub(r"^(GPIB|VXI|PXI)::", r"\g<1>0::", resource.upper())


def device_place(device: str) -> str:
    """Return the place of a serial port, what its links lead to."""
    return f"serial {os.path.realpath(device)}" if device.startswith("/") else f"serial {device.upper()}"


def lan_place(host: str) -> str:
    """Return the place of a host."""
    return f"lan {host.lower()}"


def usb_place(vendor: int, product: int, serial: str) -> str:
    """Return the place of a USB device (capitals are not told apart by all VISA libraries)."""
    return f"usb {vendor:04x}:{product:04x} {serial.upper()}"


def merged(sightings: Iterable[Sighting]) -> tuple[Sighting, ...]:
    """Return each thing once, in the order in which they are shown. What was seen first names it.

    A host that was seen by its address and its name is later known by either.
    """
    found: dict[str, Sighting] = {}
    by_name: dict[str, str] = {}
    for one in sightings:
        place = by_name.get(one.place, one.place)
        before = found.get(place)
        found[place] = one if before is None else _both(before, one)
        # Somebody may announce another's address as its name.
        if one.kind == "lan" and one.name and not _ADDRESS.fullmatch(one.name):
            by_name.setdefault(lan_place(one.name), place)
    return tuple(sorted(found.values(), key=lambda one: (ORDER.index(one.kind), _counted(one.place))))


def _counted(place: str) -> list[tuple[int, str]]:
    """Return what sorts ttyUSB2 before ttyUSB10, and 192.0.2.9 before 192.0.2.10."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split("([0-9]+)", place)]


def _both(one: Sighting, other: Sighting) -> Sighting:
    """Join two sightings of the same thing. What a remark said is settled where a backend lists it after all."""
    stated = {
        each.name: getattr(one, each.name) or getattr(other, each.name)
        for each in fields(Sighting)
        if each.name not in ("backend", "remark", "resources", "seen_by")
    }
    # How a resource is spelt differs among libraries; of one kind the first spelling stands.
    known = {_way(each) for each in one.resources}
    more = tuple(each for each in other.resources if _way(each) not in known)
    return replace(
        one,
        **stated,
        resources=one.resources + more,
        seen_by=tuple(dict.fromkeys(one.seen_by + other.seen_by)),
        backend=_backend(one, other),
        remark="" if other.resources else one.remark,
    )


def _backend(one: Sighting, other: Sighting) -> str:
    """Return the backend to be named: that of the first which lists it, where nothing else reaches it surely.

    Sockets and serial ports are reached by the usual backend whoever lists them; that the system sees a USB instrument
    does not tell which backend does.
    """
    if one.kind in ("lan", "serial") and one.resources:
        return one.backend if one.backend == other.backend else ""
    listed = any(each.startswith("@") for each in one.seen_by)
    return one.backend if listed or not other.resources else other.backend


def _way(resource: str) -> str:
    """Return by which way a resource string goes to its thing: what is left without the place."""
    parts = resource.upper().split("::")
    if not parts[0].startswith("TCPIP"):
        return parts[0][:4]
    if parts[-1] == "SOCKET":
        return "::".join(parts[2:])
    device = parts[2] if len(parts) > 3 else "INST0"  # noqa: PLR2004 - board, host, device, class
    return device.removesuffix(",4880")
