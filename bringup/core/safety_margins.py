"""Whether what drives a part stays within what it bears, and junctions within theirs: found before power. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.finding import Finding
from bringup.core.margins import dropouts, junctions, margins
from bringup.core.procedure import Procedure
from bringup.core.wording import shown


def examine_margins(procedure: Procedure) -> Iterator[Finding]:
    """Find ratings that are exceeded: refused if the nominal value is beyond, a warning if only the worst case is."""
    for margin in margins(procedure):
        if not margin.exceeded_at_worst and not margin.exceeded:
            continue
        rated, nominal, worst = (shown(value, margin.unit) for value in (margin.rated, margin.nominal, margin.worst))
        if margin.exceeded:
            message = f"{margin.name} bears {rated} and gets {nominal} from {margin.driver} (at worst {worst})"
            way_out = "Change the design, or correct the rating or what drives it in the board file."
            yield Finding(None, message, way_out, refused=True)
        else:
            message = f"{margin.name} bears {rated} and may get {worst} from {margin.driver} in the worst case"
            way_out = f"Nominally it gets {nominal}: closer tolerances, a lower voltage or another part."
            yield Finding(None, message, way_out, refused=False)


def examine_heat(procedure: Procedure) -> Iterator[Finding]:
    """Find junctions that would get too hot, and rails that may fall out of regulation: warnings all of them."""
    stated = any(rail.converter and rail.converter.thermal_resistance for rail in procedure.board.rails.values())
    for each in junctions(procedure) if stated else ():
        if each.hottest is not None and each.hottest > each.limit:
            message = (
                f"the converter of {each.rail} loses {shown(each.watts, 'W', 3)}: its junction would reach "
                f"{each.hottest:.0f} °C at {each.ambient:g} °C around it, above {each.limit:g} °C"
            )
            way_out = "Less load, less input voltage, or a part that is cooled better."
            yield Finding(None, message, way_out, refused=False)
    for rail, source, lowest, need in dropouts(procedure.board):
        message = (
            f"{rail} may fall out of regulation: it needs {shown(need, 'V')} of {source}, which may be as low as "
            f"{shown(lowest, 'V')}"
        )
        yield Finding(None, message, "A part with less dropout, or a higher or closer supply for it.", refused=False)
