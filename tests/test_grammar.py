"""Program messages as IEEE 488.2 and SCPI-1999 write them: what is read, and which error answers what is not.

Vectors marked "parser tests" are quoted from the tests of a general-purpose open-source SCPI parser library
(scpi-parser); numbers, header paths and errors follow SCPI-1999 volume 1, 6.2 and 7, and volume 2, 21.8.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.simulation.command_tree import Call, Command, CommandTree, Read, spellings
from bringup.simulation.grammar import DataKind, units
from bringup.simulation.instrument import MESSAGE_BYTES, take
from bringup.simulation.meter import Meter
from bringup.simulation.parameters import (
    Parameter,
    Special,
    boolean,
    channels,
    integer,
    number,
    short_form,
    special,
    string,
    word,
)
from bringup.simulation.scpi_errors import TEXTS, ScpiFault, event_bit
from bringup.simulation.supply import select_by_number
from tests.fake_instrument import FakeWorld


def answered(*commands: Command) -> CommandTree:
    return CommandTree(commands)


def told(pattern: str, *takes: Parameter, last: int = 1) -> Command:
    return Command(pattern, lambda _: None, takes, last_suffix=last)


SUPPLY = answered(
    told("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", number("V")),
    told("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]?", special(optional=True)),
    told("[SOURce:]VOLTage:PROTection[:LEVel]", number("V")),
    told("[SOURce:]VOLTage:PROTection:STATe", boolean()),
    told("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", number("A")),
    told("[SOURce:]CURRent:PROTection:STATe", boolean()),
    told("RESistance", number("OHM")),
    told("FREQuency", number("HZ")),
    told("LEADs", word("BOARD", "FREE", "OFF", "IMMediate")),
    told("NAME", string()),
    told("ROUTe:CLOSe", channels(40)),
    told("INSTrument:NSELect", integer(1, 3)),
    told("ISUMmary#:CONDition?", last=3),
    told("*CLS"),
    told("*IDN?"),
)


def outcome(message: str) -> list[str | int]:
    """Patterns of what would be carried out, and the error numbers between."""
    return [part.command.pattern if isinstance(part, Read) else part.code for part in SUPPLY.read(message)]


def value(message: str) -> object:
    (part,) = SUPPLY.read(message)
    assert isinstance(part, Read), part
    return part.values[0]


def fault(message: str) -> int:
    part = SUPPLY.read(message)[-1]
    assert isinstance(part, ScpiFault), part
    return part.code


VOLT = "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]"
CURR = "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]"


@pytest.mark.parametrize(
    "header",
    ["VOLT", "volt", "Voltage", ":VOLT", "SOUR:VOLT", ":source:voltage:level", "VOLT:IMM:AMPL", "VOLT:LEV:AMPLITUDE"],
)
def test_short_and_long_forms_in_any_case_with_optional_nodes_or_without(header: str) -> None:
    assert outcome(f"{header} 5") == [VOLT]


@pytest.mark.parametrize("header", ["VOLTA", "VOL", "V", "SOURC:VOLT", "VOLT:LEVE", "VOLT:AMPL:IMM", "VOLT1", "LEV"])
def test_nothing_between_short_and_long_is_known(header: str) -> None:
    assert fault(f"{header} 5") == -113


def test_patterns_of_the_parser_tests() -> None:
    # Parser tests: `ABcc:AACddd`, and `[:ABcc]:AACddd?` with its first node left out.
    tree = answered(told("ABcc:AACddd"), told("[ABcc:]AACddd?"))

    known = [
        message for message in ("ab:aac", "abcc:aacddd", ":ab:aac", "abcc:aacdd", "a:aac") if is_read(tree, message)
    ]
    assert known == ["ab:aac", "abcc:aacddd", ":ab:aac"]
    assert is_read(tree, "aac?")
    assert is_read(tree, "ab:aac?")


def is_read(tree: CommandTree, message: str) -> bool:
    return all(isinstance(part, Read) for part in tree.read(message))


@pytest.mark.parametrize(
    ("long", "short"),
    # Maker guides' rule (SCPI-1999 volume 1, 6.2.1): four letters, three where the fourth is a vowel.
    [("VOLTage", "VOLT"), ("FREQuency", "FREQ"), ("DELay", "DEL"), ("NPLCycles", "NPLC"), ("READ", "READ")],
)
def test_capitals_are_the_short_form(long: str, short: str) -> None:
    assert short_form(long) == short


def test_optional_nodes_multiply_spellings() -> None:
    assert spellings("[SOURce:]VOLTage[:LEVel]") == [
        ("SOURce", "VOLTage", "LEVel"),
        ("SOURce", "VOLTage"),
        ("VOLTage", "LEVel"),
        ("VOLTage",),
    ]


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        ("VOLT 5;CURR 1", [VOLT, CURR]),
        ("CURR:LEV 3;PROT:STAT OFF", [CURR, "[SOURce:]CURRent:PROTection:STATe"]),
        ("SOUR:VOLT 5;CURR 1", [VOLT, CURR]),
        ("VOLT:PROT:LEV 5;STAT ON", ["[SOURce:]VOLTage:PROTection[:LEVel]", "[SOURce:]VOLTage:PROTection:STATe"]),
        (
            "VOLT:PROT:LEV 5;*CLS;STAT ON;:CURR 1",
            ["[SOURce:]VOLTage:PROTection[:LEVel]", "*CLS", "[SOURce:]VOLTage:PROTection:STATe", CURR],
        ),
        # The default node LEVel was not written, so the path is the root: PROTection is not to be found there.
        ("VOLT 5;PROT 6", [VOLT, -113]),
        ("VOLT:PROT:LEV 5;CURR 1", ["[SOURce:]VOLTage:PROTection[:LEVel]", -113]),
        ("VOLT 5;VOLT?;VOLT? MAX", [VOLT, f"{VOLT}?", f"{VOLT}?"]),
        ("VOLT 5;", [VOLT]),
        (" ; VOLT 5 ;; CURR 1 ;\r\n", [VOLT, CURR]),
        ("", []),
    ],
)
def test_compound_messages_keep_the_header_path(message: str, expected: list[str | int]) -> None:
    assert outcome(message) == expected


def test_a_command_error_ends_the_message_and_what_came_before_stands() -> None:
    assert outcome("VOLT 5;NONSENSE;CURR 1") == [VOLT, -113]


def test_an_execution_error_does_not_end_the_message() -> None:
    assert outcome("LEAD SOMEWHERE;CURR 1") == [-224, CURR]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # Parser tests.
        ("VOLT 1.2e-1", 0.12),
        ("VOLT 1.2mV", 0.0012),
        ("RES 100 OHM", 100.0),
        ("VOLT #H20", 32.0),
        ("VOLT #Q20", 16.0),
        ("VOLT #B11", 3.0),
        ("VOLT +.5", 0.5),
        ("VOLT -10.5", -10.5),
        ("VOLT 1.5E12", 1.5e12),
        ("VOLT -1 e 3", -1000.0),
        # SCPI-1999 volume 1, 7.2: MA and MV are milli, MOHM and MHZ are mega, suffixes ignore case.
        ("CURR 100 MA", 0.1),
        ("CURR 100ma", 0.1),
        ("VOLT 500 MV", 0.5),
        ("VOLT 1 MAV", 1e6),
        ("CURR 2 MAA", 2e6),
        ("RES 1 MOHM", 1e6),
        ("RES 1 kohm", 1e3),
        ("FREQ 2MHZ", 2e6),
        ("FREQ 2KHZ", 2e3),
        ("VOLT 5.", 5.0),
        ("VOLT MAX", Special.MAXIMUM),
        ("VOLT minimum", Special.MINIMUM),
        ("VOLT def", Special.DEFAULT),
        ("VOLT:PROT:STAT ON", True),
        ("VOLT:PROT:STAT 0", False),
        ("VOLT:PROT:STAT 0.4", False),
        ("VOLT:PROT:STAT -7", True),
        ("LEAD imm", "IMM"),
        ("LEAD IMMEDIATE", "IMM"),
        ("""NAME "3V3;,'x'" """, "3V3;,'x'"),
        ("NAME 'it''s'", "it's"),
        ("""NAME "a""b" """, 'a"b'),
        ("ROUT:CLOS (@1,2)", (1, 2)),
        ("ROUT:CLOS (@ 1:3 , 7)", (1, 2, 3, 7)),
        ("ROUT:CLOS (@3:1)", (3, 2, 1)),
        ("INST:NSEL 1.6", 2),
    ],
)
def test_parameters_are_read(text: str, expected: object) -> None:
    found = value(text)
    if isinstance(expected, float):
        assert isinstance(found, float)
        assert math.isclose(found, expected, rel_tol=1e-12)
    else:
        assert found == expected
        assert type(found) is type(expected)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("VOLT", -109),
        ("VOLT 5,6", -108),
        ("*CLS 1", -108),
        ('VOLT "5"', -104),
        ("VOLT FIVE", -104),
        ("NAME 5", -104),
        ("LEAD 5", -104),
        ("LEAD NOWHERE", -224),
        ("VOLT? SOON", -224),
        ("VOLT? 5", -104),
        ("VOLT:PROT:STAT PERHAPS", -224),
        ("VOLT 5 A", -131),
        ("VOLT 5 QV", -131),
        ("INST:NSEL 1 V", -138),
        ("INST:NSEL 4", -222),
        ("INST:NSEL 0.4", -222),
        ("VOLT 1E400", -222),
        ("VOLT 1E40000", -123),
        ("VOLT 1E99999999999999999999", -123),
        ("VOLT " + "9" * 300, -124),
        ("VOLT #H" + "F" * 300, -124),
        ("VOLT #HG", -121),
        ("VOLT +", -121),
        ("VOLT,5", -103),
        ("VOLT 5 6", -103),
        ("VOLT 5,", -102),
        ("VOLT ,5", -102),
        ("VOLT:", -102),
        ("VOLT::LEV 5", -102),
        ("5 VOLT", -102),
        ("*", -102),
        ("?", -102),
        ('VOLT"5"', -111),
        ("VOLT&5", -101),
        ("&VOLT 5", -101),
        ("VOLT \xe4", -101),
        ("VOLTAGELEVELTOOLONG 5", -112),
        ("LEAD VERYLONGPLACEINDEED", -144),
        ('NAME "open', -151),
        ("NAME 'open", -151),
        ("NAME #9", -161),
        ("NAME #210ABCD", -161),
        ("NAME #X", -161),
        ("ROUT:CLOS (@1", -171),
        ("ROUT:CLOS (1)", -171),
        ("ROUT:CLOS (@1:2:3)", -171),
        ("ROUT:CLOS (@41)", -222),
        ("ROUT:CLOS 1", -104),
        ("ISUM4:COND?", -114),
        ("ISUM0:COND?", -114),
        ("ISUM99999:COND?", -114),
        ("VOLT2 5", -113),
        ("*IDN", -113),
        ("*CLS?", -113),
        ("CURR?", -113),
    ],
)
def test_what_cannot_be_read_is_an_error_of_the_standard(text: str, code: int) -> None:
    assert fault(text) == code
    assert code in TEXTS


@pytest.mark.parametrize(("header", "suffix"), [("ISUM:COND?", 1), ("ISUM1:COND?", 1), ("isummary3:cond?", 3)])
def test_numeric_suffixes(header: str, suffix: int) -> None:
    (part,) = SUPPLY.read(header)
    assert isinstance(part, Read)
    assert part.suffixes == (suffix,)


@pytest.mark.parametrize(
    # Parser tests: definite-length blocks; count digits may have leading zeros; #0 is the indefinite form.
    ("text", "inside"),
    [("#11a", "a"), ("#204ABCD", "ABCD"), ("#211X1234567890", "X1234567890"), ("#13a\r\n;", "a\r\n"), ("#0x;y", "x;y")],
)
def test_blocks_hold_any_bytes(text: str, inside: str) -> None:
    first = next(units(f"NAME {text}"))

    assert (first.data[0].kind, first.data[0].text) == (DataKind.BLOCK, inside)


@pytest.mark.parametrize(
    ("code", "bit"), [(-113, 32), (-199, 32), (-222, 16), (-350, 8), (-363, 8), (-410, 4), (-440, 4), (7, 8)]
)
def test_every_class_of_error_has_its_event_bit(code: int, bit: int) -> None:
    assert event_bit(code) == bit


PIECES = (
    *("VOLT", "CURR", ":", ";", "?", "*IDN?", "*CLS", ",", "5", "-1e3", "#H2", "#3", '"', "'", "(@", "1:2", ")", "MAX"),
    *("MV", "READ?", "CONF:", "RES", "SIM:PROB", "NONE", "INST:NSEL", "2", "OUTP", "ON", " ", "\n", "\x00", "\xff"),
)
NEAR_MESSAGES = st.lists(st.sampled_from(PIECES), max_size=14).map("".join)


@given(st.one_of(NEAR_MESSAGES, st.binary(max_size=200).map(lambda raw: raw.decode("latin-1")), st.text(max_size=50)))
def test_no_message_whatever_makes_the_parser_raise(message: str) -> None:
    for part in SUPPLY.read(message):
        assert isinstance(part, Read) or part.code in TEXTS


@given(st.lists(st.one_of(NEAR_MESSAGES.map(lambda text: text.encode("latin-1")), st.binary(max_size=60)), max_size=6))
def test_no_message_whatever_stops_an_instrument(messages: list[bytes]) -> None:
    now = 0.0
    world = FakeWorld()
    for instrument in (select_by_number(world), Meter(world)):
        for message in messages:
            outcome = take(instrument, message, now)
            assert outcome.ready_at >= now
            assert outcome.reply is None or b"\n" not in outcome.reply
            now = outcome.ready_at
        identity = take(instrument, b"*CLS;*IDN?", now)
        assert identity.reply is not None
        assert identity.reply.startswith(b"BRINGUP SIMULATED,")
        now = identity.ready_at


def test_the_longest_message_is_read_in_reasonable_time_and_a_longer_one_is_refused() -> None:
    instrument = select_by_number(FakeWorld())
    for filler in (b"(", b'"', b"VOLT:", b"1 ", b"#", b";", b"9" * 12):
        message = (b"VOLT " + filler * MESSAGE_BYTES)[:MESSAGE_BYTES]
        assert take(instrument, message, 1.0).reply is None
    take(instrument, b"*CLS", 2.0)
    assert take(instrument, b"VOLT 5;" * MESSAGE_BYTES, 2.0).reply is None
    assert take(instrument, b"SYST:ERR?", 3.0).reply == b'-363,"Input buffer overrun"'


def test_a_call_says_when_and_with_what() -> None:
    seen: list[Call] = []
    tree = answered(Command("A#:B", seen.append, (integer(0, 9), integer(0, 9, optional=True)), last_suffix=5))

    (part,) = tree.read("A3:B 7")
    assert isinstance(part, Read)
    part.command.handle(Call(1.5, part.values, part.suffixes))

    assert seen == [Call(1.5, (7, None), (3,))]
