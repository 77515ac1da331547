"""Roles and link against instruments whose machinery others wrote (pyvisa-sim), over every kind of cable it knows."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.core.bench import LoadRole, MeterRole, SupplyRole
from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.errors import LinkError
from bringup.files.dialect_file import find_dialect
from bringup.instruments.opening import Wanted, connect, result
from bringup.instruments.visa_link import VisaLink
from bringup.runner.records import LinkFault
from bringup.runner.roles import Function
from bringup.runner.scpi_load import ScpiLoad
from bringup.runner.scpi_meter import ScpiMeter
from bringup.runner.scpi_supply import ScpiSupply
from tests.link_helpers import WIRE, ask, done, linked

BACKEND = f"{Path(__file__).parent / 'sim' / 'independent-bench.yaml'}@sim"
SUPPLIES = {
    "serial": "ASRL1::INSTR",
    "USBTMC": "USB0::0x1111::0x2222::0x1234::0::INSTR",
    "VXI-11": "TCPIP0::localhost::inst0::INSTR",
    "socket": "TCPIP0::localhost::10001::SOCKET",
    "GPIB": "GPIB0::8::INSTR",
}
METERS = {
    "serial": "ASRL2::INSTR",
    "USBTMC": "USB0::0x1111::0x2222::0x4321::0::INSTR",
    "socket": "TCPIP0::localhost::10002::SOCKET",
    "GPIB": "GPIB0::9::INSTR",
}
SUPPLY = find_dialect("single-output", ".")
METER = find_dialect("configure-and-read", ".")


@contextmanager
def opened(role: str, resource: str) -> Iterator[VisaLink]:
    dialect = SUPPLY if role == "supply" else METER
    link = connect([Wanted(role, resource, dialect)], backend=BACKEND)[role]
    yield link
    link.close()


@contextmanager
def supply(cable: str) -> Iterator[ScpiSupply]:
    with opened("supply", SUPPLIES[cable]) as link:
        yield ScpiSupply(SupplyRole(SUPPLIES[cable], SUPPLY.name), SUPPLY, link)


@pytest.mark.parametrize("cable", SUPPLIES)
def test_a_supply_that_others_wrote_is_set_read_back_and_switched(cable: str) -> None:
    with supply(cable) as it:
        attached = result(it.attach())
        assert attached.identity is not None
        assert attached.identity.model == "SIMULATED SUPPLY"
        assert attached.old_errors == ()
        for volts in (12.5, 5.0, 0.0):
            told = result(it.set_voltage(1, volts))
            assert (told.readback, told.troubles) == (volts, ())
        assert result(it.set_current_limit(1, 0.25)).readback == 0.25
        assert result(it.switch(1, on=True)).on is True
        sample = result(it.poll(1))
        assert (sample.on, sample.volts, sample.amps, sample.fault) == (True, 12.5, 0.063, None)
        assert result(it.all_off()).on is False


@pytest.mark.parametrize("cable", SUPPLIES)
def test_what_it_does_not_know_is_in_its_error_queue_and_told(cable: str) -> None:
    with supply(cable) as it:
        told = result(it.clear_trip(1))
        assert not told.faultless
        assert "-113" in told.troubles[0].text
        assert result(it.set_voltage(1, 1.0)).faultless, "the queue was emptied"


@pytest.mark.parametrize("cable", METERS)
def test_a_meter_that_others_wrote_is_set_up_once_and_read(cable: str) -> None:
    with opened("meter", METERS[cable]) as link:
        it = ScpiMeter(MeterRole(METERS[cable], METER.name), METER, link)
        for _ in range(3):
            value, troubles = result(it.read(Function.DC_VOLTS, around=3.3))
            assert (value.number, troubles) == (3.306123, ())


@pytest.mark.parametrize("resource", ["GPIB0::10::INSTR", "TCPIP0::localhost::10003::SOCKET"])
def test_a_supply_whose_outputs_are_named_by_a_list_is_set_and_switched(resource: str) -> None:
    dialect = replace(find_dialect("channel-list", "."), identity_pattern="")
    link = connect([Wanted("supply", resource, dialect)], backend=BACKEND)["supply"]
    it = ScpiSupply(SupplyRole(resource, dialect.name, {"VIN": 2}), dialect, link)
    assert result(it.attach()).old_errors == ()
    told = result(it.set_voltage(2, 5.0))
    assert (told.readback, told.troubles) == (5.0, ())
    assert result(it.set_current_limit(2, 0.2)).readback == 0.2
    assert result(it.switch(2, on=True)).on is True
    sample = result(it.poll(2))
    assert (sample.on, sample.volts, sample.amps, sample.mode, sample.fault) == (True, 5.0, 0.2, "current", None)
    assert result(it.all_off()).on is False
    link.close()


@pytest.mark.parametrize("resource", ["GPIB0::11::INSTR", "ASRL3::INSTR"])
def test_a_load_that_others_wrote_is_set_up_switched_and_read(resource: str) -> None:
    dialect = replace(find_dialect("function-and-input", "."), identity_pattern="")
    link = connect([Wanted("load", resource, dialect)], backend=BACKEND)["load"]
    it = ScpiLoad(LoadRole(resource, dialect.name, {"5V0": 1}), dialect, link)
    assert result(it.attach()).old_errors == ()
    assert result(it.set_mode(1, "current")).faultless
    assert result(it.set_level(1, "current", 0.5)).readback == 0.5
    assert result(it.switch(1, on=True)).on is True
    sample = result(it.poll(1))
    assert (sample.on, sample.volts, sample.amps, sample.fault) == (True, 5.0012, 0.4998, None)
    assert result(it.all_off()).on is False
    link.close()


@pytest.mark.parametrize("cable", METERS)
def test_silence_is_a_time_out_and_the_next_question_is_answered(cable: str) -> None:
    with linked(METERS[cable], WIRE, backend=BACKEND) as link:
        late, after = ask(link, Message("NOTHING:SAYS?", ReplyKind.NUMBER, 0.1), Message("OUTP ON"))
        assert (late.fault, after.fault) == (LinkFault.TIMEOUT, LinkFault.NOT_SENT)
        assert ask(link, Message("READ?", ReplyKind.NUMBER, 1.0))[0].line == "+3.30612300E+00"


def test_an_instrument_that_is_not_there_is_told_though_the_backend_opens_it() -> None:
    with (
        linked("GPIB0::22::INSTR", WIRE, backend=BACKEND) as link,
        pytest.raises(LinkError, match=r"meter at GPIB0::22::INSTR: .*\(error_invalid_object\)"),
    ):
        done(link.open())
