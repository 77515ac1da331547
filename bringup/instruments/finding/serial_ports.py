"""Serial ports and the USB adapters behind them, as the system lists them. No port is opened.

Opening one moves its DTR and RTS lines, which resets some boards.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path

from bringup.instruments.finding.sighting import Sighting, UsbIdentity, device_place, speakable
from bringup.instruments.serial_library import Port, system_ports

SOURCE = "serial ports"
BY_ID = Path("/dev/serial/by-id")
"""Names that udev gives after the adapter: they stay when it is plugged elsewhere, /dev/ttyUSB0 does not."""


def sightings(ports: Callable[[], Iterable[Port]] = system_ports, by_id: Path = BY_ID) -> list[Sighting]:
    """Return one sighting a port."""
    lasting = _lasting_names(by_id)
    return [_sighting(each, lasting) for each in ports()]


def _lasting_names(by_id: Path) -> dict[str, str]:
    """Return real device -> the name that lasts."""
    try:
        links = sorted(by_id.iterdir())
    except OSError:
        return {}
    return {os.path.realpath(link): str(link) for link in links}


def _sighting(port: Port, lasting: dict[str, str]) -> Sighting:
    device = port.device
    usb = None
    if port.vid is not None and port.pid is not None:
        usb = UsbIdentity(port.vid, port.pid, port.serial_number or "", port.manufacturer or "", port.product or "")
    description = port.description or ""
    names = (lasting.get(os.path.realpath(device), ""), device)
    # A colon would end the device's name in a resource string.
    usable = [name for name in names if name and ":" not in name and speakable(name)]
    return Sighting(
        "serial",
        device_place(device),
        tuple(f"ASRL{name.removeprefix('COM')}::INSTR" for name in usable[:1]),
        (SOURCE,),
        name="" if description in ("n/a", os.path.basename(device)) else description,  # noqa: PTH119 - COM3 is no path
        device=device,
        usb=usb,
    )
