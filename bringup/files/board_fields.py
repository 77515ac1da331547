"""The table of fields, continued: what a board file holds. See fields.py."""

from __future__ import annotations

from dataclasses import replace

from bringup.core.board import Across, ConverterKind, Tolerances
from bringup.core.decision import RuleKind
from bringup.files.alternatives import Either
from bringup.files.amounts import Amount, Limit, Part, PerWatt
from bringup.files.atoms import AMPERES, FARADS, NAME, OHMS, SECONDS, TEXTS, VOLTS
from bringup.files.sections import ByName, Field, Section, Several
from bringup.files.shapes import Number, OneOf, Pattern

LOAD_VALUE = Amount(("A", "ohm", "W"), least="zero")

# fmt: off
CONVERTER = Section("converter", "What makes a rail from what feeds it.", (
    Field("kind", OneOf(tuple(ConverterKind)), "how it converts", required=True, example="buck"),
    Field("starts_at", VOLTS, "input magnitude at which it starts, rising", example="14 V"),
    Field("stops_at", VOLTS, "input magnitude at which it stops, falling", default="90 % of starts_at",
          example="12.5 V"),
    Field("soft_start", SECONDS, "time from its start to full output", example="4 ms"),
    Field("efficiency", Amount(("%",), share=True), "of a switching converter", example="88 %"),
    Field("reference", Part("V"), "reference of the feedback network", example="0.8 V ± 1 %"),
    Field("upper", Part("ohm"), "feedback resistor from the output to the reference node", example="140 kΩ ± 1 %"),
    Field("lower", Part("ohm"), "feedback resistor from the reference node to ground", example="10 kΩ ± 1 %"),
    Field("reference_across", OneOf(tuple(Across)), "feedback resistor that the reference stands across; `upper` for "
          "adjustable regulators with three terminals", default="lower", example="upper"),
    Field("feedback_current", Limit("A"), "what the feedback or adjust pin draws through the other resistor: it raises "
          "the output", default="none", example="50 uA +100 % -0 %"),
    Field("output", Part("V"), "of a part with a fixed output: its own voltage, by magnitude, with its tolerance",
          example="3.3 V ± 1 %"),
    Field("output_resistance", OHMS, "how far the output sags with load", example="20 mΩ"),
    Field("dropout", VOLTS, "of a linear regulator: least input above output", example="300 mV"),
    Field("minimum_load", AMPERES, "output current below which it may read high: it is not judged", example="2 mA"),
    Field("quiescent", AMPERES, "input current of its own", example="1 mA"),
    Field("current_limit", AMPERES, "output current at which it gives up", example="1.5 A"),
    Field("thermal_resistance", PerWatt(), "from its junction to what is around it", example="60 degC/W"),
    Field("max_junction", Amount(("degC",)), "the hottest its junction may get", default="125 degC",
          example="150 degC"),
))

LOADS = ByName(Either(LOAD_VALUE, ByName(LOAD_VALUE, "board state")), "load")
LOADS_DOC = "consumers by name: amperes, ohms or watts, or one such value per board state (`default` for the others)"
UNPOWERED_DOC = "what an ohmmeter finds from here to ground on a sound, unpowered board"
AC_DOC = "RMS AC volts that it carries beside its DC (a winding, a switch node): from 30 V on no hand goes there"
STAYS_LIVE_DOC = "volts that may be found here with the supply off (a cell, a debug lead)"
PARTS_DOC = "designators of what makes it and is on its net: one is missing: not judged; reworked: checked anew"
SOURCE = Field("source_resistance", OHMS, "what the meter sees into this point with power on, such as of a "
               "divider: its input loads that", default="none to speak of", example="47 kΩ")
CELL = Field("cell", OneOf(("lithium", "other")), "kind of cell or battery on it", default="none", example="lithium")

DECISION = Section("decision rule", "What a reading's uncertainty means for its result. A bare text is the rule.", (
    Field("rule", OneOf(tuple(RuleKind)), "take values as they are; narrow the limits by a guard band; or, beside pass "
          "and fail, conditional ones within it (ILAC-G8:09/2019)", required=True, example="guard band"),
    Field("r", Number(), "the guard band is r times the expanded uncertainty", default="1", example="1"),
), short="rule")
RULE = Field("decision_rule", DECISION, "how readings of it are judged", default="as the board says",
             example="guard band")

INPUT = Section("input", "Where a supply feeds the board. A bare text is its voltage.", (
    Field("voltage", VOLTS, "nominal voltage", required=True, example="24 V"),
    Field("range", Limit("V"), "over which the board is meant to work", example="18 V .. 30 V"),
    Field("damage_above", VOLTS, "what would damage it", example="33 V"),
    Field("ac", VOLTS, AC_DOC, example="48 V"),
    Field("probe", NAME, "where to touch it", example="J1.1"),
    Field("capacitance", FARADS, "bulk capacitance behind it", example="220 uF"),
    Field("loads", LOADS, LOADS_DOC, example="{indicator: 4.7 kΩ}"),
    SOURCE,
    Field("unpowered_resistance", OHMS, UNPOWERED_DOC, example="100 kΩ"),
    Field("ground", Limit("ohm"), "limits of that resistance", example="'> 10 kΩ'"),
    Field("stays_live", Limit("V"), STAYS_LIVE_DOC, example="0 V .. 3.3 V"),
    CELL,
    RULE,
    Field("after", Several(NAME), "inputs that must be on before this one", default="any order", example="VIN"),
    Field("parts", Several(NAME), PARTS_DOC, example="[U3, R12, C7]"),
), short="voltage")

RAIL = Section("rail", "A net with a probe point. A bare text is its `expect`.", (
    Field("from", NAME, "input or rail that feeds it", example="VIN"),
    Field("probe", NAME, "where to touch it", example="TP4"),
    Field("expect", Limit("V"), "limits of its voltage", default="from what makes it", example="3.3 V ± 2 %"),
    Field("converter", CONVERTER, "what makes it", default="a plain connection",
          example="{kind: linear, dropout: 300 mV}"),
    Field("loads", LOADS, LOADS_DOC, example="{radio: {default: 2 mA, transmitting: 120 mA}}"),
    Field("capacitance", FARADS, "output capacitance", example="44 uF"),
    SOURCE,
    Field("unpowered_resistance", OHMS, UNPOWERED_DOC, example="2.2 kΩ"),
    Field("ground", Limit("ohm"), "limits of that resistance", example="'> 200 Ω'"),
    Field("damage_above", VOLTS, "what would damage what hangs on it, by magnitude", example="3.6 V"),
    Field("ac", VOLTS, AC_DOC, example="48 V"),
    Field("collapse_below", Amount(("V",), least="zero"),
          "below this a `log` takes it for collapsed and switches off, by magnitude; 0 V: it may go",
          default="half its lower limit", example="2.5 V"),
    Field("stays_live", Limit("V"), STAYS_LIVE_DOC, example="0 V .. 3.3 V"),
    CELL,
    RULE,
    Field("variants", Several(NAME), "variants that have it and what it feeds", default="all", example="[long range]"),
    Field("parts", Several(NAME), PARTS_DOC, example="[U3, L2, C14, R7]"),
), short="expect")

RATING = Section("rating", "What a part bears at most, and what drives it: held against the worst case before power.", (
    Field("never_above", Amount(("V", "A")), "the rating: volts, or amperes of a rail", required=True, example="12 V"),
    Field("driven_by", NAME, "input or rail that drives it", required=True, example="12V0"),
    Field("down_to", NAME, "the point it stands against", default="ground", example="N12V"),
    Field("upper", Part("ohm"), "resistor of a divider between, from the driving point", example="100 kΩ ± 1 %"),
    Field("lower", Part("ohm"), "resistor of that divider to the other point", example="22 kΩ ± 1 %"),
))

BOARD = Section("board", "A design: one revision of it.", (
    Field("board", NAME, "its name", required=True, example="Mooring buoy logger"),
    Field("revision", NAME, "its revision", default="none", example="B"),
    Field("serial", Pattern(something=True), "the whole serial number must match it", default="anything",
          example="'MBL-[0-9]{4}'"),
    Field("inputs", ByName(INPUT, "input"), "where supplies feed it", example="{VIN: 24 V}"),
    Field("rails", ByName(RAIL, "rail"), "its rails", required=True, example="{3V3: 3.3 V ± 2 %}"),
    Field("states", Several(NAME), "board states; the first is how boards come from assembly",
          example="[blank, programmed]"),
    Field("variants", Several(NAME), "assembly variants", example="[short range, long range]"),
    Field("ratings", ByName(RATING, "part and pin"), "what parts bear at most",
          example="{Q3 gate: {never_above: 12 V, driven_by: 12V0}}"),
    Field("ambient", Amount(("degC",)), "the hottest it is meant to be around it", default="25 degC",
          example="50 degC"),
    Field("tolerances", OneOf(tuple(Tolerances)), "how tolerances of parts add up in limits that are computed",
          default="worst case", example="root sum square"),
    replace(RULE, doc="how readings are judged: `simple acceptance`, `guard band`, `non-binary`",
            default="simple acceptance"),
    Field("cautions", TEXTS, "shown before the first step", example="The lithium cell stays live"),
))
# fmt: on
