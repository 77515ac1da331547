"""Instruments in trouble: halves, refusals of a second client, starting up, links that died while nobody spoke."""

from __future__ import annotations

import threading
import time
from dataclasses import replace

import pytest

from bringup.core.bench import MeterRole, SupplyRole
from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind
from bringup.errors import BenchError, LinkError
from bringup.files.dialect_file import find_dialect
from bringup.instruments.opening import POWER_UP, Wanted, result, try_connect, wire_of
from bringup.instruments.wire import IDENTIFY
from bringup.runner.records import LinkFault
from bringup.runner.roles import Function
from bringup.runner.scpi_meter import ScpiMeter
from bringup.runner.scpi_supply import ScpiSupply
from bringup.simulation.manners import Clients, Manners
from bringup.simulation.server import InstrumentServer
from tests.fake_instrument import EchoInstrument
from tests.link_helpers import READ, READING, WIRE, ask, done, linked
from tests.scripted_server import HANG_UP, IDENTITY, Script, ScriptedServer, answering

METER = replace(find_dialect("configure-and-read", "."), timeout=0.3)
SUPPLY = replace(find_dialect("single-output", "."), timeout=0.3)


def wanted(resource: str) -> list[Wanted]:
    return [Wanted("meter", resource, METER)]


def test_half_a_reply_then_silence_is_no_value_and_nothing_of_it_is_left() -> None:
    def script(connection: int, line: str) -> bytes:
        return IDENTITY if line == "*IDN?" else (READING if connection else b"+3.3")

    with ScriptedServer(script) as server, linked(server.resource) as link:
        half, after = ask(link, Message("READ?", ReplyKind.NUMBER, 0.1), Message("OUTP ON"))
        assert (half.line, half.fault, after.fault) == (None, LinkFault.TIMEOUT, LinkFault.NOT_SENT)
        (reply,) = ask(link, READ)
        assert (reply.line, reply.strays) == ("+3.30600000E+00", ())


def test_lines_unasked_for_between_question_and_answer_are_told_and_not_taken() -> None:
    script = answering({"READ?": b"*3\r\n*1\r\n" + READING})
    with ScriptedServer(script) as server, linked(server.resource) as link:
        (reply,) = ask(link, READ)
        assert (reply.line, reply.strays) == ("+3.30600000E+00", ("*3", "*1"))


def test_a_second_connection_that_is_refused_is_told_and_the_first_goes_on() -> None:
    with (
        InstrumentServer({"meter": EchoInstrument()}, {"meter": Manners(clients=Clients.ONE_REFUSES)}) as server,
        linked(server.resource("meter")) as first,
        linked(server.resource("meter")) as second,
    ):
        done(first.open())
        with pytest.raises(LinkError, match="it closed the connection"):
            done(second.open())
        assert ask(first, Message("TIME?", ReplyKind.NUMBER, 0.5))[0].fault is None


# starting up


def starts_up(deaf_for: int, *, late: bool = False) -> tuple[Script, list[int]]:
    """One that takes connections but does not answer the first ones, or answers them late and all at once."""
    asked = [0]

    def script(_connection: int, line: str) -> bytes:
        if line != "*IDN?":
            return READING
        asked[0] += 1
        if asked[0] <= deaf_for:
            return b""
        return IDENTITY * (asked[0] if late else 1)

    return script, asked


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each question who it is waits a moment only; how often it is put is what is tested."""
    monkeypatch.setattr("bringup.instruments.opening.IDENTIFY", replace(IDENTIFY, timeout=0.1))


def connect_to(script: Script, patience: float) -> list[str]:
    dialect = replace(METER, timeout=0.1)
    with ScriptedServer(script) as server:
        opened = try_connect([Wanted("meter", server.resource, dialect)], patience=patience)
        opened.check()
        ask(opened.links["meter"], READ)
        opened.close()
        return server.lines


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize("late", [False, True])
def test_one_that_is_busy_after_power_up_is_asked_again_who_it_is_and_nothing_else(late: bool) -> None:
    script, asked = starts_up(deaf_for=3, late=late)
    lines = connect_to(script, patience=5.0)
    assert asked[0] >= 4
    assert lines == ["*IDN?"] * asked[0] + ["READ?"]


@pytest.mark.usefixtures("impatient")
def test_patience_has_an_end_and_a_command_that_is_in_a_hurry_has_none() -> None:
    with pytest.raises(BenchError, match=r"does not answer \*IDN\?"):
        connect_to(starts_up(deaf_for=1000)[0], patience=0.5)
    script, asked = starts_up(deaf_for=1000)
    with pytest.raises(BenchError, match=r"does not answer \*IDN\?"):
        connect_to(script, patience=0.0)
    assert asked[0] == 1


def test_the_patience_of_a_run_covers_the_ten_seconds_that_are_seen() -> None:
    assert POWER_UP > 10.0


def test_nobody_listening_costs_no_patience() -> None:
    with ScriptedServer(answering({})) as server:
        server.refuse()
        started = time.monotonic()
        opened = try_connect(wanted(server.resource), patience=30.0)
        assert "nothing listens there" in opened.missing["meter"]
        assert time.monotonic() - started < 5.0


# links that died while nobody spoke


def test_a_meter_whose_link_died_while_idle_is_set_up_anew_and_read_without_anybody_noticing() -> None:
    script = answering({"READ?": READING, "SYST:ERR?": b"0\n"})
    wire = replace(wire_of(METER), identify=WIRE.identify)
    with ScriptedServer(script) as server, linked(server.resource, wire) as link:
        meter = ScpiMeter(MeterRole(None, METER.name), METER, link)
        assert result(meter.read(Function.DC_VOLTS, around=3.3))[0].number == 3.306
        server.gone.clear()
        server.hang_up()
        server.gone.wait(1)
        value, troubles = result(meter.read(Function.DC_VOLTS, around=3.3))
        assert value.number == 3.306
        assert [trouble.fault for trouble in troubles] == [LinkFault.LOST]
        setup = ["CONF:VOLT:DC 10", "SYST:ERR?", "VOLT:DC:NPLC 1", "SYST:ERR?", "READ?"]
        assert server.lines == ["*IDN?", *setup, "*IDN?", *setup]


def test_one_that_has_forgotten_an_idle_client_and_stays_silent_is_opened_anew() -> None:
    """Nothing tells that the link is dead: the first message brings no answer, the next one goes over a new link."""

    def script(connection: int, line: str) -> bytes:
        if line == "*IDN?":
            return IDENTITY
        return READING if connection or forgotten is not True else b""

    forgotten = False
    with ScriptedServer(script) as server, linked(server.resource) as link:
        ask(link, READ)
        forgotten = True
        lost, after = ask(link, Message("READ?", ReplyKind.NUMBER, 0.05), Message("OUTP ON"))
        assert (lost.fault, after.fault) == (LinkFault.TIMEOUT, LinkFault.NOT_SENT)
        assert ask(link, READ)[0].line == "+3.30600000E+00"
        assert server.lines == ["*IDN?", "READ?", "READ?", "*IDN?", "READ?"]


def test_no_setting_is_repeated_on_a_link_that_died_before_it_was_answered() -> None:
    def script(connection: int, line: str) -> bytes:
        if line == "*IDN?":
            return IDENTITY
        return HANG_UP if line == "VOLT 5" and not connection else b"0\n"

    with ScriptedServer(script) as server, linked(server.resource) as link:
        told, asked = ask(link, Message("VOLT 5"), Message("SYST:ERR?", ReplyKind.ERROR, 0.5))
        assert asked.fault is LinkFault.LOST or told.fault is LinkFault.LOST
        ask(link, Message("SYST:ERR?", ReplyKind.ERROR, 0.5))
        assert server.lines.count("VOLT 5") == 1


# speed


def test_a_meter_is_set_up_once_on_the_wire_and_a_supply_is_never_waited_for_by_it() -> None:
    held = threading.Event()

    def slow(_connection: int, line: str) -> bytes:
        if line == "READ?":
            held.wait(2)
        return {"*IDN?": IDENTITY, "SYST:ERR?": b"0\n", "READ?": READING}.get(line, b"")

    with (
        ScriptedServer(slow) as meters,
        ScriptedServer(answering({"MEAS:VOLT?": b"12.0\n"})) as supplies,
        linked(meters.resource, replace(wire_of(METER), identify=WIRE.identify)) as meter_link,
        linked(supplies.resource) as supply_link,
    ):
        meter = ScpiMeter(MeterRole(None, METER.name), METER, meter_link)
        reading = meter.read(Function.DC_VOLTS, around=3.3)
        assert meters.wait_for("READ?")
        for _ in range(5):  # five looks at the supply while the meter integrates
            assert ask(supply_link, Message("MEAS:VOLT?", ReplyKind.NUMBER, 0.5))[0].line == "12.0"
        assert not reading.done
        held.set()
        assert result(reading)[0].number == 3.306
        assert result(meter.read(Function.DC_VOLTS, around=3.3))[0].number == 3.306
        assert [line for line in meters.lines if line.startswith("CONF")] == ["CONF:VOLT:DC 10"]


@pytest.mark.usefixtures("impatient")
def test_silent_instruments_are_given_up_side_by_side_not_one_after_the_other() -> None:
    dialect = replace(METER, timeout=0.4)
    with ScriptedServer(lambda _connection, _line: b"") as server:
        started = time.monotonic()
        opened = try_connect([Wanted(f"meter {number}", server.resource, dialect) for number in range(8)])
        assert len(opened.missing) == 8
        assert time.monotonic() - started < 8 * 0.4 * 0.8


def test_a_supply_is_told_and_read_back_every_time_though_nothing_changes() -> None:
    script = answering({"VOLT?": b"5\n", "SYST:ERR?": b"0\n"})
    with (
        ScriptedServer(script) as server,
        linked(server.resource, replace(wire_of(SUPPLY), identify=WIRE.identify)) as link,
    ):
        supply = ScpiSupply(SupplyRole(None, SUPPLY.name), SUPPLY, link)
        for _ in range(3):
            assert result(supply.set_voltage(1, 5.0)).readback == 5.0
        assert server.lines == ["*IDN?", *["VOLT 5", "SYST:ERR?", "VOLT?"] * 3]
