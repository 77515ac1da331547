"""What counts as a resource string, before anything is opened."""

from __future__ import annotations

import pytest
from pyvisa.rname import parse_resource_name

from bringup.files.resources import fault_of_resource

SOUND = (
    "TCPIP0::192.0.2.10::5025::SOCKET",
    "TCPIP::supply.local::5025::SOCKET",
    "TCPIP0::[fe80::1]::5025::SOCKET",
    "TCPIP0::192.0.2.10::hislip0::INSTR",
    "TCPIP0::192.0.2.10::hislip0,4880::INSTR",
    "TCPIP0::192.0.2.10::inst0::INSTR",
    "TCPIP0::192.0.2.10::INSTR",
    "TCPIP0::192.0.2.10",
    "USB0::0x1234::0x5678::SN1::INSTR",
    "USB0::0x1234::0x5678::SN1::0::INSTR",
    "GPIB0::5::INSTR",
    "GPIB0::5::2::INSTR",
    "ASRL/dev/ttyUSB0::INSTR",
    "ASRL3::INSTR",
    "VICP::192.0.2.10",
)


@pytest.mark.parametrize("resource", SOUND)
def test_what_is_one_is_taken_and_the_library_takes_it_too(resource: str) -> None:
    assert fault_of_resource(resource, "by hand") is None
    if not resource.startswith(("VICP", "TCPIP0::[")):
        parse_resource_name(resource)


@pytest.mark.parametrize(
    ("resource", "example"),
    [
        ("192.0.2.10", "or `by hand`"),
        ("/dev/ttyUSB0", "or `by hand`"),
        ("MY SUPPLY", "or `by hand`"),
        ("TCPIP0::192.0.2.10::5025", "TCPIP0::192.0.2.10::5025::SOCKET"),
        ("TCPIP0::192.0.2.10::5025::SOKET", "::SOCKET"),
        ("TCPIP0::192.0.2.10::SOCKET", "::5025::SOCKET"),
        ("TCPIP0::192.0.2.10::5025::socket", "::5025::SOCKET"),
        ("TCPIP0:192.0.2.10::5025::SOCKET", "TCPIP0::192.0.2.10"),
        ("TCPIP0::192.0.2.10 ::5025::SOCKET", "TCPIP0::192.0.2.10"),
        ("USB0::0x1234::0x5678::INSTR::", "USB0::0x1234"),
        ("GPIB0::five::INSTR", "GPIB0::5::INSTR"),
        ("ASRL::INSTR", "ASRL3::INSTR"),
    ],
)
def test_what_is_none_is_told_with_an_example_of_its_kind(resource: str, example: str) -> None:
    fault = fault_of_resource(resource, "by hand")

    assert fault is not None
    assert resource in fault[0]
    assert example in fault[1]
