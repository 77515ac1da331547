"""From the records that instruments announce to what was seen: services, hosts and addresses put together. Pure.

Service types: LXI Device Specification (mDNS) and the IANA list of service names; the keys of the text record from
memory (txtvers, Manufacturer, Model, SerialNumber, FirmwareVersion).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from ipaddress import IPv4Address

from bringup.core.bench import Identity
from bringup.core.frozen import frozen
from bringup.instruments.finding.dns import PTR, SRV, TXT, A, Name, Record
from bringup.instruments.finding.sighting import Sighting, lan_place

SOURCE = "mDNS"
SERVICES = ("_scpi-raw", "_hislip", "_vxi-11", "_lxi")
"""Types of service that are asked for, best way to an instrument first; `_lxi` is its web page."""
MOST_INSTANCES = 200
MOST_NAMES = 32
"""Names asked for in one message of the second round: more would not fit into it."""
HISLIP_PORT = 4880
WEB_PAGE_ONLY = "it announces its web page only: its manual names the port for SCPI"
LONGEST = 80
"""Characters of an announced text that are kept."""


@frozen
class Heard:
    """One message: the address it came from, and its records."""

    sender: str
    records: tuple[Record, ...]


def service_name(service: str) -> Name:
    """Return the name under which instances of a service are announced."""
    return (service, "_tcp", "local")


def sightings(heard: Iterable[Heard]) -> list[Sighting]:
    """Return one sighting an address."""
    announced = _Announced(heard)
    found: dict[str, dict[str, tuple[Name, int]]] = {}
    for service, instance in announced.instances:
        if (place := announced.services.get(instance)) is None:
            continue
        host, port = place
        for address in announced.addresses.get(host, ()):
            found.setdefault(address, {}).setdefault(service, (instance, port))
    return [_sighting(address, ways, announced) for address, ways in found.items()]


def unanswered(heard: Iterable[Heard]) -> list[tuple[Name, int]]:
    """Return what is still to be asked: (name, type) of instances without a host, of hosts without an address."""
    announced = _Announced(heard)
    asked: dict[tuple[Name, int], None] = {}
    for _, instance in announced.instances:
        place = announced.services.get(instance)
        if place is None:
            asked |= {(instance, SRV): None, (instance, TXT): None}
        elif place[0] not in announced.addresses:
            asked[(place[0], A)] = None
    return list(asked)[:MOST_NAMES]


class _Announced:
    """The records by what they say. Names are compared in lower case; of two answers the first counts."""

    def __init__(self, heard: Iterable[Heard]) -> None:
        self.instances: dict[tuple[str, Name], None] = {}
        self.services: dict[Name, tuple[Name, int]] = {}
        self.texts: dict[Name, dict[str, str]] = {}
        self.addresses: dict[Name, tuple[str, ...]] = {}
        self.hosts: dict[str, Name] = {}
        self.senders: dict[str, str] = {}
        wanted = {service_name(service): service for service in SERVICES}
        for message in heard:
            for record in message.records:
                self._take(record, message.sender, wanted)

    def _take(self, record: Record, sender: str, wanted: dict[Name, str]) -> None:
        name = _lower(record.name)
        if record.kind == PTR and name in wanted and len(self.instances) < MOST_INSTANCES:
            self.instances[(wanted[name], _lower(record.target))] = None
        elif record.kind == SRV:
            self.services.setdefault(name, (_lower(record.target), record.port))
        elif record.kind == TXT:
            self.texts.setdefault(name, dict(record.texts))
        elif record.kind == A and _reachable(record.address, sender):
            known = self.addresses.get(name, ())
            if record.address not in known and len(known) < len(SERVICES):
                self.addresses[name] = (*known, record.address)
            self.hosts.setdefault(record.address, record.name)
            self.senders.setdefault(record.address, sender)


def _lower(name: Name) -> Name:
    return tuple(label.lower() for label in name)


def _reachable(address: str, sender: str) -> bool:
    """Whether it is one host's address; nobody elsewhere may send us to our own computer."""
    one = IPv4Address(address)
    if one.is_loopback:
        return IPv4Address(sender).is_loopback
    return not (one.is_multicast or one.is_unspecified or one.is_reserved)


def _sighting(address: str, ways: dict[str, tuple[Name, int]], announced: _Announced) -> Sighting:
    texts: dict[str, str] = {}
    for service in ("_lxi", *SERVICES):
        if service in ways:
            texts |= {
                key: value for key, value in announced.texts.get(ways[service][0], {}).items() if key not in texts
            }
    resources = tuple(_resources(address, {service: port for service, (_, port) in ways.items()}))
    host = ".".join(announced.hosts.get(address, ()))
    sender = announced.senders[address]
    doubt = f"{sender} announces it: that may be another interface of it, or somebody else"
    return Sighting(
        "lan",
        lan_place(address),
        resources,
        (SOURCE,),
        name=host[:LONGEST],
        announced=_identity(texts),
        remark="" if resources else WEB_PAGE_ONLY,
        doubt="" if sender == address else doubt,
    )


def _resources(address: str, ports: dict[str, int]) -> Iterator[str]:
    if port := ports.get("_scpi-raw"):
        yield f"TCPIP0::{address}::{port}::SOCKET"
    if port := ports.get("_hislip"):
        yield f"TCPIP0::{address}::hislip0{'' if port == HISLIP_PORT else f',{port}'}::INSTR"
    if "_vxi-11" in ports:
        yield f"TCPIP0::{address}::inst0::INSTR"


def _identity(texts: dict[str, str]) -> Identity | None:
    """Return what the text record says of maker and model, as `*IDN?` would word it."""
    keys = (("manufacturer",), ("model",), ("serialnumber",), ("firmwareversion", "firmwarerevision"))
    found = [next((texts[key] for key in one if texts.get(key)), "").strip()[:LONGEST] for one in keys]
    maker, model, serial, firmware = found
    return Identity(maker, model, serial, firmware, ",".join(found)) if maker or model else None
