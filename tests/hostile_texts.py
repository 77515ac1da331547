"""What hostile texts are made of: words of every notation that is read here, sound texts to be damaged, endless things.

Only strategies and samples; who reads them, and the laws that hold, is tests/fuzzing.py.
"""

from __future__ import annotations

import json

from hypothesis import strategies as st

from bringup.core.quantity import UNITS

ANY = st.characters(codec="utf-8")


def words(*lines: str) -> tuple[str, ...]:
    """Return the words of these lines."""
    return tuple(word for line in lines for word in line.split())


NUMBERS = words(
    "3.3 -12 0 .5 1e3 1E-9 1e999999 1e-999999 9.9E37 9.91E37 -9.9E37 +4.0E+00 1,5 1.1.1 1e --1 nan -inf INF 0x10 1_000",
    "٣ ３ ² 1e٣ ½ 000 -0 4k7 0R1 R 470R 1e18 -1e-18",
    f"{'9' * 400} 0.{'0' * 300}1 1e{'9' * 50}",
)
UNIT_WORDS = (*UNITS, *words("mV kΩ µA MOhm Ω \u2126 degC °C min h fV TV mmV k m VDC"))
MARKS = words("± +/- +- .. < > <= >= % + - , ; : ... ≤ ≥ \u2212 =")
BLANKS = (" ", "\t", "\n", "\r\n", "\0", "\u00a0", "\u2009", "\u2028", "\x1b[2J", "\x07", "\u202e", "\ufeff", "")
REPLY_WORDS = (
    *words('#0 #15abcde #9999999999 #H #HFF #B12 , ; ( ) -113 +0 OL NAN ON Example,Model,1,2 V E e+ \' " "" \xff'),
    *("No error", "K Ohm", "\r", "\n", "\0"),
)
_ENDLESS = (*NUMBERS, *MARKS, *words("a \\ \" ( #9 ß [ '' 1,"), " ", "\t", ' "')
LONGEST = 1_500_000
LONG = st.builds(
    lambda piece, times: piece * min(times, LONGEST // len(piece)),
    st.sampled_from(_ENDLESS),
    st.sampled_from((7, 121, 5000, 40_000)),
)
"""Million-digit numbers, endless signs, megabyte lines."""


def soup(*of: tuple[str, ...], most: int = 8) -> st.SearchStrategy[str]:
    """Return texts made of such words, of anything, and now and then of something very long."""
    known = st.sampled_from([word for several in of for word in several])
    pieces = st.lists(st.one_of(known, known, known, st.text(ANY, max_size=4)), max_size=most).map("".join)
    followed = st.builds(lambda one, two, end: one + two + end, known, LONG, known)
    return st.one_of(*[pieces] * 6, st.text(ANY, max_size=40), LONG, followed)


@st.composite
def damaged(draw: st.DrawFn, of: tuple[str, ...], pieces: tuple[str, ...], most: int = 4) -> str:
    """Return one of these texts with a few places cut out, doubled or overwritten."""
    text = draw(st.sampled_from(of))
    for _ in range(draw(st.integers(0, most))):
        start = draw(st.integers(0, len(text)))
        end = min(len(text), start + draw(st.integers(0, 12)))
        piece = draw(st.one_of(st.sampled_from(pieces), st.sampled_from(pieces), st.text(ANY, max_size=3)))
        text = text[:start] + (piece if draw(st.booleans()) else text[start:end] * 2) + text[end:]
    return text


LIMITS = ("3.3 V ± 2 %", "3.3 V +/- 66 mV", "3.3 V +5 % -2 %", "4.75 V .. 5.25 V", "< 50 mV", "> 1 kΩ", ">= 4.5 V")
QUANTITIES = ("3.306 V", "140 kΩ", "4k7")

PROCEDURE = """procedure: p
board: {board: b, rails: {3V3: 3.3 V ± 2 %}, inputs: {VIN: {voltage: 12 V, range: 9 V .. 15 V}}}
steps:
  - inspect: [a, b]
  - apply: {input: VIN, short_check: 1 V, then: [9 V, 12 V], current_limit: 100 mA}
  - log: {what: VIN current, for: 3 s, every: 200 ms, expect: 1 mA .. 9 mA}
  - measure: {points: [3V3], expect: {3V3: 3.3 V ± 1 %}, only_if: {attended: yes}}
  - host_program: {program: [flasher, '{serial}'], contains: ok, name: f, irreversible: yes}
  - power_off:
"""
BOARD = """board: b
revision: 1.10
serial: '[A-Z]{2}-[0-9]+'
states: [blank, programmed]
inputs: {VIN: {voltage: 12 V, range: 9 V .. 15 V, damage_above: 18 V, capacitance: 10 uF}}
rails:
  5V0: {from: VIN, probe: TP1, damage_above: 6 V, loads: {a: 20 mA, b: {default: 1 mA, blank: 2 kΩ}},
        converter: {kind: buck, starts_at: 8 V, reference: 0.8 V ± 1 %, upper: 52.5 kΩ ± 1 %, lower: 10 kΩ ± 1 %}}
  3V3: {from: 5V0, expect: 3.3 V ± 2 %, converter: {kind: linear, dropout: 1 V}}
"""
BENCH = """bench: b
supply: {resource: 'TCPIP0::192.0.2.10::5025::SOCKET', dialect: select-by-number, outputs: {VIN: 1}, leave_alone: [3],
         ceiling: {voltage: 30 V, current: 1 A}, calibration_due: 2027-03-01}
meter: {resource: by hand, accuracy: 0.5 % + 5 mV}
calibration: {warn_days: 30, overdue: refuse}
probing: by hand
"""
DIALECT = """dialect: d
role: meter
checked_against: nothing
operations:
  identify: {query: '*IDN?', reply: identity}
  error: {query: 'SYST:ERR?', reply: error}
"""
CONFIGURATION = "bench: bench.yaml\n"
YAML_PIECES = (
    *words('*a !!python/object/apply:os.system { } [ ] {} [] \' " # \\x "\\U0011 @ ` null ~ yes 0012E3 1:30 1e999999'),
    *words("(a+)+$ a{99999999} VIN 3V3 %YAML"),
    *("&a ", "!!binary ", "<<: ", "? ", "- ", ": ", "|\n", ">\n", "%YAML 9.9\n", "---\n", "...\n", "\t", "\r", "\0"),
    *(
        "[" * 40,
        "{a: " * 40,
        "- " * 40,
        "\n  ",
        "\n",
        "\ufeff",
        "\u2028",
        "x" * 3000,
        "{board: ",
        "rails: ",
        "steps:\n",
    ),
    *("a: &a [x,x]\nb: &b [*a,*a]\nc: [*b,*b]\n", "1.5 V", "from: 3V3", "1e17 V", "1e-18 V", "0 V", "-12 V"),
    *("- host_program: {program: [a]}\n", "irreversible: yes"),
)
_HEAVY = (*YAML_PIECES, "a: b\n", "  - note: x\n", " ", "a,", "'", "- [a, {b: c}]\n")


def files(text: str) -> st.SearchStrategy[str]:
    """Return files made of this one: damaged, shuffled, with much of something behind it; and soup."""
    lines = tuple(f"{line}\n" for line in text.splitlines())
    shuffled = st.lists(st.sampled_from(lines), max_size=12).map("".join)
    heavy = st.builds(lambda piece, times: text + piece * times, st.sampled_from(_HEAVY), st.sampled_from((50, 400)))
    slightly, badly = damaged((text,), YAML_PIECES, 1), damaged((text,), YAML_PIECES)
    return st.one_of(badly, slightly, shuffled, heavy, soup(YAML_PIECES))


_HEADERS = words(
    "VOLT VOLTage SOUR:VOLT:LEV:IMM:AMPL CURR OUTP OUTP:STAT INST:NSEL MEAS:VOLT? MEAS:CURR? CONF:VOLT:DC CONF:RES",
    "READ? FETC? INIT VOLT:DC:NPLC VOLT:DC:RANG SYST:ERR? SYST:VERS? *IDN? *RST *CLS *ESR? *STB? *OPC? *OPC *ESE *SRE",
    "*WAI *TST? *SAV *RCL STAT:QUES:INST:ISUM1:COND? STAT:OPER:ENAB STAT:PRES VOLT:PROT VOLT:PROT:STAT CURR:PROT:DEL",
    "VOLT:PROT:CLE SIM:PROB SIM:LEAD SIM:UNIT SIM:STAT SIM:POIN? SIM:OUTP? TRIG:COUN SAMP:COUN SENS:FUNC A:B:C:D ::: *",
    "ISUM99999999",
)
_DATA = (
    *(
        f" {word}"
        for word in words('1 24 MAX DEF ON OFF "3V3" \' " NONE BOARD FREE #15abcde #0 #H7FFFFFFF #9999999999')
    ),
    *(f" {word}" for word in words("(@1) (1:2 1e32000 1e99999 -1 3,4 , \xff ١ 0.0000001 1e300 -1e300 1e-300")),
    *(" 1E+3 mV", " 24 V", " 1 MOHM", " 1 KV/S", ' "3V3\n"', ","),
)
_GLUE = (";", ";:", "\n", "\r\n", "?", ":", " ", "\0", "\n\n", ";;", "*")
_MUCH = st.builds(
    lambda piece, times: piece * min(times, 200_000 // len(piece)),
    st.sampled_from((*_DATA, *_GLUE, "VOLT 1;", "A", "9", '"', "*IDN?;", ":VOLT", "#")),
    st.sampled_from((300, 3000, 70_000)),
)
MESSAGES = st.one_of(
    *[st.lists(st.sampled_from((*_HEADERS, *_HEADERS, *_DATA, *_DATA, *_GLUE)), max_size=10).map("".join)] * 6,
    st.binary(max_size=60).map(lambda raw: raw.decode("latin-1")),
    _MUCH,
)
"""Program messages, each character one byte: commands and data in any order, bytes, and much of one thing."""

GREETINGS = (
    *("bringup-control-1", " ", "off", "\n", "\r\n", "\0", "\xff", "heard\n", "0" * 32, "x" * 199, "x" * 201),
    "GET / HTTP/1.1\r\n",
)
LOCK_PIECES = (
    *words('{ } [ ] " : , null 1e999 NaN -1 99999999 "\\ud800" "pid" "control" "port" "token" "command" \\'),
    *("[" * 3000, '{"a":' * 800, "9" * 4000, "1" * 900, "\0", "\x1b[2J"),
)
HELD = json.dumps(
    {
        "resource": "TCPIP0::192.0.2.10::5025::SOCKET",
        "pid": 1,
        "since": "2026-01-01",
        "command": "bringup run",
        "serial": "MBL-0001",
        "control": {"port": 1, "token": "x"},
    }
)

# One strategy for each parser

_NOTATION = soup(NUMBERS, UNIT_WORDS, MARKS, BLANKS)
A_QUANTITY = st.one_of(_NOTATION, damaged(QUANTITIES, (*NUMBERS, *UNIT_WORDS)))
A_LIMIT = st.one_of(_NOTATION, damaged(LIMITS, (*NUMBERS, *MARKS, *UNIT_WORDS, *BLANKS)))
AN_ENTRY = soup(NUMBERS, UNIT_WORDS, MARKS, BLANKS, ("OL", "rising", "ovld", "over range"))
A_REPLY = soup(NUMBERS, REPLY_WORDS, BLANKS, UNIT_WORDS).map(lambda text: text.encode("utf-8").decode("latin-1"))
A_GREETING = soup(GREETINGS, most=5)
A_LOCK = st.one_of(damaged((HELD,), LOCK_PIECES), soup(LOCK_PIECES))
