"""The same simulated bench over every carrier, asked and told through the roles that the runner uses."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest

from bringup.core.bench import LoadRole, MeterRole, SupplyRole
from bringup.core.dialect import Dialect, Message
from bringup.core.replies import ReplyKind
from bringup.errors import BenchError
from bringup.files.dialect_file import find_dialect
from bringup.instruments.opening import Wanted, connect, link_kind, result, wire_of
from bringup.runner.records import LinkFault
from bringup.runner.roles import Function
from bringup.runner.scpi_load import ScpiLoad
from bringup.runner.scpi_meter import ScpiMeter
from bringup.runner.scpi_supply import ScpiSupply
from bringup.simulation.bench import SUPPLIES
from bringup.simulation.instrument import Exchange
from bringup.simulation.load_style import LoadStyle
from bringup.simulation.load_styles import LOAD_STYLES
from bringup.simulation.manners import Speech, speech_of
from bringup.simulation.meter import Meter
from bringup.simulation.server import CARRIERS, InstrumentServer
from bringup.simulation.styled_load import StyledLoad
from bringup.simulation.supply import select_by_number
from tests.fake_instrument import EchoInstrument, FakeWorld
from tests.link_helpers import WIRE, ask, linked

OVER = [
    pytest.param(name, marks=pytest.mark.skipif(name == "serial" and sys.platform == "win32", reason="no terminals"))
    for name in CARRIERS
]
SUPPLY = find_dialect("select-by-number", ".")
METER = find_dialect("configure-and-read", ".")


@contextmanager
def bench_over(carrier: str) -> Iterator[tuple[ScpiSupply, ScpiMeter, FakeWorld]]:
    world = FakeWorld()
    instruments = {"supply": select_by_number(world, pace=0.0), "meter": Meter(world, pace=0.0)}
    with InstrumentServer(instruments, over=dict.fromkeys(instruments, carrier)) as server:
        links = connect(
            [Wanted("supply", server.resource("supply"), SUPPLY), Wanted("meter", server.resource("meter"), METER)]
        )
        world.probed = "3V3"
        yield (
            ScpiSupply(SupplyRole(None, SUPPLY.name), SUPPLY, links["supply"]),
            ScpiMeter(MeterRole(None, METER.name), METER, links["meter"]),
            world,
        )
        for link in links.values():
            link.close()


@pytest.mark.parametrize("carrier", OVER)
def test_a_supply_is_set_read_back_switched_and_measured(carrier: str) -> None:
    with bench_over(carrier) as (supply, _, world):
        attached = result(supply.attach())
        assert attached.identity is not None
        assert attached.identity.simulated
        assert result(supply.set_voltage(1, 12.5)).readback == 12.5
        assert result(supply.set_current_limit(1, 0.25)).readback == 0.25
        assert result(supply.switch(1, on=True)).on is True
        sample = result(supply.poll(1))
        assert (sample.on, sample.fault) == (True, None)
        assert sample.volts == pytest.approx(12.5, rel=1e-3)
        assert result(supply.all_off()).on is False
        assert not world.outputs[1].on


@pytest.mark.parametrize("carrier", [each for each in OVER if each.values[0] != "hislip"])
@pytest.mark.parametrize("style", LOAD_STYLES, ids=lambda style: style.name)
def test_a_load_of_each_style_is_set_up_switched_and_measured(carrier: str, style: LoadStyle) -> None:
    world, dialect = FakeWorld(), find_dialect(style.name, ".")
    instruments = {"load": StyledLoad(world, style, pace=0.0)}
    with InstrumentServer(instruments, over={"load": carrier}, speech={"load": speech_of(dialect)}) as server:
        link = connect([Wanted("load", server.resource("load"), dialect)])["load"]
        load = ScpiLoad(LoadRole(None, dialect.name, {"3V3": 1}), dialect, link)
        assert result(load.attach()).old_errors == ()
        assert result(load.set_mode(1, "power")).faultless
        assert result(load.set_level(1, "power", 0.66)).readback == 0.66
        assert result(load.switch(1, on=True)).on is True
        assert result(load.poll(1)).amps == pytest.approx(0.2, rel=1e-3)
        assert result(load.all_off()).on is False
        assert not world.loads.is_on(1)
        link.close()


@pytest.mark.parametrize("carrier", OVER)
def test_a_meter_is_set_up_and_read(carrier: str) -> None:
    with bench_over(carrier) as (_, meter, _):
        value, troubles = result(meter.read(Function.DC_VOLTS, around=3.3))
        assert value.number == pytest.approx(3.30612345, rel=1e-4)
        assert troubles == ()


# what a dialect says about the way of speaking is how the simulated instrument speaks


def dialect(**changes: object) -> Dialect:
    return replace(SUPPLY, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "spoken",
    [
        dialect(write_end="\r", read_end="\r"),
        dialect(read_end="\r\n"),
        dialect(acknowledge="OK"),
        dialect(acknowledge="=>", acknowledge_scope="everything", read_end="\r\n"),
        dialect(echo="lines"),
        dialect(echo="characters"),
        dialect(prompt=">> "),
        dialect(write_end="", read_end="", quiet=0.03, gap=0.02),
    ],
    ids=["CR", "CR LF", "acknowledges", "acknowledges all", "echo", "character echo", "prompt", "no ends"],
)
@pytest.mark.parametrize("carrier", [each for each in OVER if each.values[0] != "hislip"])
def test_an_instrument_of_a_dialect_is_understood_by_that_dialect(carrier: str, spoken: Dialect) -> None:
    server = InstrumentServer({"meter": EchoInstrument()}, over={"meter": carrier}, speech={"meter": speech_of(spoken)})
    with server:
        resource = server.resource("meter")
        wire = replace(wire_of(spoken, resource), identify=WIRE.identify, recovery=0.3)
        told, asked = Message("VOLT 5", timeout=0.5), Message("TIME?", ReplyKind.NUMBER, 0.5)
        with linked(resource, wire) as link:
            replies = ask(link, told, asked, told, told, asked)
            assert [(reply.fault, reply.strays) for reply in replies] == [(None, ())] * 5
            assert [reply.line is None for reply in replies] == [True, False, True, True, False]


def test_a_refusal_that_the_instrument_words_itself_takes_the_place_of_the_acknowledgement() -> None:
    class Refusing(EchoInstrument):
        def exchange(self, message: bytes, now: float) -> Exchange:
            if message.startswith(b"PV 99"):
                return b"C05"
            return (yield from super().exchange(message, now))

    with (
        InstrumentServer({"supply": Refusing()}, speech={"supply": Speech(acknowledge=b"OK")}) as server,
        linked(server.resource("supply"), replace(WIRE, acknowledge="OK")) as link,
    ):
        (good,) = ask(link, Message("PV 5"))
        (bad,) = ask(link, Message("PV 99"))
        assert (good.fault, bad.fault) == (None, LinkFault.REFUSED)


# what a link is told by its dialect depends on the cable


@pytest.mark.parametrize(
    ("resource", "kind"),
    [
        ("ASRL/dev/ttyUSB0::INSTR", "serial"),
        ("asrl3::INSTR", "serial"),
        ("TCPIP0::192.0.2.1::5025::SOCKET", "lan"),
        ("TCPIP0::192.0.2.1::hislip0::INSTR", "lan"),
        ("GPIB0::5::INSTR", "gpib"),
        ("USB0::0x1234::0x5678::SN1::INSTR", "usb"),
    ],
)
def test_a_resource_string_tells_the_kind_of_cable(resource: str, kind: str) -> None:
    assert link_kind(resource) == kind


def test_remote_control_comes_before_all_else_and_local_after_it() -> None:
    spoken = dialect(
        opening={"any": ("*CLS", "SYST:LOCK:OWN?"), "serial": ("SYST:REM",)},
        closing={"any": ("SYST:LOCK OFF",), "serial": ("SYST:LOC",)},
    )
    serial, lan = wire_of(spoken, "ASRL1::INSTR"), wire_of(spoken, "TCPIP0::192.0.2.1::5025::SOCKET")
    assert [each.text for each in serial.opening] == ["SYST:REM", "*CLS", "SYST:LOCK:OWN?"]
    assert [each.expects for each in serial.opening] == [None, None, ReplyKind.TEXT]
    assert [each.text for each in serial.closing] == ["SYST:LOCK OFF", "SYST:LOC"]
    assert [each.text for each in lan.opening] == ["*CLS", "SYST:LOCK:OWN?"]


def test_a_greeting_by_address_needs_one_and_says_so() -> None:
    spoken = dialect(greeting=("ADR {address:02d}",))
    assert wire_of(spoken, "ASRL1::INSTR", address=6).greeting[0].text == "ADR 06"
    with pytest.raises(BenchError, match="speaks to an instrument by its address") as caught:
        wire_of(spoken, "ASRL1::INSTR")
    assert "`address:`" in caught.value.what_to_do


# every supply that is simulated, over the wire, as its dialect speaks


@pytest.mark.parametrize("carrier", [each for each in OVER if each.values[0] != "hislip"])
@pytest.mark.parametrize("name", SUPPLIES)
def test_every_simulated_supply_is_spoken_to_over_the_wire_as_its_dialect_says(name: str, carrier: str) -> None:
    spoken, world = find_dialect(name, "."), FakeWorld()
    server = InstrumentServer(
        {"supply": SUPPLIES[name](world, pace=0.0)}, over={"supply": carrier}, speech={"supply": speech_of(spoken)}
    )
    with server:
        each = Wanted("supply", server.resource("supply"), spoken, address=6)
        link = connect([each])["supply"]
        supply = ScpiSupply(SupplyRole(None, name), spoken, link)
        attached = result(supply.attach())
        assert (attached.troubles, attached.old_errors) == ((), ())
        told = result(supply.set_voltage(1, 5.0))
        assert (told.readback, told.faultless) == (5.0, True)
        assert result(supply.set_current_limit(1, 0.5)).readback == 0.5
        assert result(supply.switch(1, on=True)).on is True
        assert result(supply.poll(1)).volts == pytest.approx(5.0, abs=0.02)
        assert result(supply.all_off()).on is False
        assert not world.outputs[1].on
        link.close()
