"""USB instruments (USBTMC) as Linux shows them in sysfs, with a USB library or without. Only files are read.

An interface of class 0xFE and subclass 0x03 is a test and measurement one (USBTMC specification 1.0, table 43).
"""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator
from pathlib import Path

from bringup.core.frozen import frozen
from bringup.instruments.finding.sighting import Sighting, UsbIdentity, speakable, usb_place

SOURCE = "USB"
TEST_AND_MEASUREMENT = ("fe", "03")
MOST_INTERFACES = 1000


@frozen
class UsbInstrument:
    """One USBTMC interface: what its device says, and the nodes by which programs reach it."""

    usb: UsbIdentity
    interface: int
    bus_node: Path | None
    """By which pyvisa-py reaches it, through libusb."""
    class_node: Path | None
    """What the kernel's own driver gives, if it has taken the device."""


def instruments(sys_root: Path = Path("/sys"), dev_root: Path = Path("/dev")) -> Iterator[UsbInstrument]:
    """Yield every USBTMC interface that is plugged in; none where there is no sysfs."""
    folder = sys_root / "bus" / "usb" / "devices"
    try:
        interfaces = sorted(folder.glob("*:*"))[:MOST_INTERFACES]
    except OSError:
        return
    for interface in interfaces:
        kind = (line(interface / "bInterfaceClass").lower(), line(interface / "bInterfaceSubClass").lower())
        device = folder / interface.name.partition(":")[0]
        usb = identity(device)
        if kind != TEST_AND_MEASUREMENT or usb is None:
            continue
        driver = next(iter(sorted(interface.glob("usbmisc/usbtmc*"))), None)
        at = line(interface / "bInterfaceNumber")
        yield UsbInstrument(
            usb,
            int(at, 16) if re.fullmatch("[0-9a-f]{1,2}", at) else 0,
            _bus_node(device, dev_root),
            None if driver is None else dev_root / driver.name,
        )


def _bus_node(device: Path, dev_root: Path) -> Path | None:
    numbers = [line(device / name) for name in ("busnum", "devnum")]
    if not all(re.fullmatch("[0-9]{1,3}", each) for each in numbers):
        return None
    return dev_root.joinpath("bus", "usb", *(each.zfill(3) for each in numbers))


def identity(device: Path) -> UsbIdentity | None:
    """Return what the USB device with that folder in sysfs says of itself; None where it is no USB device."""
    vendor, product = line(device / "idVendor"), line(device / "idProduct")
    if not re.fullmatch("[0-9a-fA-F]{4}", vendor) or not re.fullmatch("[0-9a-fA-F]{4}", product):
        return None
    texts = (line(device / name) for name in ("serial", "manufacturer", "product"))
    return UsbIdentity(int(vendor, 16), int(product, 16), *texts)


def line(path: Path) -> str:
    """Return what a file of sysfs holds; '' where there is none."""
    try:
        return path.read_bytes()[:500].decode("utf-8", "replace").strip("\r\n ")
    except OSError:
        return ""


def sightings(sys_root: Path = Path("/sys"), dev_root: Path = Path("/dev")) -> list[Sighting]:
    """Return one sighting a USB instrument."""
    return [_sighting(each) for each in instruments(sys_root, dev_root)]


def _sighting(found: UsbInstrument) -> Sighting:
    usb = found.usb
    resource = f"USB0::0x{usb.vendor:04X}::0x{usb.product:04X}::{usb.serial}"
    resource += f"::{found.interface}::INSTR" if found.interface else "::INSTR"
    usable = bool(usb.serial) and ":" not in usb.serial and speakable(resource)
    remarks = []
    if not usable:
        remarks.append("its serial number is missing or cannot be written down, so no resource string names it surely")
    if importlib.util.find_spec("usb") is None:
        remarks.append("the backend @py needs pyusb for it: pip install pyusb")
    return Sighting(
        "usb",
        usb_place(usb.vendor, usb.product, usb.serial),
        (resource,) if usable else (),
        (SOURCE,),
        name=" ".join(text for text in (usb.maker, usb.name) if text),
        device=str(found.class_node or found.bus_node or ""),
        usb=usb,
        remark="; ".join(remarks),
    )
