"""The styles of simulated supplies that keep to SCPI's words: what each one understands and how it answers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from bringup.simulation.style import Asked, Complains, Style, Told
from bringup.simulation.supply_levels import Rating

TWO = {1: Rating(36.0, 3.0), 2: Rating(36.0, 3.0)}
THREE = {**TWO, 3: Rating(6.0, 5.0)}
ONE = {1: Rating(36.0, 3.0)}
NUMBER = "{:+.8E}"


def error_quoted(value: Any) -> str:
    """`+0,"No error"`."""
    return f'{value[0]:+d},"{value[1]}"'


def error_bare(value: Any) -> str:
    """`0  No Error`, or `-113,Undefined header`."""
    return "0  No Error" if value[0] == 0 else f"{value[0]},{value[1]}"


def summary(value: Any) -> str:
    """One summary register: bit 0 the current is regulated, bit 1 the voltage is."""
    return {"off": "+0", "current": "+1", "voltage": "+2", "unregulated": "+3"}[value]


def in_words(words: Mapping[Any, str]) -> Any:
    """Return what writes a mode, or a trip (None: there is none), in words."""
    return lambda value: words[value]


QUESTIONABLE = in_words({None: "0", "over-voltage": "1", "over-current": "2"})
"""Bits 0 and 1 of the questionable status."""


ERRORS = Asked("SYSTem:ERRor[:NEXT]?", "error", error_quoted)
CLEAR_ERRORS = Told("*CLS", "clear errors")
SELECTED_LEVELS = (
    Told("[SOURce:]VOLTage[:LEVel] {x}", "volts"),
    Told("[SOURce:]CURRent[:LEVel] {x}", "amps"),
)
SELECTED_ASKED = (
    Asked("[SOURce:]VOLTage[:LEVel]?", "volts", NUMBER),
    Asked("[SOURce:]CURRent[:LEVel]?", "amps", NUMBER),
    Asked("MEASure:VOLTage?", "measured volts", NUMBER),
    Asked("MEASure:CURRent?", "measured amps", NUMBER),
    Asked("STATus:QUEStionable:INSTrument:ISUMmary{n}:CONDition?", "mode", summary),
    ERRORS,
)
BY_NUMBER = (Told("INSTrument:NSELect {n}", "select"), CLEAR_ERRORS, *SELECTED_LEVELS)

ONE_SWITCH_FOR_ALL = Style(
    "select-by-number",
    "SUPPLY-2A",
    TWO,
    (
        *BY_NUMBER,
        Told("OUTPut[:STATe] {b}", "switch"),
        Told("VOLTage:PROTection[:LEVel] {x}", "over_voltage"),
        Told("VOLTage:PROTection:STATe {b}", "over_voltage_on"),
        Told("VOLTage:PROTection:CLEar", "clear"),
        Told("SYSTem:REMote", "nothing"),
    ),
    (
        *SELECTED_ASKED,
        Asked("INSTrument:NSELect?", "selected", "{:+d}"),
        Asked("OUTPut[:STATe]?", "on", "0/1"),
        Asked("VOLTage:PROTection[:LEVel]?", "over_voltage", NUMBER),
        Asked("VOLTage:PROTection:STATe?", "over_voltage_on", "0/1"),
        Asked("VOLTage:PROTection:TRIPped?", "tripped over-voltage", "0/1"),
    ),
    selects=True,
    one_switch=True,
    re_energises=True,
)

SELECT_BY_NAME = Style(
    "select-by-name",
    "SUPPLY-2N",
    {1: Rating(6.0, 5.0), 2: Rating(36.0, 3.0)},
    (
        Told("INSTrument[:SELect] {name}", "select"),
        CLEAR_ERRORS,
        *SELECTED_LEVELS,
        Told("OUTPut[:STATe] {b}", "switch"),
        Told("SYSTem:REMote", "nothing"),
    ),
    (
        *SELECTED_ASKED,
        Asked("INSTrument[:SELect]?", "selected name"),
        Asked("OUTPut[:STATe]?", "on", "0/1"),
    ),
    names={1: "P6V", 2: "P25V"},
    selects=True,
    one_switch=True,
)

_LISTED = (
    CLEAR_ERRORS,
    Told("VOLTage[:LEVel] {x},(@{n})", "volts"),
    Told("CURRent[:LEVel] {x},(@{n})", "amps"),
    Told("OUTPut[:STATe] {b},(@{n})", "switch"),
    Told("VOLTage:PROTection[:LEVel] {x},(@{n})", "over_voltage"),
    Told("CURRent:PROTection:STATe {b},(@{n})", "over_current_on"),
    Told("OUTPut:PROTection:CLEar (@{n})", "clear"),
    Told("VOLTage:SENSe:SOURce {ext},(@{n})", "remote"),
)
_LISTED_ASKED = (
    ERRORS,
    Asked("VOLTage[:LEVel]? (@{n})", "volts", NUMBER),
    Asked("CURRent[:LEVel]? (@{n})", "amps", NUMBER),
    Asked("OUTPut[:STATe]? (@{n})", "on", "0/1"),
    Asked("VOLTage:PROTection[:LEVel]? (@{n})", "over_voltage", NUMBER),
    Asked("CURRent:PROTection:STATe? (@{n})", "over_current_on", "0/1"),
    Asked("MEASure:VOLTage? (@{n})", "measured volts", NUMBER),
    Asked("MEASure:CURRent? (@{n})", "measured amps", NUMBER),
    Asked("VOLTage:SENSe:SOURce? (@{n})", "remote", "INT/EXT"),
)
CHANNEL_LIST = Style(
    "channel-list",
    "SUPPLY-3L",
    THREE,
    _LISTED,
    (
        *_LISTED_ASKED,
        Asked("STATus:QUEStionable:INSTrument:ISUMmary{n}:CONDition?", "mode", summary),
        Asked("VOLTage:PROTection:TRIPped? (@{n})", "tripped over-voltage", "0/1"),
        Asked("CURRent:PROTection:TRIPped? (@{n})", "tripped over-current", "0/1"),
    ),
    re_energises=True,
)
MODULES = Style(
    "channel-list",
    "SUPPLY-3M",
    THREE,
    _LISTED,
    (
        *_LISTED_ASKED,
        Asked("STATus:OPERation:CONDition? (@{n})", "mode", in_words({"off": "4", "voltage": "1", "current": "2"})),
        Asked(
            "STATus:QUEStionable:CONDition? (@{n})",
            "trip",
            QUESTIONABLE,
        ),
    ),
    re_energises=True,
)

CHANNEL_PARAMETER = Style(
    "channel-parameter",
    "SUPPLY-3P",
    THREE,
    (
        CLEAR_ERRORS,
        Told("[:]SOURce{n}:VOLTage {x}", "volts"),
        Told("[:]SOURce{n}:CURRent {x}", "amps"),
        Told("[:]OUTPut[:STATe] CH{n},{b}", "switch"),
        Told("[:]OUTPut:OVP:VALue CH{n},{x}", "over_voltage"),
        Told("[:]OUTPut:OVP[:STATe] CH{n},{b}", "over_voltage_on"),
        Told("[:]OUTPut:OCP:VALue CH{n},{x}", "over_current"),
        Told("[:]OUTPut:OCP[:STATe] CH{n},{b}", "over_current_on"),
        Told("[:]OUTPut:OVP:CLEAR CH{n}", "clear"),
        Told("[:]OUTPut:OCP:CLEAR CH{n}", "clear"),
        Told("[:]OUTPut:SENSe CH{n},{b}", "remote"),
    ),
    (
        Asked("[:]SYSTem:ERRor?", "error", lambda value: error_quoted(value).removeprefix("+")),
        Asked("[:]SOURce{n}:VOLTage?", "volts", "{:.3f}"),
        Asked("[:]SOURce{n}:CURRent?", "amps", "{:.4f}"),
        Asked("[:]OUTPut[:STATe]? CH{n}", "on", "OFF/ON"),
        Asked("[:]OUTPut:OVP:VALue? CH{n}", "over_voltage", "{:.3f}"),
        Asked("[:]OUTPut:OVP[:STATe]? CH{n}", "over_voltage_on", "OFF/ON"),
        Asked("[:]OUTPut:OCP:VALue? CH{n}", "over_current", "{:.4f}"),
        Asked("[:]OUTPut:OCP[:STATe]? CH{n}", "over_current_on", "OFF/ON"),
        Asked("[:]OUTPut:OVP:QUES? CH{n}", "tripped over-voltage", "NO/YES"),
        Asked("[:]OUTPut:OCP:QUES? CH{n}", "tripped over-current", "NO/YES"),
        Asked("[:]OUTPut:CVCC? CH{n}", "mode", in_words({"off": "CV", "voltage": "CV", "current": "CC"})),
        Asked("[:]OUTPut:SENSe? CH{n}", "remote", "OFF/ON"),
        Asked(
            "[:]MEASure:ALL? CH{n}",
            "measured both",
            lambda value: f"{value[0]:.4f},{value[1]:.4f},{value[0] * value[1]:.3f}",  # type: ignore[index]
        ),
    ),
)


def _two_channels(value: Any) -> str:
    """Bits 0 and 1: in current limit; bits 2 and 3: 01, independent; bits 4 and 5: on. In hexadecimal."""
    word = 0x04
    for output, (on, mode, _) in value.items():
        word |= (mode == "current") << (output - 1) | on << (output + 3)
    return f"0x{word:x}"


CHANNEL_PREFIX = Style(
    "channel-prefix",
    "SUPPLY-2X",
    TWO,
    (
        Told("CH{n}:VOLTAGE {x}", "volts"),
        Told("CH{n}:CURRENT {x}", "amps"),
        Told("OUTPUT CH{n},{b}", "switch"),
    ),
    (
        Asked("SYSTEM:ERROR?", "error", error_bare),
        Asked("SYSTEM:STATUS?", "states", _two_channels),
        Asked("CH{n}:VOLTAGE?", "volts", "{:.3f}"),
        Asked("CH{n}:CURRENT?", "amps", "{:.3f}"),
        Asked("MEASURE:VOLTAGE? CH{n}", "measured volts", "{:.3f}"),
        Asked("MEASURE:CURRENT? CH{n}", "measured amps", "{:.3f}"),
    ),
    clamps=True,
)


def _two_stages(own: str, general: str, model: str) -> Style:
    return Style(
        "select-and-master",
        model,
        THREE,
        (
            *BY_NUMBER,
            Told(f"{own} {{b}}", "switch"),
            Told(f"{general} {{b}}", "master"),
            Told("VOLTage:PROTection[:LEVel] {x}", "over_voltage"),
            Told("FUSE[:STATe] {b}", "over_current_on"),
            Told("VOLTage:PROTection:CLEar", "clear"),
            Told("SYSTem:MIX", "nothing"),
        ),
        (
            *SELECTED_ASKED,
            Asked("INSTrument:NSELect?", "selected"),
            Asked(f"{own}?", "own", "0/1"),
            Asked(f"{general}?", "master", "0/1"),
            Asked("VOLTage:PROTection[:LEVel]?", "over_voltage", "{:.3f}"),
            Asked("VOLTage:PROTection:TRIPped?", "tripped over-voltage", "0/1"),
            Asked("FUSE[:STATe]?", "over_current_on", "0/1"),
            Asked("FUSE:TRIPped?", "tripped over-current", "0/1"),
        ),
        selects=True,
        master=True,
    )


SELECT_AND_MASTER = _two_stages("OUTPut:SELect", "OUTPut:GENeral", "SUPPLY-3G")
CHANNEL_AND_MASTER = _two_stages("OUTPut:CHANnel", "OUTPut:MASTer", "SUPPLY-3H")
OUTPUT_AND_GENERAL = _two_stages("OUTPut[:STATe]", "OUTPut:GENeral", "SUPPLY-3J")

NUMBER_IN_KEYWORD = Style(
    "number-in-keyword",
    "SUPPLY-3K",
    THREE,
    (
        CLEAR_ERRORS,
        Told("SOURce{n}:VOLTage {x}", "volts"),
        Told("SOURce{n}:CURRent {x}", "amps"),
        Told("OUTPut{n}[:STATe] {b}", "switch"),
        Told("OUTPut{n}:OVP {x}", "over_voltage"),
        Told("OUTPut{n}:OVP:STATe {b}", "over_voltage_on"),
    ),
    (
        ERRORS,
        Asked("SOURce{n}:VOLTage?", "volts", "{:.3f}"),
        Asked("SOURce{n}:CURRent?", "amps", "{:.4f}"),
        Asked("OUTPut{n}[:STATe]?", "on", "OFF/ON"),
        Asked("OUTPut{n}:OVP?", "over_voltage", "{:.3f}"),
        Asked("OUTPut{n}:OVP:STATe?", "over_voltage_on", "OFF/ON"),
        Asked("OUTPut{n}:OVP:TRIGer?", "tripped over-voltage", "0/1"),
        Asked("MEASure{n}:VOLTage?", "measured volts", "{:.4f}"),
        Asked("MEASure{n}:CURRent?", "measured amps", "{:.4f}"),
        Asked("MODE{n}?", "mode", in_words({"off": "CV", "voltage": "CV", "current": "CC"})),
    ),
)

OUTPUT_UNDER_CONF = Style(
    "output-under-conf",
    "SUPPLY-1C",
    ONE,
    (
        CLEAR_ERRORS,
        *SELECTED_LEVELS,
        Told("CONFigure:OUTPut {b}", "switch"),
        Told("CONFigure:REMote {b}", "nothing"),
    ),
    (*SELECTED_ASKED[:4], ERRORS, Asked("CONFigure:OUTPut?", "on", "OFF/ON")),
    complains=Complains.QUEUE,
    clamps=True,
)
