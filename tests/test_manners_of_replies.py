"""Every way in which instruments write the same reading, error or state, from the wire to the value that counts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bringup.core.bench import MeterRole, SupplyRole
from bringup.core.dialect import Dialect, Message, Operation
from bringup.core.replies import ReplyKind, Value
from bringup.files.dialect_file import find_dialect
from bringup.instruments.opening import result, wire_of
from bringup.instruments.wire import Wire
from bringup.runner.exchange import MOST_ERRORS
from bringup.runner.roles import Function
from bringup.runner.scpi_meter import ScpiMeter
from bringup.runner.scpi_supply import ScpiSupply
from tests.link_helpers import WIRE, ask, linked
from tests.scripted_server import IDENTITY, ScriptedServer, answering

METER = replace(find_dialect("configure-and-read", "."), timeout=0.3)
SUPPLY = replace(find_dialect("single-output", "."), timeout=0.3)
NO_ERROR = b'+0,"No error"\n'


def quick(dialect: Dialect) -> Wire:
    return replace(wire_of(dialect), identify=WIRE.identify, recovery=0.3)


def reading(reply: bytes, dialect: Dialect = METER) -> Value:
    """What the meter makes of that reply to its question for a reading."""
    script = answering({"READ?": reply, "SYST:ERR?": NO_ERROR})
    with ScriptedServer(script) as server, linked(server.resource, quick(dialect)) as link:
        value, _ = result(ScpiMeter(MeterRole(None, dialect.name), dialect, link).read(Function.DC_VOLTS, around=3.3))
        return value


def reads(**changes: object) -> Dialect:
    """The meter's dialect with another way of reading the answer to READ?."""
    operation = replace(METER.operations["read"], **changes)  # type: ignore[arg-type]
    return replace(METER, operations={**METER.operations, "read": operation})


@pytest.mark.parametrize(
    "reply",
    [
        b"+3.30600000E+00\n",
        b"+3.30600000E+00\r\n",
        b"3.306 \x00\x00\x00\n",
        b"  3.306\n",
        b"\x003.306\r\n",
        b"3.306e000\n",
        # What is exactly one full USB packet has no short packet after it (a known fault of instruments and drivers).
        b"+3.30600000E+00".ljust(63) + b"\n",
        b"3.306".ljust(63, b"0") + b"\n",
    ],
    ids=["LF", "CR LF", "NUL after", "blanks before", "NUL before", "e000", "64 bytes of blanks", "64 bytes of digits"],
)
def test_one_reading_written_in_many_ways_is_the_same_number(reply: bytes) -> None:
    assert reading(reply).number == 3.306


@pytest.mark.parametrize(
    ("reply", "number"),
    [(b"3.306V\n", 3.306), (b"3306 mV\n", 3.306), (b"+3.306 VDC\n", 3.306), (b"0.003306kV\n", 3.306)],
)
def test_a_unit_is_read_where_the_dialect_says_so(reply: bytes, number: float) -> None:
    assert reading(reply, reads(unit="V")).number == pytest.approx(number)


def test_a_unit_that_nobody_announced_is_no_value() -> None:
    assert reading(b"3.306V\n").number is None
    assert reading(b"3.306A\n", reads(unit="V")).number is None


def test_a_header_before_the_number_is_taken_off_where_the_dialect_says_so() -> None:
    assert reading(b"V1 3.306\n", reads(pattern=r"V\d\s+(.*)")).number == 3.306
    assert reading(b"VOLT:DC,+3.306V,AUTO,5V\n", reads(pattern=r"VOLT:DC,([^,]*),.*", unit="V")).number == 3.306
    assert reading(b"I1 3.306\n", reads(pattern=r"V\d\s+(.*)")).number is None


@pytest.mark.parametrize("reply", [b"OL\n", b"+9.90000000E+37\n", b"9.9E37\n", b"+1.00000000E+38\n"])
def test_over_range_is_no_number_and_said(reply: bytes) -> None:
    value = reading(reply)
    assert (value.number, value.over_range) == (None, 1)


@pytest.mark.parametrize("reply", [b"9.91E37\n", b"NAN\n"])
def test_not_a_number_is_neither_a_number_nor_over_range(reply: bytes) -> None:
    value = reading(reply)
    assert (value.number, value.over_range) == (None, 0)


def test_several_values_in_one_reply_are_told_apart_by_the_dialect() -> None:
    assert reading(b"12.0,3.306,0.04\n", reads(reply=ReplyKind.NUMBERS, field=1)).number == 3.306
    assert reading(b"12.0,3.306,0.04\n").number is None, "one value was announced"


# errors


@pytest.mark.parametrize(
    "none",
    [b'0,"No error"', b'+0,"No error"', b"0,No Error", b"0  No Error", b"+0, No error", b"0"],
)
def test_no_error_in_six_spellings_is_none(none: bytes) -> None:
    script = answering({"READ?": b"3.306\n", "SYST:ERR?": none + b"\r\n"})
    with ScriptedServer(script) as server, linked(server.resource, quick(METER)) as link:
        value, troubles = result(ScpiMeter(MeterRole(None, METER.name), METER, link).read(Function.DC_VOLTS))
        assert (value.number, troubles) == (3.306, ())


@pytest.mark.parametrize(
    ("said", "code"),
    [
        (b'-113,"Undefined header"', -113),
        (b"-113,Undefined header,MEAS:POW?", -113),
        (b"-113  Undefined header", -113),
        (b'-222,"Data out of range;VOLT 99"', -222),
        (b"-350", -350),
        (b'+514,"Command allowed only with RS-232"', 514),
    ],
)
def test_an_error_in_six_spellings_makes_the_setting_no_good(said: bytes, code: int) -> None:
    queue = [said]

    def script(_connection: int, line: str) -> bytes:
        if line == "SYST:ERR?":
            return (queue.pop(0) if queue else b'0,"No error"') + b"\n"
        return {"*IDN?": IDENTITY, "VOLT?": b"5\n"}.get(line, b"")

    with ScriptedServer(script) as server, linked(server.resource, quick(SUPPLY)) as link:
        told = result(ScpiSupply(SupplyRole(None, SUPPLY.name), SUPPLY, link).set_voltage(1, 5.0))
        assert not told.faultless
        assert [error.code for trouble in told.troubles for error in trouble.errors] == [code]


def attached(errors: list[bytes], last: bytes = b'0,"No error"') -> tuple[list[int], int]:
    """What attaching finds in a queue, and how often it looked."""
    queue = list(errors)

    def script(_connection: int, line: str) -> bytes:
        if line == "SYST:ERR?":
            return (queue.pop(0) if queue else last) + b"\n"
        return IDENTITY if line == "*IDN?" else b""

    with ScriptedServer(script) as server, linked(server.resource, quick(SUPPLY)) as link:
        found = result(ScpiSupply(SupplyRole(None, SUPPLY.name), SUPPLY, link).attach())
        return [error.code for error in found.old_errors], server.lines.count("SYST:ERR?")


def test_old_entries_of_the_queue_are_kept_and_gone_on_from() -> None:
    old = [b'-113,"Undefined header"', b'-222,"Data out of range"']
    assert attached(old) == ([-113, -222], 3)


def test_a_queue_that_overflowed_says_so_in_its_last_entry_and_is_emptied() -> None:
    old = [b'-113,"Undefined header"'] * 19 + [b'-350,"Queue overflow"']
    assert attached(old) == ([-113] * 19 + [-350], 21)


def test_a_queue_that_never_empties_is_left_in_the_end() -> None:
    codes, looks = attached([], last=b'-350,"Queue overflow"')
    assert len(codes) == looks == MOST_ERRORS


def test_an_instrument_without_a_queue_is_never_asked_for_errors() -> None:
    silent = replace(SUPPLY, operations={name: op for name, op in SUPPLY.operations.items() if name != "error"})
    with (
        ScriptedServer(answering({"VOLT?": b"5\n"})) as server,
        linked(server.resource, quick(silent)) as link,
    ):
        supply = ScpiSupply(SupplyRole(None, silent.name), silent, link)
        assert result(supply.attach()).old_errors == ()
        assert result(supply.set_voltage(1, 5.0)).faultless
        assert set(server.lines) == {"*IDN?", "VOLT 5", "VOLT?"}


# states


@pytest.mark.parametrize(
    ("on", "off"),
    [(b"1", b"0"), (b"ON", b"OFF"), (b"+1", b"+0"), (b"on", b"off"), (b"YES", b"NO"), (b"1\x00", b"0\x00")],
)
def test_on_and_off_in_every_spelling(on: bytes, off: bytes) -> None:
    state = [off]

    def script(_connection: int, line: str) -> bytes:
        if line.startswith("OUTP "):
            state[0] = on if line.endswith(("ON", "1")) else off
        return {"*IDN?": IDENTITY, "SYST:ERR?": NO_ERROR, "OUTP?": state[0] + b"\n"}.get(line, b"")

    with ScriptedServer(script) as server, linked(server.resource, quick(SUPPLY)) as link:
        supply = ScpiSupply(SupplyRole(None, SUPPLY.name), SUPPLY, link)
        assert result(supply.switch(1, on=True)).on is True
        assert result(supply.switch(1, on=False)).on is False


def test_a_setting_that_is_silently_clamped_shows_in_its_read_back() -> None:
    volts = [0.0]

    def script(_connection: int, line: str) -> bytes:
        if line.startswith("VOLT "):
            volts[0] = min(float(line.split()[1]), 20.0)
        return {"*IDN?": IDENTITY, "SYST:ERR?": NO_ERROR, "VOLT?": f"{volts[0]:.3f}\n".encode()}.get(line, b"")

    with ScriptedServer(script) as server, linked(server.resource, quick(SUPPLY)) as link:
        told = result(ScpiSupply(SupplyRole(None, SUPPLY.name), SUPPLY, link).set_voltage(1, 24.0))
        assert (told.readback, told.troubles) == (20.0, ())


def test_a_question_that_it_does_not_know_is_silence_and_the_next_one_is_on_a_new_link() -> None:
    asked = Operation(query="MEAS:POW?", reply=ReplyKind.NUMBER)
    with ScriptedServer(answering({"VOLT?": b"5\n"})) as server, linked(server.resource) as link:
        replies = ask(link, Message(asked.query, asked.reply, 0.05), Message("OUTP ON"))
        assert [reply.line for reply in replies] == [None, None]
        assert ask(link, Message("VOLT?", ReplyKind.NUMBER))[0].line == "5"
        assert server.lines == ["*IDN?", "MEAS:POW?", "*IDN?", "VOLT?"]
