"""What may be an instrument near this computer: seen by several ways of looking, made one, opened by none of them."""

from __future__ import annotations

import os
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from bringup.files.dialect_file import find_dialect
from bringup.instruments.finding import looking, serial_ports, usb
from bringup.instruments.finding.access import Denied, denied, shut_board, told
from bringup.instruments.finding.looking import Surroundings, look_around
from bringup.instruments.finding.sighting import Sighting, merged, of_resource, place_of
from bringup.instruments.opening import Wanted, try_connect
from bringup.instruments.visa_library import load
from bringup.instruments.visa_listing import backends, listed
from tests.fake_sysfs import FakeSystem

NOWHERE = Surroundings(ports=list, by_id=Path("nowhere"), sys_root=Path("nowhere"), network=("127.0.0.1", 9),
                       seconds=0.0, backends=())  # fmt: skip
linux = pytest.mark.skipif(sys.platform != "linux", reason="sysfs, udev and their permissions are Linux's")


@pytest.fixture
def system(tmp_path: Path) -> FakeSystem:
    return FakeSystem(tmp_path)


def port(device: str, **facts: Any) -> Any:
    blank = dict.fromkeys(("description", "vid", "pid", "serial_number", "manufacturer", "product"))
    return SimpleNamespace(**{**blank, "device": device, **facts})


# --- serial ports


def test_a_serial_port_is_named_by_what_lasts_and_shows_the_adapter_behind_it(system: FakeSystem) -> None:
    node = system.dev / "ttyUSB0"
    node.touch()
    (system.by_id / "usb-Tide_Cable_A5-if00-port0").symlink_to(node)
    ports = [port(str(node), description="Cable", vid=0x0403, pid=0x6001, serial_number="A5", product="Cable")]

    (found,) = serial_ports.sightings(lambda: ports, system.by_id)

    assert found.resources == (f"ASRL{system.by_id}/usb-Tide_Cable_A5-if00-port0::INSTR",)
    assert (found.kind, found.device, found.name) == ("serial", str(node), "Cable")
    assert found.usb is not None
    assert (found.usb.numbers, found.usb.serial) == ("0403:6001", "A5")


@pytest.mark.parametrize("name", ["usb-Tide_Cable:1", "usb-Tide Cable", "usb-\x1b"])
def test_a_lasting_name_that_a_resource_string_cannot_hold_is_not_used(system: FakeSystem, name: str) -> None:
    node = system.dev / "ttyUSB0"
    node.touch()
    (system.by_id / name).symlink_to(node)

    (found,) = serial_ports.sightings(lambda: [port(str(node))], system.by_id)

    assert found.resources == (f"ASRL{node}::INSTR",)


def test_a_port_of_windows_is_called_by_its_number() -> None:
    (found,) = serial_ports.sightings(lambda: [port("COM3", description="COM3")], Path("nowhere"))

    assert found.resources == ("ASRL3::INSTR",)
    assert place_of("ASRL3::INSTR") == found.place


# --- USB instruments


def test_a_usb_instrument_is_found_in_sysfs_and_other_devices_are_not(system: FakeSystem) -> None:
    system.instrument("1-2", vendor="1a2b", product="00c3", serial="SN7", manufacturer="Tide", product_name="Meter")
    system.serial_port("ttyUSB0", "1-3")

    (found,) = usb.sightings(system.sys, system.dev)

    assert found.resources == ("USB0::0x1A2B::0x00C3::SN7::INSTR",)
    assert (found.name, found.device) == ("Tide Meter", str(system.dev / "bus/usb/001/004"))


def test_another_interface_than_the_first_stands_in_the_resource(system: FakeSystem) -> None:
    system.instrument("1-2", serial="SN7", interface="02")

    assert [each.resources for each in usb.sightings(system.sys, system.dev)] == [
        ("USB0::0x1234::0x5678::SN7::2::INSTR",)
    ]


@pytest.mark.parametrize("serial", ["", "A::B", "A B", "\x1b[2J", "x" * 300])
def test_a_serial_number_that_no_resource_string_can_hold_gives_none(system: FakeSystem, serial: str) -> None:
    system.instrument("1-2", serial=serial)

    (found,) = usb.sightings(system.sys, system.dev)

    assert found.resources == ()
    assert "so no resource string names it surely" in found.remark


@pytest.mark.parametrize("damage", ["idVendor", "idProduct", "busnum", "devnum", "bInterfaceNumber"])
def test_files_that_hold_nonsense_harm_nothing(system: FakeSystem, damage: str) -> None:
    system.instrument("1-2", serial="SN7")
    for file in system.sys.rglob(damage):
        file.write_bytes(b"\xff\x00zz")

    assert len(usb.sightings(system.sys, system.dev)) == (0 if damage.startswith("id") else 1)


# --- one thing, seen several times


def test_a_thing_that_several_ways_of_looking_see_is_shown_once(system: FakeSystem) -> None:
    system.instrument("1-2", vendor="1a2b", product="00c3", serial="SN7")
    lan = Sighting("lan", "lan 192.0.2.7", ("TCPIP0::192.0.2.7::5025::SOCKET",), ("mDNS",), "PSU.local", doubt="Hm")
    listing = ("TCPIP::192.0.2.7::INSTR", "TCPIP0::psu.local::hislip0,4880::INSTR", "USB0::6699::195::SN7::0::INSTR")

    both = merged([lan, *usb.sightings(system.sys, system.dev), *(of_resource(each, "@py") for each in listing)])

    assert [each.kind for each in both] == ["lan", "usb"]
    assert both[0].resources == (lan.resources[0], *listing[:2])
    assert both[0].seen_by == ("mDNS", "@py")
    assert both[0].doubt == "Hm"
    assert both[1].resources == ("USB0::0x1A2B::0x00C3::SN7::INSTR",)
    assert both[1].remark == ""  # a backend lists it, so what it would take for that is there


def test_a_backend_is_named_where_it_alone_lists_a_thing() -> None:
    socket = Sighting("lan", "lan 192.0.2.7", ("TCPIP0::192.0.2.7::5025::SOCKET",), ("mDNS",))
    seen = merged(
        [
            socket,
            Sighting("usb", "usb 1234:5678 SN7", ("USB0::0x1234::0x5678::SN7::INSTR",), ("USB",)),
            of_resource("GPIB0::5::INSTR", "@ivi", "@ivi"),
            of_resource("TCPIP0::192.0.2.7::inst0::INSTR", "@ivi", "@ivi"),
            of_resource("USB0::0x1234::0x5678::SN7::INSTR", "@ivi", "@ivi"),
        ]
    )

    assert {each.kind: each.backend for each in seen} == {"lan": "", "usb": "@ivi", "gpib": "@ivi"}


def test_links_to_one_port_are_one_thing(tmp_path: Path) -> None:
    (tmp_path / "meter").symlink_to(tmp_path / "ttyUSB0")

    assert place_of(f"ASRL{tmp_path}/meter::INSTR") == place_of(f"asrl{tmp_path}/ttyUSB0::INSTR")


# --- all at once


def test_where_there_is_nothing_nothing_is_found() -> None:
    around = look_around(NOWHERE)

    assert around.seen == ()
    assert [each.name for each in around.places] == ["mDNS", "USB", "serial ports"]


def test_a_place_that_fails_says_why_and_the_others_are_looked_at_all_the_same(system: FakeSystem) -> None:
    def fail() -> list[Any]:
        raise OSError(5, "Input/output error")

    system.instrument("1-2", serial="SN7")
    where = replace(NOWHERE, ports=fail, sys_root=system.sys, backends=("nowhere",))

    around = look_around(where)
    problems = {each.name: each.problem for each in around.places if each.problem}

    assert [each.kind for each in around.seen] == ["usb"]
    assert "Input/output error" in problems["serial ports"]
    assert "pyvisa_nowhere" in problems["@nowhere"]


def test_a_backend_that_hangs_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    let_go = threading.Event()
    monkeypatch.setattr(looking, "listed", lambda _: let_go.wait())

    around = look_around(replace(NOWHERE, backends=("py",), most_seconds=0.05))
    let_go.set()

    assert around.places[-1].problem == "did not come back within 0.05 s"


def test_what_a_backend_lists_is_taken_as_it_is() -> None:
    found = listed("sim")  # pyvisa-sim, with the instruments that it brings along

    assert "ASRL1::INSTR" in found.resources
    assert not found.problem
    assert {of_resource(each, "@sim").kind for each in found.resources} >= {"serial", "usb", "lan", "gpib"}


def test_simulated_backends_are_no_place_to_look_for_instruments() -> None:
    assert backends()[0] == "py"
    assert "sim" not in backends()


def test_a_backend_that_lists_garbage_or_nothing_harms_nothing() -> None:
    def manager(_backend: str) -> Any:
        return SimpleNamespace(list_resources=lambda _query: [f"GPIB0::{n}::INSTR" for n in range(900)] + ["?", 3])

    assert len(listed("ivi", manager).resources) == 500


# --- permissions


ADAPTER = 'SUBSYSTEM=="tty", ATTRS{idVendor}=="0403", ATTRS{idProduct}=="6001"'


@linux
def test_a_serial_port_that_may_not_be_opened_gets_a_rule_for_its_adapter(system: FakeSystem) -> None:
    node = system.serial_port("ttyUSB0", "1-3", vendor="0403", product="6001")

    found = denied(f"ASRL{node}::INSTR", system.sys, system.dev, may=lambda _: False)

    assert found is not None
    assert found.rule.startswith(ADAPTER)
    assert 'MODE="0660", TAG+="uaccess"' in found.rule
    assert denied(f"ASRL{node}::INSTR", system.sys, system.dev, may=lambda _: True) is None


@linux
def test_a_port_without_an_adapter_is_matched_by_its_name(system: FakeSystem) -> None:
    (system.dev / "ttyS4").touch()

    found = denied(f"ASRL{system.dev}/ttyS4::INSTR", system.sys, system.dev, may=lambda _: False)

    assert found is not None
    assert found.rule.startswith('SUBSYSTEM=="tty", KERNEL=="ttyS4"')


@linux
@pytest.mark.parametrize("serial", ["SN7", "sn7"])
def test_a_usb_instrument_gets_a_rule_for_each_node_by_which_it_is_reached(system: FakeSystem, serial: str) -> None:
    bus = system.instrument("1-2", vendor="1a2b", product="00c3", serial="SN7", driver="usbtmc0")

    found = denied(f"USB::0x1A2B::195::{serial}::INSTR", system.sys, system.dev, may=lambda node: node != bus)

    assert found is not None
    assert found.node == str(bus)
    first, second = found.rule.split("\n")
    assert first.startswith('SUBSYSTEM=="usb", ATTR{idVendor}=="1a2b", ATTR{idProduct}=="00c3"')
    assert second.startswith('KERNEL=="usbtmc*", SUBSYSTEM=="usbmisc", ATTRS{idVendor}=="1a2b"')


@linux
def test_gpib_has_a_rule_of_its_own_and_what_has_no_node_has_none(system: FakeSystem) -> None:
    (system.dev / "gpib0").touch()

    def shut(resource: str) -> Denied | None:
        return denied(resource, system.sys, system.dev, may=lambda _: False)

    gpib = shut("GPIB0::5::INSTR")
    assert gpib is not None
    assert gpib.rule.startswith('KERNEL=="gpib[0-9]*"')
    for nothing in ("GPIB1::5::INSTR", "TCPIP0::192.0.2.7::5025::SOCKET", "ASRL/dev/nowhere::INSTR", "USB0::x", "?"):
        assert shut(nothing) is None


@linux
def test_a_gpib_board_that_may_not_be_opened_is_told_of_though_nothing_behind_it_is_listed(system: FakeSystem) -> None:
    assert shut_board(system.dev, may=lambda _: False) is None
    for name in ("gpib10", "gpib2", "gpibX"):
        (system.dev / name).touch()

    found = shut_board(system.dev, may=lambda _: False)

    assert found is not None
    assert found.node == str(system.dev / "gpib2")
    assert shut_board(system.dev, may=lambda _: True) is None


def shown(**facts: Any) -> str:
    usual = {"node": "/dev/ttyUSB0", "owner": "root", "group": "dialout", "mode": "crw-rw----", "user": "anna",
             "group_may": True, "member": False, "rule": "RULE", "rule_group": "dialout"}  # fmt: skip
    return "\n".join(Denied(**{**usual, **facts}).lines())


def test_what_to_do_begins_with_the_group_where_that_is_enough() -> None:
    text = shown()

    assert text.startswith("/dev/ttyUSB0 (crw-rw----, root:dialout): anna may not open it.\nIts group is dialout: join")
    assert "\n    sudo usermod -aG dialout anna\n" in text
    assert "with this in /etc/udev/rules.d/70-bringup.rules:\n    RULE\n    sudo udevadm control --reload-rules" in text


def test_who_joined_the_group_after_logging_in_is_told_to_log_in_again() -> None:
    text = shown(member=True)

    assert "anna is in the group dialout, but logged in before that: log out and in again." in text
    assert "usermod" not in text


def test_where_the_node_is_roots_alone_the_rule_comes_first() -> None:
    text = shown(group="root", group_may=False, rule_group="plugdev")

    assert text.index("RULE") < text.index("sudo usermod -aG plugdev anna")
    assert "usermod" not in shown(group="root", group_may=False, rule_group="")


@contextmanager
def somebody_else() -> Iterator[None]:
    """Be nobody where the tests are run by root, who may open anything."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


@linux
def test_an_instrument_that_cannot_be_opened_for_want_of_permission_says_what_to_do() -> None:
    import pty

    far, near = pty.openpty()
    node = os.ttyname(near)
    Path(node).chmod(0)
    dialect = find_dialect("configure-and-read", tempfile.gettempdir())
    load("@py")  # whoever we are next may not even read the libraries
    told("", "?")
    try:
        with somebody_else():
            opened = try_connect([Wanted("meter", f"ASRL{node}::INSTR", dialect)])
    finally:
        os.close(far)
        os.close(near)

    assert not opened.links
    first, *more = opened.missing["meter"].split("\n")
    assert "Permission denied" in first
    assert "may not open it" in more[0]
    assert any(f'SUBSYSTEM=="tty", KERNEL=="{Path(node).name}"' in each for each in more)
