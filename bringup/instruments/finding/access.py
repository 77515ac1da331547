"""Whether this user may open a device, and if not: the group it belongs to and the udev rule that would change that.

Linux only; elsewhere nothing is known. Only files are looked at, nothing is opened. How rules are matched and when
TAG "uaccess" counts (in a file that sorts before 73-seat-late.rules): udev(7) and systemd's own rules, from memory.
"""

from __future__ import annotations

import os
import re
import stat
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from bringup.core.frozen import frozen
from bringup.instruments.finding.sighting import UsbIdentity, of_resource, serial_device
from bringup.instruments.finding.usb import identity, instruments

if sys.platform != "win32":
    import grp
    import pwd

RULES = "/etc/udev/rules.d/70-bringup.rules"
USUAL_GROUPS = ("plugdev", "dialout", "uucp")
"""Groups for devices on common Linux systems, for a node that belongs to root alone (common practice, no source)."""
READ_AND_WRITE = stat.S_IRGRP | stat.S_IWGRP
_SAFE = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]*")
"""What may stand in a rule or a command as it is."""


@frozen
class Denied:
    """A device node that this user may not read and write."""

    node: str
    owner: str
    group: str
    mode: str
    """As `ls -l` writes it."""
    user: str
    group_may: bool
    """Whether members of its group may."""
    member: bool
    """Whether the user is one by the system's list, though this session does not know it yet."""
    rule: str
    """For RULES."""
    rule_group: str
    """The group that the rule names; '' where none is known."""

    def lines(self) -> list[str]:
        """Return what to do; what is to be typed or copied is set in."""
        said = [f"{self.node} ({self.mode}, {self.owner}:{self.group}): {self.user} may not open it."]
        join = f"    sudo usermod -aG {self.rule_group} {self.user}"
        if self.group_may and self.member:
            said += [f"{self.user} is in the group {self.group}, but logged in before that: log out and in again."]
        elif self.group_may:
            said += [f"Its group is {self.group}: join it, then log out and in again:", join]
        said += [
            f"{'Or l' if self.group_may else 'L'}et udev give it to whoever sits at this computer"
            + (f" and to the group {self.rule_group}" if self.rule_group else "")
            + f", with this in {RULES}:",
            *(f"    {each}" for each in self.rule.split("\n")),
            "    sudo udevadm control --reload-rules && sudo udevadm trigger",
        ]
        if self.rule_group and not self.group_may and not self.member:
            said += [f"Over a remote login the group counts alone: join {self.rule_group}, then log out and in again:"]
            said += [join]
        return said


def may_open(node: Path) -> bool:
    """Whether this process may read and write the node."""
    return os.access(node, os.R_OK | os.W_OK, effective_ids=os.access in os.supports_effective_ids)


def denied(
    resource: str,
    sys_root: Path = Path("/sys"),
    dev_root: Path = Path("/dev"),
    *,
    may: Callable[[Path], bool] = may_open,
) -> Denied | None:
    """Return what keeps this user from opening that resource; None where nothing does, or nothing is known."""
    if sys.platform != "linux":
        return None
    nodes = list(_nodes(resource, sys_root, dev_root))
    shut = [(node, rule) for node, rule in nodes if _exists(node) and not may(node)]
    return _described(shut[0][0], [rule for _, rule in nodes]) if shut else None


def shut_board(dev_root: Path = Path("/dev"), *, may: Callable[[Path], bool] = may_open) -> Denied | None:
    """Return what keeps this user from the first GPIB board that has a node: no backend lists anything behind it."""
    numbers = sorted(int(node.name[4:]) for node in dev_root.glob("gpib*") if re.fullmatch("[0-9]{1,2}", node.name[4:]))
    return denied(f"GPIB{numbers[0]}::INTFC", dev_root=dev_root, may=may) if numbers else None


def told(problem: str, resource: str) -> str:
    """Return why an instrument cannot be opened, with what to do where a missing permission is the reason."""
    found = denied(resource)
    return problem if found is None else "\n".join((problem, *(f"  {each}" for each in found.lines())))


def _nodes(resource: str, sys_root: Path, dev_root: Path) -> Iterator[tuple[Path, str]]:
    """Yield the nodes by which programs reach a resource, each with what a rule matches it by."""
    if device := serial_device(resource):
        node = Path(os.path.realpath(device))
        yield node, _serial_match(node, sys_root)
    elif resource.upper().startswith("USB"):
        place = of_resource(resource, "").place
        for found in instruments(sys_root, dev_root):
            if place == of_resource(_resource_of(found.usb), "").place:
                if found.bus_node is not None:
                    yield found.bus_node, _usb_match("usb", "ATTR", found.usb)
                if found.class_node is not None:
                    yield found.class_node, f'KERNEL=="usbtmc*", {_usb_match("usbmisc", "ATTRS", found.usb)}'
    elif gpib := re.match(r"GPIB([0-9]*)::", resource, re.IGNORECASE):
        yield dev_root / f"gpib{gpib[1] or 0}", 'KERNEL=="gpib[0-9]*"'


def _resource_of(usb: UsbIdentity) -> str:
    return f"USB0::0x{usb.vendor:04X}::0x{usb.product:04X}::{usb.serial}::INSTR"


def _usb_match(subsystem: str, attribute: str, usb: UsbIdentity) -> str:
    numbers = f'{attribute}{{idVendor}}=="{usb.vendor:04x}", {attribute}{{idProduct}}=="{usb.product:04x}"'
    return f'SUBSYSTEM=="{subsystem}", {numbers}'


def _serial_match(node: Path, sys_root: Path) -> str:
    """Match by the USB adapter behind a serial port, else by the port's name."""
    device = sys_root / "class" / "tty" / node.name / "device"
    if device.exists():
        device = device.resolve()
        for folder in (device, *device.parents):
            if (usb := identity(folder)) is not None:
                return _usb_match("tty", "ATTRS", usb)
    name = node.name if _SAFE.fullmatch(node.name) else "*"
    return f'SUBSYSTEM=="tty", KERNEL=="{name}"'


def _exists(node: Path) -> bool:
    try:
        node.stat()
    except OSError:
        return False
    return True


def _described(node: Path, matches: Iterable[str]) -> Denied:
    found = node.stat()
    user, groups = _user()
    group = _group_name(found.st_gid)
    group_may = found.st_mode & READ_AND_WRITE == READ_AND_WRITE and found.st_gid != 0
    rule_group = group if found.st_gid != 0 and _SAFE.fullmatch(group) else _usual_group()
    given = f'GROUP="{rule_group}", MODE="0660"' if rule_group else 'MODE="0660"'
    return Denied(
        node=str(node),
        owner=_owner_name(found.st_uid),
        group=group,
        mode=stat.filemode(found.st_mode),
        user=user,
        group_may=group_may,
        member=rule_group in groups,
        rule="\n".join(f'{match}, {given}, TAG+="uaccess"' for match in matches),
        rule_group=rule_group,
    )


def _user() -> tuple[str, set[str]]:
    """Return who this is, and the groups that the system's list gives them."""
    assert sys.platform != "win32"
    try:
        entry = pwd.getpwuid(os.geteuid())
    except KeyError:
        return str(os.geteuid()), set()
    listed = {one.gr_name for one in grp.getgrall() if entry.pw_name in one.gr_mem or one.gr_gid == entry.pw_gid}
    return entry.pw_name, listed


def _group_name(number: int) -> str:
    assert sys.platform != "win32"
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)


def _owner_name(number: int) -> str:
    assert sys.platform != "win32"
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)


def _usual_group() -> str:
    """Return a group that this system has for devices, '' if it has none of the usual ones."""
    assert sys.platform != "win32"
    known = {one.gr_name for one in grp.getgrall()}
    return next((name for name in USUAL_GROUPS if name in known), "")
