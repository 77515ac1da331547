"""The styles of simulated electronic loads: what each one understands and how it answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from bringup.simulation.load_style import LoadRating, LoadStyle
from bringup.simulation.style import Asked, Complains, Told
from bringup.simulation.supply_styles import error_quoted, in_words

SMALL = LoadRating(volts=120.0, amps=30.0, watts=150.0)
ONE = {1: SMALL}
TWO = {1: SMALL, 2: SMALL}
MODES = {"current": "CURRent", "resistance": "RESistance", "power": "POWer", "voltage": "VOLTage"}
NUMBER = "{:.4f}"


def _bits(of: Mapping[str, int]) -> Callable[[object], str]:
    """Return what writes a trip as the one bit of a status word that is its own."""
    return lambda trip: "0" if trip is None else str(1 << of[str(trip)])


def _levels(spelling: str, *, at: str = "") -> tuple[tuple[Told, ...], tuple[Asked, ...]]:
    """Return how the level of each mode is told and asked; `spelling` has # where the mode's word stands."""
    tells = tuple(Told(f"{spelling.replace('#', word)} {{x}}{at}", f"set {mode}") for mode, word in MODES.items())
    asked = at.replace(",", " ")
    asks = tuple(Asked(f"{spelling.replace('#', word)}?{asked}", f"set {mode}", NUMBER) for mode, word in MODES.items())
    return tells, asks


QUESTIONABLE = _bits({"over-voltage": 0, "over-current": 1, "over-power": 3, "over-temperature": 4})
ERRORS = Asked("SYSTem:ERRor[:NEXT]?", "error", error_quoted)
SHORT = {"current": "CURR", "resistance": "RES", "power": "POW", "voltage": "VOLT"}

_tells, _asks = _levels("[SOURce:]#[:LEVel][:IMMediate]")
FUNCTION_AND_INPUT = LoadStyle(
    "function-and-input",
    "LOAD-1",
    ONE,
    (
        *(Told(f"[SOURce:]FUNCtion {word}", f"mode {mode}") for mode, word in MODES.items()),
        *_tells,
        Told("[SOURce:]CURRent:RANGe {x}", "range current"),
        Told("[SOURce:]VOLTage[:LEVel]:ON {x}", "stop"),
        Told("REMote:SENSe {b}", "remote"),
        Told("[SOURce:]CURRent:PROTection[:LEVel] {x}", "protect current"),
        Told("[SOURce:]CURRent:PROTection:STATe {b}", "over_current_on"),
        Told("[SOURce:]POWer:PROTection[:LEVel] {x}", "protect power"),
        Told("INPut[:STATe] {b}", "switch"),
        Told("INPut:PROTection:CLEar", "clear"),
        Told("SYSTem:REMote", "nothing"),
        Told("SYSTem:LOCal", "nothing"),
    ),
    (
        Asked("[SOURce:]FUNCtion?", "mode", in_words({mode: word.upper() for mode, word in MODES.items()})),
        *_asks,
        Asked("[SOURce:]CURRent:RANGe?", "range current", NUMBER),
        Asked("[SOURce:]VOLTage[:LEVel]:ON?", "stop", NUMBER),
        Asked("REMote:SENSe?", "remote", "0/1"),
        Asked("[SOURce:]CURRent:PROTection[:LEVel]?", "protect current", NUMBER),
        Asked("[SOURce:]CURRent:PROTection:STATe?", "over_current_on", "0/1"),
        Asked("[SOURce:]POWer:PROTection[:LEVel]?", "protect power", NUMBER),
        Asked("INPut[:STATe]?", "on", "0/1"),
        Asked("MEASure[:SCALar]:VOLTage[:DC]?", "measured volts", NUMBER),
        Asked("MEASure[:SCALar]:CURRent[:DC]?", "measured amps", NUMBER),
        Asked("MEASure[:SCALar]:POWer[:DC]?", "measured watts", NUMBER),
        Asked("STATus:QUEStionable:CONDition?", "trip", QUESTIONABLE),
        ERRORS,
    ),
    range_rescales=True,
    re_energises=True,
)

_tells, _asks = _levels("[SOURce:]#[:LEVel]", at=",(@{n})")
FUNCTION_BY_CHANNEL_LIST = LoadStyle(
    "function-by-channel-list",
    "LOAD-2",
    TWO,
    (
        *(Told(f"[SOURce:]FUNCtion {word},(@{{n}})", f"mode {mode}") for mode, word in MODES.items()),
        *_tells,
        *(
            Told(f"[SOURce:]{MODES[mode]}:RANGe {{x}},(@{{n}})", f"range {mode}")
            for mode in ("current", "resistance", "power")
        ),
        Told("[SOURce:]VOLTage:INHibit:VON {x},(@{n})", "stop"),
        Told("[SOURce:]VOLTage:SENSe:SOURce {ext},(@{n})", "remote"),
        Told("[SOURce:]CURRent:PROTection:STATe {b},(@{n})", "over_current_on"),
        Told("INPut[:STATe] {b},(@{n})", "switch"),
        Told("INPut:PROTection:CLEar (@{n})", "clear"),
    ),
    (
        Asked("[SOURce:]FUNCtion? (@{n})", "mode", in_words(SHORT)),
        *_asks,
        *(
            Asked(f"[SOURce:]{MODES[mode]}:RANGe? (@{{n}})", f"range {mode}", NUMBER)
            for mode in ("current", "resistance", "power")
        ),
        Asked("[SOURce:]VOLTage:INHibit:VON? (@{n})", "stop", NUMBER),
        Asked("[SOURce:]VOLTage:SENSe:SOURce? (@{n})", "remote", "INT/EXT"),
        Asked("[SOURce:]CURRent:PROTection:STATe? (@{n})", "over_current_on", "0/1"),
        Asked("INPut[:STATe]? (@{n})", "on", "0/1"),
        Asked("MEASure[:SCALar]:VOLTage[:DC]? (@{n})", "measured volts", NUMBER),
        Asked("MEASure[:SCALar]:CURRent[:DC]? (@{n})", "measured amps", NUMBER),
        Asked("MEASure[:SCALar]:POWer[:DC]? (@{n})", "measured watts", NUMBER),
        Asked("STATus:QUEStionable:CONDition? (@{n})", "trip", QUESTIONABLE),
        ERRORS,
    ),
    re_energises=True,
)

_tells, _asks = _levels(":SOURce:#:LEVel:IMMediate")
_UNDER_SOURCE = (
    *(Told(f":SOURce:FUNCtion {word}", f"mode {mode}") for mode, word in MODES.items()),
    *_tells,
    *(Told(f":SOURce:{MODES[mode]}:RANGe {{x}}", f"range {mode}") for mode in ("current", "resistance", "voltage")),
    Told(":SOURce:SENSe {b}", "remote"),
    Told(":SOURce:INPut:STATe {b}", "switch"),
)
_ASKED_UNDER_SOURCE = (
    Asked(":SOURce:FUNCtion?", "mode", in_words({"current": "CC", "resistance": "CR", "power": "CP", "voltage": "CV"})),
    *_asks,
    *(Asked(f":SOURce:{MODES[mode]}:RANGe?", f"range {mode}", NUMBER) for mode in ("current", "resistance", "voltage")),
    Asked(":SOURce:SENSe?", "remote", "0/1"),
    Asked(":SOURce:INPut:STATe?", "on", "0/1"),
    Asked(":MEASure:VOLTage[:DC]?", "measured volts", NUMBER),
    Asked(":MEASure:CURRent[:DC]?", "measured amps", NUMBER),
    Asked(":MEASure:POWer[:DC]?", "measured watts", NUMBER),
    Asked(":SYSTem:ERRor[:NEXT]?", "error", lambda value: error_quoted(value).removeprefix("+")),
)
FUNCTION_UNDER_SOURCE = LoadStyle(
    "function-under-source",
    "LOAD-3",
    ONE,
    (*_UNDER_SOURCE, Told(":SOURce:CURRent:VON {x}", "stop")),
    (*_ASKED_UNDER_SOURCE, Asked(":SOURce:CURRent:VON?", "stop", NUMBER)),
)
STOPS_IN_EVERY_FUNCTION = LoadStyle(
    "function-under-source",
    "LOAD-3S",
    ONE,
    (*_UNDER_SOURCE, Told(":SOURce:VOLTage:LEVel:ON {x}", "stop")),
    (*_ASKED_UNDER_SOURCE, Asked(":SOURce:VOLTage:LEVel:ON?", "stop", NUMBER)),
)

_LETTERS = {"current": "CC", "resistance": "CR", "power": "CP", "voltage": "CV"}
_tells, _asks = _levels("#:STATic:L1")
CHANNEL_AND_MODE = LoadStyle(
    "channel-and-mode",
    "LOAD-4",
    TWO,
    (
        Told("CHANnel {n}", "select"),
        *(Told(f"MODE {two}{scale}", f"mode {mode}") for mode, two in _LETTERS.items() for scale in "LMH"),
        *_tells,
        Told("CONFigure:VOLTage:ON {x}", "stop"),
        Told("CONFigure:REMote {b}", "nothing"),
        Told("LOAD[:STATe] {b}", "switch"),
        Told("LOAD:PROTection:CLEar", "clear"),
    ),
    (
        Asked("CHANnel?", "selected"),
        Asked("MODE?", "mode", in_words({mode: f"{two}H" for mode, two in _LETTERS.items()})),
        *_asks,
        Asked("CONFigure:VOLTage:ON?", "stop", NUMBER),
        Asked("LOAD[:STATe]?", "on", "OFF/ON"),
        Asked("MEASure:VOLTage?", "measured volts", NUMBER),
        Asked("MEASure:CURRent?", "measured amps", NUMBER),
        Asked("MEASure:POWer?", "measured watts", NUMBER),
        Asked(
            "STATus:CHANnel:CONDition?",
            "trip",
            _bits({"over-current": 0, "over-voltage": 1, "over-power": 2, "over-temperature": 4}),
        ),
        ERRORS,
    ),
    selects=True,
    re_energises=True,
)


def _with_unit(value: Any) -> str:
    """`A 1.5000A`: the level in the unit of the mode."""
    level, mode = value
    unit = {"current": "A", "resistance": "OHM", "power": "W", "voltage": "V"}[mode]
    return f"A {level:.4f}{unit}"


MODE_LETTER = LoadStyle(
    "mode-letter",
    "LOAD-5",
    ONE,
    (
        *(Told(f"MODE {mode[0].upper()}", f"mode {mode}") for mode in MODES),
        Told("LVLSEL A", "nothing"),
        Told("A {x}", "set level"),
        Told("DROP {x}", "stop"),
        Told("INP {b}", "switch"),
        Told("LOCAL", "nothing"),
    ),
    (
        Asked("MODE?", "mode", in_words({mode: f"MODE {mode[0].upper()}" for mode in MODES})),
        Asked("A?", "set level", _with_unit),
        Asked("DROP?", "stop", "DROP {:.3f}V"),
        Asked("INP?", "on", "INP 0/INP 1"),
        Asked("V?", "measured volts", "{:.3f}V"),
        Asked("I?", "measured amps", "{:.4f}A"),
        Asked("EER?", "execution"),
        Asked("QER?", "query"),
    ),
    mode_switches_off=True,
    complains=Complains.REGISTERS,
)

LOAD_STYLES = (
    FUNCTION_AND_INPUT,
    FUNCTION_BY_CHANNEL_LIST,
    FUNCTION_UNDER_SOURCE,
    CHANNEL_AND_MODE,
    MODE_LETTER,
)
