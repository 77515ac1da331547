"""The styles of simulated supplies that go their own ways: locks, letters, colons, addresses."""

from __future__ import annotations

from typing import Any

from bringup.simulation.style import Asked, Complains, Style, Told
from bringup.simulation.supply_styles import (
    CLEAR_ERRORS,
    ERRORS,
    NUMBER,
    ONE,
    QUESTIONABLE,
    SELECTED_LEVELS,
    THREE,
    TWO,
    error_quoted,
    in_words,
)

LOCK_FIRST = Style(
    "lock-first",
    "SUPPLY-1L",
    ONE,
    (
        Told("SYSTem:LOCK {b}", "lock"),
        Told("[SOURce:]VOLTage {x}", "volts"),
        Told("[SOURce:]CURRent {x}", "amps"),
        Told("[SOURce:]VOLTage:PROTection {x}", "over_voltage"),
        Told("[SOURce:]CURRent:PROTection {x}", "over_current"),
        Told("OUTPut {b}", "switch"),
    ),
    (
        Asked("SYSTem:ERRor?", "error", lambda value: error_quoted(value).removeprefix("+")),
        Asked("SYSTem:LOCK:OWNer?", "locked", "NONE/REMOTE"),
        Asked("[SOURce:]VOLTage?", "volts", "{:.2f}V"),
        Asked("[SOURce:]CURRent?", "amps", "{:.3f}A"),
        Asked("[SOURce:]VOLTage:PROTection?", "over_voltage", "{:.2f}V"),
        Asked("[SOURce:]CURRent:PROTection?", "over_current", "{:.3f}A"),
        Asked("OUTPut?", "on", "OFF/ON"),
        Asked("MEASure:VOLTage?", "measured volts", "{:.2f}V"),
        Asked("MEASure:CURRent?", "measured amps", "{:.3f}A"),
        Asked("STATus:OPERation:CONDition?", "mode", in_words({"off": "0", "voltage": "256", "current": "512"})),
        Asked(
            "STATus:QUEStionable:CONDition?",
            "trip",
            QUESTIONABLE,
        ),
    ),
    locked=True,
    errors_clear_trips=True,
)

LETTER_AND_NUMBER = Style(
    "letter-and-number",
    "SUPPLY-2T",
    TWO,
    (
        Told("V{n} {x}", "volts"),
        Told("I{n} {x}", "amps"),
        Told("OVP{n} {x}", "over_voltage"),
        Told("OCP{n} {x}", "over_current"),
        Told("OP{n} {b}", "switch"),
        Told("OPALL {b}", "off"),
        Told("SENSE{n} {b}", "remote"),
        Told("TRIPRST", "clear"),
        Told("LOCAL", "nothing"),
    ),
    (
        Asked("V{n}?", "volts", "V{n} {:.3f}"),
        Asked("I{n}?", "amps", "I{n} {:.4f}"),
        Asked("OVP{n}?", "over_voltage", "VP{n} {:.2f}"),
        Asked("OCP{n}?", "over_current", "CP{n} {:.2f}"),
        Asked("OP{n}?", "on", "0/1"),
        Asked("V{n}O?", "measured volts", "{:.3f}V"),
        Asked("I{n}O?", "measured amps", "{:.3f}A"),
        Asked("LSR{n}?", "events"),
        Asked("EER?", "execution"),
        Asked("QER?", "query"),
    ),
    complains=Complains.REGISTERS,
)


def _two_in_a_byte(value: Any) -> str:
    """Bits 0 and 1: outputs 1 and 2 hold their voltage; bit 6: on."""
    word = 0
    for output, (on, mode, _) in value.items():
        word |= (mode != "current") << (output - 1) | on << 6
    return chr(word)


SET_COLON = Style(
    "set-colon",
    "SUPPLY-2C",
    TWO,
    (
        Told("VSET{n}:{x}", "volts"),
        Told("ISET{n}:{x}", "amps"),
        Told("OUT{b}", "switch"),
    ),
    (
        Asked("VSET{n}?", "volts", "{:05.2f}"),
        Asked("ISET{n}?", "amps", "{:.3f}"),
        Asked("VOUT{n}?", "measured volts", "{:05.2f}"),
        Asked("IOUT{n}?", "measured amps", "{:.3f}"),
        Asked("STATUS?", "states", _two_in_a_byte),
    ),
    one_switch=True,
    complains=Complains.NOWHERE,
    clamps=True,
    case_matters=True,
)


def _eight_characters(value: Any) -> str:
    """The first two: 1 where the outputs hold their voltage; independent; beeps; the sixth: on; the last two: speed."""
    modes = "".join("0" if mode == "current" else "1" for _, mode, _ in value.values())
    return f"{modes}011{int(any(on for on, _, _ in value.values()))}10"


SET_COLON_BITS = Style(
    "set-colon-bits",
    "SUPPLY-2B",
    TWO,
    (
        Told("VSET{n}:{x}", "volts"),
        Told("ISET{n}:{x}", "amps"),
        Told("OUT{b}", "switch"),
    ),
    (
        Asked("VSET{n}?", "volts", "{:.3f}V"),
        Asked("ISET{n}?", "amps", "{:.3f}A"),
        Asked("VOUT{n}?", "measured volts", "{:.3f}V"),
        Asked("IOUT{n}?", "measured amps", "{:.3f}A"),
        Asked("STATUS?", "states", _eight_characters),
    ),
    one_switch=True,
    complains=Complains.NOWHERE,
    clamps=True,
    case_matters=True,
)

_WITHOUT_PROTECTION = (
    Asked("[SOURce:]VOLTage[:LEVel]?", "volts", NUMBER),
    Asked("[SOURce:]CURRent[:LEVel]?", "amps", NUMBER),
    ERRORS,
)
NAMED_AND_MASTER = Style(
    "select-by-name-and-master",
    "SUPPLY-3W",
    THREE,
    (
        Told("INSTrument[:SELect] {name}", "select"),
        CLEAR_ERRORS,
        *SELECTED_LEVELS,
        Told("CHANnel:OUTPut[:STATe] {b}", "switch"),
        Told("OUTPut[:STATe] {b}", "master"),
        Told("SYSTem:REMote", "nothing"),
        Told("SYSTem:LOCal", "nothing"),
    ),
    (
        *_WITHOUT_PROTECTION,
        Asked("INSTrument[:SELect]?", "selected name"),
        Asked("CHANnel:OUTPut[:STATe]?", "own", "0/1"),
        Asked("OUTPut[:STATe]?", "master", "0/1"),
        Asked("MEASure:VOLTage? {name}", "measured volts", NUMBER),
        Asked("MEASure:CURRent? {name}", "measured amps", NUMBER),
    ),
    names={1: "CH1", 2: "CH2", 3: "CH3"},
    selects=True,
    master=True,
)
SELECT_BY_ORDINAL = Style(
    "select-by-ordinal",
    "SUPPLY-3F",
    THREE,
    (
        Told("INSTrument[:SELect] {name}", "select"),
        CLEAR_ERRORS,
        *SELECTED_LEVELS,
        Told("OUTPut[:STATe] {b}", "switch"),
        Told("SYSTem:REMote", "nothing"),
        Told("SYSTem:LOCal", "nothing"),
    ),
    (
        *_WITHOUT_PROTECTION,
        Asked("OUTPut[:STATe]?", "on", "0/1"),
        Asked("MEASure:VOLTage?", "measured volts", NUMBER),
        Asked("MEASure:CURRent?", "measured amps", NUMBER),
    ),
    names={1: "FIR", 2: "SECO", 3: "THI"},
    selects=True,
    one_switch=True,
)
OUT_AND_NUMBER = Style(
    "number-in-keyword",
    "SUPPLY-2Q",
    TWO,
    (
        CLEAR_ERRORS,
        Told("SOURce{n}:VOLTage {x}", "volts"),
        Told("SOURce{n}:CURRent {x}", "amps"),
        Told("OUT{n} {b}", "switch"),
    ),
    (
        ERRORS,
        Asked("SOURce{n}:VOLTage?", "volts", "{:.3f}"),
        Asked("SOURce{n}:CURRent?", "amps", "{:.4f}"),
        Asked("OUT{n}?", "on", "OFF/ON"),
        Asked("OUT{n}:STATus?", "mode", in_words({"off": "CV", "voltage": "CV", "current": "CC"})),
        Asked("MEASure{n}:VOLTage?", "measured volts", "{:.4f}"),
        Asked("MEASure{n}:CURRent?", "measured amps", "{:.4f}"),
    ),
)

ADDRESSED_LINE = Style(
    "addressed-line",
    "SUPPLY-1D",
    ONE,
    (
        Told("ADR {x}", "address"),
        Told("RMT {x}", "nothing"),
        Told("PV {x}", "volts"),
        Told("PC {x}", "amps"),
        Told("OVP {x}", "over_voltage"),
        Told("OUT {b}", "switch"),
    ),
    (
        Asked("PV?", "volts", "{:.3f}"),
        Asked("PC?", "amps", "{:.3f}"),
        Asked("OVP?", "over_voltage", "{:.2f}"),
        Asked("OUT?", "on", "OFF/ON"),
        Asked("MV?", "measured volts", "{:.3f}"),
        Asked("MC?", "measured amps", "{:.4f}"),
        Asked("MODE?", "mode", in_words({"off": "OFF", "voltage": "CV", "current": "CC"})),
        Asked("FLT?", "tripped over-voltage", "00/10"),
    ),
    complains=Complains.AT_ONCE,
    acknowledge="OK",
    identifies="IDN?",
    address=6,
)
