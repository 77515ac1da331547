"""The styles of simulated scopes: what each understands and how it answers, from command lists, in style.py's way.

Actions and questions of a StyledScope: `show`, `couple`, `limit`, `probe`, `scale`, `time base`, `sweep`; of a channel,
`{n}`, where the spelling names one. `acquire`, `acquire single` (never without a trigger), `force`; `running` (bit 3),
`state` ('ended/under way'), `done` (answered once it is), `place on`, `source`,
`quantity`, `measure`, `result`, `picture`. Words beside numbers are 'OFF/ON'.
"""

from __future__ import annotations

from collections.abc import Mapping

from bringup.core.frozen import frozen
from bringup.simulation.style import Asked, Complains, Told


@frozen
class ScopeStyle:
    """One style."""

    name: str
    """That of the dialect that is meant to speak to it."""
    model: str
    tells: tuple[Told, ...]
    asks: tuple[Asked, ...]
    words: Mapping[str, tuple[str, str]]
    """Setting -> its words for off and on."""
    nothing: str
    """What it answers where nothing can be measured."""
    picture: str = "png"
    chooses: tuple[str, ...] = ("place on", "source", "quantity")
    """What has to be told before there is a `result`."""
    channels: int = 4
    divisions: int = 8
    complains: Complains = Complains.QUEUE
    acknowledge: str = ""


ERROR = Asked("[:]SYSTem:ERRor?", "error", '{0[0]:+d},"{0[1]}"')

VPP_BY_CHANNEL = ScopeStyle(
    "vpp-by-channel",
    "SCOPE-10",
    (
        Told(":CHANnel{n}:DISPlay {word}", "show"),
        Told(":CHANnel{n}:COUPling {word}", "couple"),
        Told(":CHANnel{n}:BWLimit {word}", "limit"),
        Told(":CHANnel{n}:PROBe {x}", "probe"),
        Told(":CHANnel{n}:SCALe {x}", "scale"),
        Told(":TIMebase:SCALe {x}", "time base"),
        Told(":TRIGger:SWEep {word}", "sweep"),
        Told(":SINGle", "acquire"),
    ),
    (
        ERROR,
        Asked(":CHANnel{n}:DISPlay?", "show"),
        Asked(":CHANnel{n}:COUPling?", "couple"),
        Asked(":CHANnel{n}:BWLimit?", "limit"),
        Asked(":CHANnel{n}:PROBe?", "probe", "{:+.6E}"),
        Asked(":CHANnel{n}:SCALe?", "scale", "{:+.6E}"),
        Asked(":TIMebase:SCALe?", "time base", "{:+.6E}"),
        Asked(":TRIGger:SWEep?", "sweep"),
        Asked(":OPERegister:CONDition?", "running", "{:+d}"),
        Asked(":MEASure:VPP? CHANnel{n}", "measure", "{:+.6E}"),
        Asked(":DISPlay:DATA? PNG,COLor", "picture"),
    ),
    {"show": ("0", "1"), "couple": ("DC", "AC"), "limit": ("0", "1"), "sweep": ("NORM", "AUTO")},
    "+9.9E+37",
)
MEASUREMENT_PLACE = ScopeStyle(
    "measurement-place",
    "SCOPE-20",
    (
        Told("CHANnel{n}:STATe {word}", "show"),
        Told("CHANnel{n}:COUPling {word}", "couple"),
        Told("CHANnel{n}:BANDwidth {word}", "limit"),
        Told("PROBe{n}:SETup:ATTenuation:MANual {x}", "probe"),
        Told("CHANnel{n}:SCALe {x}", "scale"),
        Told("TIMebase:SCALe {x}", "time base"),
        Told("TRIGger:A:MODE {word}", "sweep"),
        Told("SINGle", "acquire"),
        Told("MEASurement1:ENABle ON", "place on"),
        Told("MEASurement1:SOURce CH{n}", "source"),
        Told("MEASurement1:MAIN PEAK", "quantity"),
    ),
    (
        ERROR,
        Asked("CHANnel{n}:STATe?", "show"),
        Asked("CHANnel{n}:COUPling?", "couple"),
        Asked("CHANnel{n}:BANDwidth?", "limit"),
        Asked("PROBe{n}:SETup:ATTenuation:MANual?", "probe", "{:.3E}"),
        Asked("CHANnel{n}:SCALe?", "scale", "{:.3E}"),
        Asked("TIMebase:SCALe?", "time base", "{:.3E}"),
        Asked("TRIGger:A:MODE?", "sweep"),
        Asked("*OPC?", "done"),
        Asked("MEASurement1:RESult?", "result", "{:.5E}"),
        Asked("HCOPy:DATA?", "picture"),
    ),
    {"show": ("OFF", "ON"), "couple": ("DCL", "ACL"), "limit": ("FULL", "B20"), "sweep": ("NORM", "AUTO")},
    "9.91E37",
    picture="bmp",
)
ITEM_BY_CHANNEL = ScopeStyle(
    "item-by-channel",
    "SCOPE-30",
    (
        Told("[:]CHANnel{n}:DISPlay {word}", "show"),
        Told("[:]CHANnel{n}:COUPling {word}", "couple"),
        Told("[:]CHANnel{n}:BWLimit {word}", "limit"),
        Told("[:]CHANnel{n}:PROBe {x}", "probe"),
        Told("[:]CHANnel{n}:SCALe {x}", "scale"),
        Told("[:]TIMebase[:MAIN]:SCALe {x}", "time base"),
        Told("[:]TRIGger:SWEep {word}", "sweep"),
        Told("[:]SINGle", "acquire single"),
        Told("[:]TFORce", "force"),
    ),
    (
        ERROR,
        Asked("[:]CHANnel{n}:DISPlay?", "show"),
        Asked("[:]CHANnel{n}:COUPling?", "couple"),
        Asked("[:]CHANnel{n}:BWLimit?", "limit"),
        Asked("[:]CHANnel{n}:PROBe?", "probe", "{:.6e}"),
        Asked("[:]CHANnel{n}:SCALe?", "scale", "{:.6e}"),
        Asked("[:]TIMebase[:MAIN]:SCALe?", "time base", "{:.7e}"),
        Asked("[:]TRIGger:SWEep?", "sweep"),
        Asked("[:]TRIGger:STATus?", "state", "STOP/RUN"),
        Asked("[:]MEASure:ITEM? VPP,CHANnel{n}", "measure", "{:.6e}"),
        Asked("[:]DISPlay:DATA?", "picture"),
    ),
    {"show": ("0", "1"), "couple": ("DC", "AC"), "limit": ("OFF", "20M"), "sweep": ("NORM", "AUTO")},
    "9.9E37",
    picture="bmp",
)
SIMPLE_ITEM = ScopeStyle(
    "simple-item",
    "SCOPE-40",
    (
        Told(":CHANnel{n}:SWITch {word}", "show"),
        Told(":CHANnel{n}:COUPling {word}", "couple"),
        Told(":CHANnel{n}:BWLimit {word}", "limit"),
        Told(":CHANnel{n}:PROBe VALue,{x}", "probe"),
        Told(":CHANnel{n}:SCALe {x}", "scale"),
        Told(":TIMebase:SCALe {x}", "time base"),
        Told(":TRIGger:MODE FTRIG", "force"),
        Told(":TRIGger:MODE {word}", "sweep"),
        Told(":MEASure ON", "measures"),
        Told(":MEASure:MODE SIMPle", "simple"),
        Told(":MEASure:SIMPle:SOURce C{n}", "source"),
        Told(":MEASure:SIMPle:ITEM PKPK,ON", "quantity"),
    ),
    (
        Asked(":CHANnel{n}:SWITch?", "show"),
        Asked(":CHANnel{n}:COUPling?", "couple"),
        Asked(":CHANnel{n}:BWLimit?", "limit"),
        Asked(":CHANnel{n}:PROBe?", "probe", "VALUE,{:.2E}"),
        Asked(":CHANnel{n}:SCALe?", "scale", "{:.2E}"),
        Asked(":TIMebase:SCALe?", "time base", "{:.2E}"),
        Asked(":TRIGger:MODE?", "sweep"),
        Asked(":TRIGger:STATus?", "state", "Stop/Ready"),
        Asked(":MEASure:SIMPle:VALue? PKPK", "result", "{:.5E}"),
    ),
    {"show": ("OFF", "ON"), "couple": ("DC", "AC"), "limit": ("FULL", "20M"), "sweep": ("NORM", "AUTO")},
    "****",
    complains=Complains.NOWHERE,
    chooses=("measures", "simple", "source", "quantity"),
)

SCOPE_STYLES: Mapping[str, ScopeStyle] = {
    style.name: style for style in (VPP_BY_CHANNEL, MEASUREMENT_PLACE, ITEM_BY_CHANNEL, SIMPLE_ITEM)
}
"""Dialect -> the style that a simulated bench takes for it."""
