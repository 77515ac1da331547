"""The styles of simulated meters: what each one understands and how it answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from bringup.simulation.figures import nr3
from bringup.simulation.meter_style import UNITS, Measures, MeterStyle
from bringup.simulation.style import Asked, Complains, Told
from bringup.simulation.supply_styles import error_quoted

M = Measures
DECADES: Mapping[Measures, tuple[float, ...]] = {
    M.DCV: (0.1, 1.0, 10.0, 100.0, 1000.0),
    M.DCI: (0.01, 0.1, 1.0, 3.0),
    M.OHM: (1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
    M.OHM4: (1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
}
TWOS: Mapping[Measures, tuple[float, ...]] = {
    M.DCV: (0.2, 2.0, 20.0, 200.0, 1000.0),
    M.DCI: (2e-4, 2e-3, 2e-2, 0.2, 2.0, 10.0),
    M.OHM: (2e2, 2e3, 2e4, 2e5, 1e6, 1e7, 1e8),
    M.OHM4: (2e2, 2e3, 2e4, 2e5, 1e6, 1e7, 1e8),
}
NODES = {
    M.DCV: "VOLTage[:DC]",
    M.ACV: "VOLTage:AC",
    M.DCI: "CURRent[:DC]",
    M.ACI: "CURRent:AC",
    M.OHM: "RESistance",
    M.OHM4: "FRESistance",
    M.CAP: "CAPacitance",
    M.DIODE: "DIODe",
    M.FREQ: "FREQuency",
    M.TEMP: "TEMPerature",
}
RANGED = (M.DCV, M.DCI, M.OHM, M.OHM4)
HUNTING = (*RANGED, M.ACV, M.ACI, M.CAP)
"""What has ranges, fixed or found by itself."""
SMALL = 1e-12
ERROR = Asked("[:]SYSTem:ERRor[:NEXT]?", "error", error_quoted)


def plain(value: float, measures: Measures, asked: bool) -> str:
    """`+3.306120E+00`."""
    del asked
    return nr3(value, 1e-5 if measures in (M.DCV, M.OHM, M.OHM4) else SMALL)


def with_unit(value: float, measures: Measures, asked: bool) -> str:
    """`+3.3061E+00 VDC`, until plain numbers were asked for."""
    number = plain(value, measures, asked)
    return number if asked else f"{number} {UNITS[measures]}"


def elements(value: float, measures: Measures, asked: bool) -> str:
    """`+3.3061E+00VDC,+0.5SECS,+00001RDNG#`, until the reading alone was asked for."""
    number = plain(value, measures, asked)
    return number if asked else f"{number}{UNITS[measures]},+0.532SECS,+00001RDNG#"


def headed(value: float, measures: Measures, asked: bool) -> str:
    """`VOLT:DC,+3306.12mV,AUTO,2V`: the function first, with an SI prefix, in volts and ohms."""
    if measures is M.DCV:
        return f"VOLT:DC,{value * 1e3:+.2f}mV,AUTO,20V"
    if measures is M.OHM:
        return f"RES,{value / 1e3:+.4f}K Ohm,AUTO,20KOhm"
    return plain(value, measures, asked)


def _each(form: str, does: str, among: tuple[Measures, ...] = tuple(NODES)) -> tuple[Told, ...]:
    """Return one line of the table for each of these: `<>` stands for how it is written, `<.>` for its name here."""
    return tuple(Told(form.replace("<>", NODES[one]), does.replace("<.>", one)) for one in among)


def _in_quotes(spelt: Mapping[Measures, str]) -> Callable[[Any], str]:
    return lambda value: f'"{spelt[value]}"'


SPELT = {
    M.DCV: "VOLT:DC",
    M.ACV: "VOLT:AC",
    M.DCI: "CURR:DC",
    M.ACI: "CURR:AC",
    M.OHM: "RES",
    M.OHM4: "FRES",
    M.CAP: "CAP",
    M.DIODE: "DIOD",
    M.FREQ: "FREQ",
    M.TEMP: "TEMP",
}

CONFIGURE_AND_READ = MeterStyle(
    "configure-and-read",
    "METER-11",
    (
        *_each("CONFigure:<>", "configure <.>"),
        *_each("CONFigure:<> DEF", "configure <.>", HUNTING),
        *_each("CONFigure:<> {x}", "configure <.>, range", RANGED),
        *_each("[SENSe:]<>:NPLCycles {x}", "needs <.>, cycles", RANGED),
        Told("[SENSe:]VOLTage[:DC]:IMPedance:AUTO ON", "high on"),
        Told("[SENSe:]VOLTage[:DC]:IMPedance:AUTO OFF", "high off"),
    ),
    (ERROR, Asked("READ?", "fresh")),
    plain,
    scales=DECADES,
    starts_high=True,
)
OLDER_IMPEDANCE = replace(
    CONFIGURE_AND_READ,
    model="METER-10",
    tells=(
        *(each for each in CONFIGURE_AND_READ.tells if "IMPedance" not in each.pattern),
        Told("INPut:IMPedance:AUTO ON", "high on"),
        Told("INPut:IMPedance:AUTO OFF", "high off"),
    ),
)

FEWER_FUNCTIONS = replace(
    OLDER_IMPEDANCE,
    model="METER-12",
    tells=tuple(
        each for each in OLDER_IMPEDANCE.tells if "CAPacitance" not in each.pattern and "TEMP" not in each.pattern
    ),
)

_SET = (
    *_each("[:SENSe:]<>:RANGe[:UPPer] {x}", "needs <.>, range", RANGED),
    *_each("[:SENSe:]<>:RANGe:AUTO ON", "needs <.>, auto", HUNTING),
    *_each("[:SENSe:]<>:NPLCycles {x}", "needs <.>, cycles", RANGED),
)
FUNCTION_AND_READ = MeterStyle(
    "function-and-read",
    "METER-20",
    (
        *_each('[:SENSe:]FUNCtion "<>"', "set <.>"),
        *_SET,
        *_each("[:SENSe:]<>:AZERo ON", "needs <.>, zero on", RANGED),
        Told("[:SENSe:]VOLTage[:DC]:INPut AUTO", "high on"),
        Told("[:SENSe:]VOLTage[:DC]:INPut MOHM10", "high off"),
    ),
    (ERROR, Asked("[:SENSe:]FUNCtion?", "function", _in_quotes(SPELT)), Asked("[:]READ?", "fresh")),
    plain,
    scales=DECADES,
    starts_high=True,
)
CONTINUOUS = replace(
    FUNCTION_AND_READ,
    model="METER-21",
    tells=(
        *(each for each in FUNCTION_AND_READ.tells if "INPut" not in each.pattern and "AZERo" not in each.pattern),
        Told("[:]SYSTem:AZERo:STATe ON", "zero on"),
        Told("[:]INITiate:CONTinuous OFF", "stop"),
        Told("[:]FORMat:ELEMents READ", "plain"),
    ),
    form=elements,
    over=("+9.9E37", "+9.9E37"),
    starts_continuous=True,
    starts_high=False,
)

WITH_DIVIDER = replace(
    CONTINUOUS,
    model="METER-22",
    tells=(
        *CONTINUOUS.tells,
        Told("[:SENSe:]VOLTage[:DC]:IDIVider ON", "high off"),
        Told("[:SENSe:]VOLTage[:DC]:IDIVider OFF", "high on"),
    ),
    starts_high=True,
)

SELECT_AND_QUERY = MeterStyle(
    "select-and-query",
    "METER-30",
    (
        *_each(":FUNCtion:<>", "set <.>"),
        *_each(":MEASure:<> {x}", "set <.>, range-number 0", RANGED),
        Told(":MEASure AUTO", "auto"),
        *(
            Told(f":RATE:{NODES[one]} {speed}", f"needs {one}, speed {speed}")
            for one in (*RANGED, M.ACV, M.ACI)
            for speed in "SMF"
        ),
        Told(":MEASure:VOLTage:DC:IMPedance 10G", "high on"),
        Told(":MEASure:VOLTage:DC:IMPedance 10M", "high off"),
    ),
    tuple(Asked(f":MEASure:{node}?", f"shown {one}") for one, node in NODES.items()),
    plain,
    scales=TWOS,
    seconds=0.4,
    speeds={"S": 0.4, "M": 0.05, "F": 0.0081},
    free_running=True,
    starts_high=True,
    complains=Complains.NOWHERE,
)

SHORT = {
    M.DCV: "VDC",
    M.ACV: "VAC",
    M.DCI: "ADC",
    M.ACI: "AAC",
    M.OHM: "OHMS",
    M.OHM4: "OHMS",
    M.DIODE: "DIODE",
    M.FREQ: "FREQ",
}
SHORT_WORDS = MeterStyle(
    "short-words",
    "METER-40",
    (
        *(Told(word, f"set {one}") for one, word in SHORT.items() if one is not M.OHM4),
        Told("RANGE {x}", "range-number 1"),
        Told("AUTO", "auto"),
        Told("WIRE4", "set OHM4"),
        Told("WIRE2", "set OHM"),
        *(Told(f"RATE {speed}", f"speed {speed}") for speed in "SMF"),
        Told("FORMAT 1", "plain"),
    ),
    (Asked("FUNC1?", "function", lambda value: SHORT[value]), Asked("VAL1?", "shown"), Asked("MEAS1?", "next")),  # type: ignore[index]
    with_unit,
    over=("+1E+9", "-1E+9"),
    scales=TWOS,
    seconds=0.4,
    speeds={"S": 0.4, "M": 0.05, "F": 0.01},
    free_running=True,
    complains=Complains.AT_ONCE,
    acknowledge="=>",
)
TWO_WIRES_ONLY = replace(
    SHORT_WORDS,
    model="METER-41",
    tells=tuple(each for each in SHORT_WORDS.tells if not each.pattern.startswith("WIRE")),
)

_VALUES = {M.DCV: (0.5, 5.0, 50.0, 500.0)}
_WORDS = {
    M.DCV: "VOLT",
    M.ACV: "VOLT AC",
    M.DCI: "CURR",
    M.ACI: "CURR AC",
    M.OHM: "RES",
    M.OHM4: "FRES",
    M.CAP: "CAP",
    M.DIODE: "DIOD",
    M.FREQ: "FREQ",
    M.TEMP: "TEMP",
}
_CONFIGURED = (
    *_each("CONFigure:<>", "set <.>, auto"),
    *_each("CONFigure:<> AUTO", "set <.>, auto", HUNTING),
    *_each("CONFigure:<> {x}", "set <.>, range", (M.DCV,)),
)
CONFIGURE_AND_VALUE = MeterStyle(
    "configure-and-value",
    "METER-50",
    (*_CONFIGURED, *(Told(f"RATE {speed}", f"speed {speed}") for speed in "SMF")),
    (Asked("MEASure?", "shown"), Asked("FUNCtion?", "function", _in_quotes(_WORDS))),
    plain,
    over=("+1E+9", "-1E+9"),
    scales=_VALUES,
    seconds=0.4,
    speeds={"S": 0.4, "M": 0.2, "F": 0.05},
    free_running=True,
    complains=Complains.NOWHERE,
)
HEADED = replace(CONFIGURE_AND_VALUE, model="METER-52", form=headed, over=("Open", "-Open"))
VALUE_1 = replace(
    CONFIGURE_AND_VALUE,
    model="METER-51",
    tells=(*_CONFIGURED, *(Told(f"SENSe:DETector:RATE {speed}", f"speed {speed}") for speed in "SMF")),
    asks=(ERROR, Asked("VAL1?", "shown")),
    complains=Complains.QUEUE,
)

FUNCTION_AND_FETCH = MeterStyle(
    "function-and-fetch",
    "METER-60",
    (
        *_each("FUNCtion <>", "set <.>", tuple(one for one in NODES if one not in (M.CAP, M.OHM4, M.TEMP))),
        *_each("<>:RANGe {x}", "needs <.>, range", (M.DCV, M.OHM)),
        *_each("<>:RANGe:AUTO 1", "needs <.>, auto", HUNTING),
        *_each("<>:NPLCycles {x}", "needs <.>, cycles", (*RANGED, M.ACV, M.ACI)),
    ),
    (Asked("FETCh?", "shown"), Asked("FUNCtion?", "function", lambda value: SPELT[value].lower())),  # type: ignore[index]
    plain,
    scales={M.DCV: (0.2, 2.0, 20.0, 200.0, 1000.0), M.OHM: (2e2, 2e3, 2e4, 2e5, 2e6, 2e7)},
    free_running=True,
    complains=Complains.NOWHERE,
)
METER_STYLES = (FUNCTION_AND_READ, SELECT_AND_QUERY, SHORT_WORDS, CONFIGURE_AND_VALUE, FUNCTION_AND_FETCH)
"""Those that stand for their dialect on a simulated bench; METER-1 does for configure-and-read."""
