"""A session of one's own with an instrument that somebody else drove: opened, told from any other, closed soon.

For switching off (and opening relays) beside or after an attempt: by the guardian, and by `bringup off`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Protocol

from bringup.core.bench import Identity, LoadRole, MeterRole, ScannerRole, SupplyRole
from bringup.core.dialect import Dialect
from bringup.errors import BenchError
from bringup.instruments.conversation import same_instrument
from bringup.instruments.opening import result, wire_of
from bringup.instruments.visa_link import VisaLink
from bringup.runner.exchange import compare

CLOSE_WITHIN = 0.5
"""Seconds that closing may take: what had to be told has been told by then."""


class Place(Protocol):
    """Where an instrument is reached, and who is expected there."""

    @property
    def role(self) -> SupplyRole | LoadRole | ScannerRole | MeterRole:
        """What the bench file says of it."""

    @property
    def dialect(self) -> Dialect:
        """How it is spoken to."""

    @property
    def resource(self) -> str:
        """Its VISA resource string."""

    @property
    def backend(self) -> str:
        """The pyvisa backend."""

    @property
    def known(self) -> Identity | None:
        """Who answered there before; nobody else is touched. None: nobody knows."""


@contextmanager
def session_alone(name: str, place: Place, patience: float) -> Iterator[VisaLink]:
    """Open a link and see who answers. Raises BringupError for silence within `patience` s, and for anybody else."""
    wire = wire_of(place.dialect, place.resource, port=place.role.port, address=place.role.address)
    identify = replace(wire.identify, timeout=min(patience, wire.identify.timeout))
    link = VisaLink(name, place.resource, replace(wire, identify=identify, recovery=0.0), backend=place.backend)
    try:
        found = result(link.open())
        compare(link.name, found, place.role.expected, place.dialect)
        if place.known is not None and not same_instrument(found, place.known):
            raise BenchError(f"{found.text!r} answers where {place.known.text!r} did before: it is not touched")
        yield link
    finally:
        link.close(within=CLOSE_WITHIN)
