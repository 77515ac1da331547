"""The styles of simulated supplies with one output that differ from what their dialect says of most."""

from __future__ import annotations

from dataclasses import replace

from bringup.simulation.style import Asked, Style, Told
from bringup.simulation.supply_styles import (
    CHANNEL_PREFIX,
    CLEAR_ERRORS,
    ERRORS,
    NUMBER,
    ONE,
    QUESTIONABLE,
    SELECTED_LEVELS,
    in_words,
)

_HELD = in_words({"off": "0", "voltage": "256", "current": "1024"})
_TELLS = (
    CLEAR_ERRORS,
    *SELECTED_LEVELS,
    Told("OUTPut[:STATe] {b}", "switch"),
    Told("[SOURce:]VOLTage:PROTection[:LEVel] {x}", "over_voltage"),
    Told("SYSTem:REMote", "nothing"),
    Told("SYSTem:LOCal", "nothing"),
)
_ASKS = (
    ERRORS,
    Asked("[SOURce:]VOLTage[:LEVel]?", "volts", NUMBER),
    Asked("[SOURce:]CURRent[:LEVel]?", "amps", NUMBER),
    Asked("[SOURce:]VOLTage:PROTection[:LEVel]?", "over_voltage", NUMBER),
    Asked("OUTPut[:STATe]?", "on", "0/1"),
    Asked("MEASure[:SCALar]:VOLTage[:DC]?", "measured volts", NUMBER),
    Asked("MEASure[:SCALar]:CURRent[:DC]?", "measured amps", NUMBER),
)

OVER_VOLTAGE_ONLY = Style(
    "single-output",
    "SUPPLY-1E",
    ONE,
    (
        *_TELLS,
        Told("[SOURce:]VOLTage:PROTection:STATe {b}", "over_voltage_on"),
        Told("[SOURce:]VOLTage:PROTection:CLEar", "clear"),
    ),
    (
        *_ASKS,
        Asked("[SOURce:]VOLTage:PROTection:STATe?", "over_voltage_on", "0/1"),
        Asked("[SOURce:]VOLTage:PROTection:TRIPped?", "tripped over-voltage", "0/1"),
        Asked(
            "STATus:QUEStionable:CONDition?",
            "mode",
            in_words({"off": "+0", "current": "+1", "voltage": "+2", "unregulated": "+3"}),
        ),
    ),
    re_energises=True,
)
OPERATION_WORD = Style(
    "single-output",
    "SUPPLY-1H",
    ONE,
    (
        *_TELLS,
        Told("[SOURce:]CURRent:PROTection:STATe {b}", "over_current_on"),
        Told("OUTPut:PROTection:CLEar", "clear"),
    ),
    (
        *_ASKS,
        Asked("[SOURce:]CURRent:PROTection:STATe?", "over_current_on", "0/1"),
        Asked("STATus:OPERation:CONDition?", "mode", _HELD),
        Asked(
            "STATus:QUEStionable:CONDition?",
            "trip",
            QUESTIONABLE,
        ),
    ),
    re_energises=True,
)
ONE_PROTECTION_CLEAR = Style(
    "single-output",
    "SUPPLY-1P",
    ONE,
    (
        *_TELLS,
        Told("[SOURce:]CURRent:PROTection[:LEVel] {x}", "over_current"),
        Told("[SOURce:]CURRent:PROTection:DELay {x}", "delay"),
        Told("[SOURce:]CURRent:PROTection:STATe {b}", "over_current_on"),
        Told("OUTPut:PROTection:CLEar", "clear"),
    ),
    (
        *_ASKS,
        Asked("[SOURce:]CURRent:PROTection[:LEVel]?", "over_current", NUMBER),
        Asked("[SOURce:]CURRent:PROTection:DELay?", "delay", NUMBER),
        Asked("[SOURce:]CURRent:PROTection:STATe?", "over_current_on", "0/1"),
        Asked("STATus:OPERation:CONDition?", "mode", _HELD),
        Asked("[SOURce:]VOLTage:PROTection:TRIPped?", "tripped over-voltage", "0/1"),
        Asked("[SOURce:]CURRent:PROTection:TRIPped?", "tripped over-current", "0/1"),
    ),
    re_energises=True,
)
TWO_OR_FOUR_WIRES = replace(
    CHANNEL_PREFIX, model="SUPPLY-1X", ratings=ONE, tells=(*CHANNEL_PREFIX.tells, Told("MODE:SET {wires}", "remote"))
)
