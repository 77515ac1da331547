"""Status reporting of the simulated instruments: error queue, event registers, status byte."""

from __future__ import annotations

import pytest

from bringup import __version__
from bringup.core.bench import SIMULATED_MAKER
from bringup.simulation.instrument import Instrument, take
from bringup.simulation.status import QUEUE_SIZE, Register
from bringup.simulation.supply import single_output
from tests.fake_instrument import FakeWorld


class Talk:
    """A conversation with one instrument, whose time goes on with every message."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self.now = 0.0

    def __call__(self, message: str) -> str | None:
        outcome = take(self.instrument, message.encode(), self.now)
        self.now = outcome.ready_at
        return None if outcome.reply is None else outcome.reply.decode()


@pytest.fixture
def talk() -> Talk:
    return Talk(single_output(FakeWorld()))


def test_the_status_byte_of_an_unknown_command(talk: Talk) -> None:
    # The scenario of a general-purpose open-source SCPI parser library's own tests (scpi-parser).
    talk("*CLS;*ESE 32;*SRE 255")
    talk("NONSENSE")

    assert talk("*STB?") == "100"
    assert talk("*ESR?") == "32"
    assert talk("*STB?") == "68"
    assert talk("SYST:ERR?") == '-113,"Undefined header;NONSENSE"'
    assert talk("*STB?") == "0"


@pytest.mark.parametrize(
    ("message", "bit"), [("NONSENSE", 32), ("VOLT 1000", 16), ("*OPC", 1), ("VOLT", 32), ("*IDN?;VOLT?", 4)]
)
def test_every_event_sets_its_bit_once(talk: Talk, message: str, bit: int) -> None:
    talk("*CLS")
    talk(message)

    assert talk("*ESR?") == str(bit)
    assert talk("*ESR?") == "0"


def test_power_on_is_an_event(talk: Talk) -> None:
    assert talk("*ESR?") == "128"


def test_identity_has_four_fields_and_the_reserved_maker(talk: Talk) -> None:
    identity = talk("*IDN?")
    assert identity is not None
    fields = identity.split(",")

    assert fields == [SIMULATED_MAKER, "SUPPLY-1", "SIM-S-0001", __version__]
    assert len(identity) <= 72


def test_errors_come_oldest_first_and_an_empty_queue_says_so(talk: Talk) -> None:
    talk("VOLT 1000")
    talk("CURR")

    assert talk("SYST:ERR:COUN?") == "2"
    assert talk("SYST:ERR:NEXT?") == '-222,"Data out of range"'
    assert talk("SYSTem:ERRor?") == '-109,"Missing parameter"'
    assert talk("SYST:ERR?") == '0,"No error"'


def test_one_error_too_many_is_a_queue_overflow_in_the_last_place(talk: Talk) -> None:
    for _ in range(QUEUE_SIZE + 5):
        talk("VOLT 1000")

    assert talk("SYST:ERR:COUN?") == str(QUEUE_SIZE)
    codes = [str(talk("SYST:ERR?")).split(",")[0] for _ in range(QUEUE_SIZE + 1)]
    assert codes == ["-222"] * (QUEUE_SIZE - 1) + ["-350", "0"]


def test_all_errors_at_once(talk: Talk) -> None:
    talk("VOLT 1000")
    talk("VOLT 1000")

    assert talk("SYST:ERR:ALL?") == '-222,"Data out of range",-222,"Data out of range"'
    assert talk("SYST:ERR:ALL?") == '0,"No error"'


def test_clearing_leaves_the_enable_registers(talk: Talk) -> None:
    talk("*ESE 48;*SRE 32;STAT:QUES:ENAB 3")
    talk("NONSENSE")
    talk("*CLS")

    assert talk("*ESE?;*SRE?;:STAT:QUES:ENAB?") == "48;32;3"
    assert talk("*ESR?;*STB?;:SYST:ERR:COUN?") == "0;16;0"


def test_bit_six_of_the_service_request_enable_cannot_be_set(talk: Talk) -> None:
    assert talk("*SRE 255;*SRE?") == "191"
    talk("*ESE 256")
    assert talk("SYST:ERR?") == '-222,"Data out of range"'


def test_a_waiting_response_is_seen_in_the_status_byte(talk: Talk) -> None:
    talk("*CLS;*SRE 16")

    assert talk("*OPC?;*STB?") == "1;80"
    assert talk("*STB?") == "0"


def test_nothing_can_follow_an_identity_in_the_same_response(talk: Talk) -> None:
    talk("*CLS")
    identity = talk("*IDN?;*OPC?")

    assert identity is not None
    assert identity.startswith(SIMULATED_MAKER)
    assert ";" not in identity
    assert talk("SYST:ERR?") == '-440,"Query UNTERMINATED after indefinite response"'
    assert talk("*OPC?;*IDN?") == f"1;{identity}"


def test_query_errors_that_only_the_carrier_sees(talk: Talk) -> None:
    talk("*CLS")
    talk.instrument.interrupted()
    talk.instrument.overrun()

    assert talk("SYST:ERR?") == '-410,"Query INTERRUPTED"'
    assert talk("SYST:ERR?") == '-363,"Input buffer overrun"'
    assert talk("*ESR?") == "12"


def test_self_test_version_and_waiting(talk: Talk) -> None:
    assert talk("*WAI;*TST?;:SYST:VERS?;*OPC?") == "0;1999.0;1"


def test_a_condition_leaves_an_event_behind_once() -> None:
    register = Register()
    register.observe(1)
    register.observe(3)
    register.observe(0)

    assert (register.condition, register.read_event(), register.read_event()) == (0, 3, 0)


def test_constant_current_is_a_questionable_condition_that_the_status_byte_reports(talk: Talk) -> None:
    talk("*CLS;STAT:QUES:ENAB 1;:VOLT 24;CURR 0.1;OUTP ON")

    assert talk("STAT:QUES:COND?") == "1"
    assert talk("*STB?") == "8"
    assert talk("STAT:QUES?") == "1"
    assert talk("STAT:QUES:EVEN?") == "0"
    talk("CURR 1")
    assert talk("STAT:QUES:COND?") == "2"
    talk("STAT:PRES")
    assert talk("STAT:QUES:ENAB?;:STAT:OPER:COND?") == "0;0"
