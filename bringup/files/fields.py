"""The table of fields of every file: what each key holds, in one line each.

From this table come the reader, the JSON Schemas (`bringup check --schema KIND`) and the documentation
(`bringup check --fields KIND`). To add a field, add its line here and use it where the record is built. Boards are in
board_fields.py, benches in bench_fields.py, dialects in dialect_fields.py.
"""

from __future__ import annotations

from dataclasses import replace

from bringup.core.listening import LINE_ENDS
from bringup.core.procedure import OnLost
from bringup.core.under_load import LINE_FORMULAS, LOAD_FORMULAS
from bringup.files.alternatives import AnyOf, Either
from bringup.files.amounts import Amount, Limit, UnitWord
from bringup.files.atoms import AMPERES, NAME, OHMS, PERCENT, SECONDS, SOME_SECONDS, TEXT, TEXTS, VOLTS, WATTS
from bringup.files.board_fields import BOARD, RULE
from bringup.files.line_shapes import Searched
from bringup.files.sections import ByName, Field, Section, Several
from bringup.files.shapes import Fixed, Number, OneOf, Text, Whole, YesNo

OWN_PACE = "own pace"
SWEPT, SWEPT_STEP = Amount(("V", "A"), least="zero"), Amount(("V", "A"))
SEARCHED, UNIT = Searched(), UnitWord()

# fmt: off
ONLY_IF = Section("only_if", "When a step is to be done. Every stated condition must hold.", (
    Field("attended", YesNo(), "a person is there", example="yes"),
    Field("board_state", NAME, "the board is in this state", example="programmed"),
    Field("variant", NAME, "the unit is of this variant", example="long range"),
    Field("step", NAME, "`name` of an earlier step whose result decides", example="first look"),
    Field("result", OneOf(("pass", "fail")), "the result it must have had", example="pass"),
))

COMMON = (
    Field("title", TEXT, "headline of the step", example="Before power"),
    Field("name", NAME, "by which `only_if` of a later step refers to it", example="first look"),
    Field("on_fail", OneOf(("end", "go_on")), "what a failed step does to the attempt", default="end", example="go_on"),
    Field("only_if", ONLY_IF, "when the step is to be done", default="always", example="{attended: yes}"),
    Field("caution", TEXTS, "shown before the step", example="The heat sink gets hot"),
    Field("board_state", NAME, "from this step on, the board is in this state", example="programmed"),
    Field("irreversible", YesNo(),
          "cannot be undone (fuses, one-time memory): needs a `name`, the serial number typed again and every rail "
          "passed; never done twice on a unit", default="no", example="yes"),
    replace(RULE, default="as the board file says of the point, or of all"),
    Field("on_lost", OneOf(tuple(OnLost)),
          "what a lost meter does: ends the attempt, is waited for with the supply watched, or leaves no values",
          default="end", example="wait"),
)
STEADY = (
    Field("steady", AnyOf(("yes", "no"), PERCENT),
          "what is read must not creep, that is move evenly for 10 s or more, beyond its noise and this part of its "
          "value; `yes`: 1 %", default="no", example="yes"),
    Field("on_creep", OneOf(("warn", "end")), "what a creep does to the attempt", default="warn", example="end"),
)

def expect(unit: str | None, doc: str, example: str) -> Field:
    """Return the field that judges a step: one for all, or by point."""
    return Field("expect", Either(Limit(unit), ByName(Limit(unit), "point")), doc, example=example)

def judges(name: str, doc: str, example: str, what: str = "channel") -> Field:
    """Return the field with the limits of one statistic or figure: one for all, or by channel or rail."""
    return Field(name, Either(Limit(None), ByName(Limit(None), what)), f"limits {doc}", example=example)

def action(name: str, doc: str, *fields: Field, short: str = "", may_be_empty: bool = False) -> Section:
    """Return the section of one action: its own fields, then those of every step."""
    return Section(f"{name} step", doc, (*fields, *COMMON), short=short, may_be_empty=may_be_empty)

ACTIONS = {
    "inspect": action("inspect", "Things to look at, each confirmed by a person.",
        Field("confirm", TEXTS, "what must be so; left out only beside `parts_not_placed`",
              example="[Polarised parts match the silkscreen]"),
        Field("parts_not_placed", TEXT, "CSV file of the board house, relative to this one, or `ask`: each part is "
              "fitted by hand since, left out on purpose or missing", example="not-placed.csv"),
        short="confirm"),
    "question": action("question", "Something to ask.",
        Field("ask", TEXT, "the question", required=True, example="Which colour is the status light?"),
        Field("choices", TEXTS, "answers to choose from", default="free text or a value", example="[green, red, off]"),
        Field("good", TEXTS, "choices that pass; none: every answer is only recorded", example="green"),
        Field("unit", OneOf(("V", "A", "ohm", "W", "s", "Hz", "degC", "%")), "unit of a value", example="degC"),
        expect(None, "limits of a value", "< 60 degC"), short="ask"),
    "note": action("note", "A text shown and put into the unit's history.",
        Field("text", TEXT, "the text", required=True, example="Antenna load fitted from here on"), short="text"),
    "photo": action("photo", "A photo of the unit, kept in the logbook: JPEG, PNG, GIF or WebP.",
        Field("of", TEXT, "what it is to show", required=True, example="Top side, before power"),
        Field("folder", TEXT, "where the camera puts pictures: the next one is taken; relative to this file",
              default="the person names the file", example="~/camera"),
        Field("file", TEXT, "a file that is there by then, relative to this one", example="top-side.jpg"),
        Field("within", SECONDS, "how long it may take; then an output that is on goes off and the attempt ends, "
              "else the step has no photo", default="as long as it takes", example="5 min"), short="of"),
    "resistance": action("resistance", "Unpowered resistance of each point to ground, or between two points.",
        Field("points", Several(NAME), "rails or inputs; `A to B`: between two, red lead on A", required=True,
              example="[12V0, 5V0, 12V0 to 5V0]"),
        Field("both_polarities", YesNo(), "each once more with the leads swapped: limits under `A reversed`, "
              "`A to B reversed`", default="no", example="yes"),
        Field("sisters", Whole(most=999), "passed units (same design, meter, range, polarity) that it takes to judge "
              "by them what nobody states limits for; 0: never", default="3", example="5"),
        expect("ohm", "limits", "'> 200 Ω'"), short="points"),
    "leads": action("leads", "Signed volts at the free ends of the supply leads, board unconnected.",
        Field("input", NAME, "the input they belong to", required=True, example="VIN"),
        Field("current_limit", AMPERES, "of the supply meanwhile", default="50 mA, or that of the next apply if less",
              example="100 mA"),
        expect("V", "limits", "24 V ± 2 %"), short="input"),
    "apply": action("apply", "Power an input: a short check at 1 V or less, then each voltage in turn.",
        Field("input", NAME, "the input", required=True, example="VIN"),
        Field("then", Several(VOLTS), "voltages, in order", required=True, example="[18 V, 24 V]"),
        Field("current_limit", AMPERES, "of the supply", required=True, example="400 mA"),
        Field("short_check", VOLTS, "voltage, 1 V or less, at which a short shows", example="1 V"),
        Field("expect_current", Limit("A"), "judges the last voltage; the power budget judges the ones before",
              example="60 mA .. 110 mA"),
        Field("limit_time", SECONDS, "how long current limit may last", default="twice C·ΔV/I, at least 200 ms",
              example="500 ms"),
        Field("trip_current", AMPERES, "at which the tool switches off", default="twice the expected maximum",
              example="250 mA"),
        Field("over_voltage", VOLTS, "level of the supply's own protection",
              default="between what is needed and damage_above", example="31 V"),
        Field("time_to_regulation", Several(NAME), "rails that the meter reads while the input is raised: how long "
              "each takes, and in which order; several by a scanner or fixed wiring", example="[12V0, 3V3]"),
        Field("hold", SECONDS, "time at each voltage once settled", example="2 s")),
    "measure": action("measure", "Volts at each point, each settled.",
        Field("points", Several(NAME), "rails or inputs", required=True, example="[VIN, 3V3]"),
        Field("nplc", Number(), "power-line cycles that each reading is integrated over",
              default="as the meter's `integration` and the limits ask for; else 1", example="10"),
        Field("range", VOLTS, "of the meter", default="the smallest that fits", example="10 V"),
        Field("test_ratio", Number(), "test uncertainty ratio wanted of each reading", default="the meter's",
              example="10"),
        expect("V", "limits", "{3V3: 3.3 V ± 1 %}"), short="points"),
    "log": action("log", "Repeated readings; every sample must lie within `expect`. Three in a row outside end it and "
                  "the attempt, unless `on_fail: go_on`.",
        Field("what", Several(NAME), "a point (its volts), or an input with `voltage`, `current` or `power` after it, "
              "or any point with `load voltage`, `load current` or `load power`: what the load reads there",
              required=True, example="VIN current"),
        Field("for", SECONDS, "how long", required=True, example="30 s"),
        Field("every", AnyOf((OWN_PACE,), SECONDS), "time between samples (left out: by hand 5 s); `own pace`: as fast "
              "as the instruments answer", default="200 ms", example="200 ms"),
        expect(None, "limits", "60 mA .. 110 mA"),
        judges("minimum", "of the lowest sample, in the place of the lower end of `expect`", "'> 3.2 V'"),
        judges("maximum", "of the highest sample, in the place of the upper end of `expect`", "< 120 mA"),
        judges("mean", "of the mean, in the place of `expect`", "3.3 V ± 1 %"),
        judges("standard_deviation", "of the samples' standard deviation (n - 1)", "< 2 mV"),
        judges("peak_to_peak", "of the highest sample less the lowest", "< 30 mV"),
        judges("slope_per_hour", "of the least-squares line through the samples: its change in an hour",
               "-5 mV .. 5 mV"),
        Field("marks", ByName(SOME_SECONDS, "mark"), "what happens on the board, and how long after the start; `m` "
              "sets one by key", example="{radio transmits: 10 s}"),
        Field("marks_heard", ByName(ByName(SEARCHED, "mark"), "serial line"), "marks set by what the board says: "
              "by serial line, a regular expression for each, looked for within a line, every time it comes",
              example="{console: {radio transmits: 'radio: transmitting'}}"),
        Field("temperatures", ByName(OneOf(("typed", "meter")), "spot"), "read beside it by spot, `ambient` or a part: "
              "typed by a person when due, or by the meter with a sensor; their limits go by `SPOT temperature`",
              example="{ambient: typed, U3: typed}"),
        Field("temperatures_every", SECONDS, "time between two of each; the first and the last at the ends",
              default="15 min, or the whole log", example="10 min"), *STEADY),
    "load": action("load", "Have the electronic load draw from a rail that reads within its limits with nothing drawn. "
                   "Off by `off: yes`, before an input is switched off, and at every end.",
        Field("rail", NAME, "rail or input that a channel's leads are on", required=True, example="3V3"),
        Field("current", AMPERES, "drawn, held constant", example="200 mA"),
        Field("resistance", OHMS, "held constant", example="22 Ω"),
        Field("power", WATTS, "drawn, held constant", example="500 mW"),
        Field("off", Fixed("yes"), "no longer", example="yes"),
        Field("stop_voltage", VOLTS, "below this the load stops by itself, which ends the attempt", default="none",
              example="2.5 V"),
        Field("settle", SECONDS, "time from on to the look that is judged", default="500 ms", example="1 s")),
    "sweep": action("sweep", "Set an input's voltage, or what the load draws, point by point; read the rails at each. "
                    "The input needs an `apply` before, and goes back to its volts; the load goes off.",
        Field("input", NAME, "whose voltage is swept", example="VIN"),
        Field("load", NAME, "or the rail that the load draws from: its current is swept", example="3V3"),
        Field("from", SWEPT, "first point, V of the input or A drawn", required=True, example="18 V"),
        Field("to", SWEPT, "last point; may be the lower one", required=True, example="30 V"),
        Field("step", SWEPT_STEP, "from point to point", required=True, example="2 V"),
        Field("rails", Several(NAME), "read at each point", default="the rail that is loaded", example="[5V0, 3V3]"),
        Field("settle", SECONDS, "time from setting a point to reading it, beside the current's own settling",
              default="none; of a load 500 ms", example="1 s"),
        Field("stop_voltage", VOLTS, "of the load: below this it stops by itself, which ends the attempt",
              default="none", example="2.5 V"),
        Field("looks_for", OneOf(("start", "stop")), "where rails start (rising) or stop (falling): only then may it "
              "rest below the lowest working input", default="neither", example="start"),
        Field("formula", OneOf((*LINE_FORMULAS, *LOAD_FORMULAS)), "of line or load regulation; kept with the figure",
              default="ends over nominal; of a load ends over full load", example="ends over nominal"),
        expect("V", "limits of the rails at each point", "{3V3: 3.3 V ± 1 %}"),
        judges("line_regulation", "of the formula's percentage", "-0.5 % .. 0.5 %", "rail"),
        judges("load_regulation", "of the formula's percentage", "< 1 %", "rail"),
        judges("efficiency", "of power out of the loaded rail over power into the input", "'> 70 %'", "rail"),
        judges("dropout", "of input less rail, where it is just in regulation", "< 1.5 V", "rail"),
        judges("starts_at", "of the input at which the rail is up", "13 V .. 15 V", "rail"),
        judges("stops_at", "of the input at which it is up no more", "11 V .. 13.5 V", "rail")),
    "ripple": action("ripple", "What lies on rails beside their DC. Kept with how it was measured.",
        Field("points", Several(NAME), "rails or inputs", required=True, example="[5V0, 3V3]"),
        Field("by", OneOf(("scope", "meter")), "scope: peak to peak, AC coupled, limited to 20 MHz; meter: RMS by its "
              "AC volts", required=True, example="scope"),
        Field("ground", TEXT, "how the scope's probe is grounded", example="spring"),
        Field("time_base", SECONDS, "of the scope, per division", default="10 us", example="10 us"),
        Field("band", TEXT, "of the meter's AC volts, by its data sheet", example="20 Hz to 100 kHz"),
        expect("V", "limits; without them it is recorded", "< 50 mV")),
    "power_cycle": action("power_cycle", "Switch an input off and on again; it must start each time. The first failure "
                          "ends it, unless `on_fail: go_on`.",
        Field("input", NAME, "the input; powered by an `apply` before", required=True, example="VIN"),
        Field("times", Whole(least=1, most=10_000), "how often", required=True, example="20"),
        Field("off_for", Several(SECONDS), "how long it stays off, in turn", required=True, example="[500 ms, 5 s]"),
        Field("on_for", SECONDS, "time on before the rails are read", default="1 s", example="2 s"),
        Field("rails", Several(NAME), "read and judged each time", default="none", example="[5V0, 3V3]"),
        Field("discharged_below", VOLTS, "wait for this as well while it is off", default="not waited for",
              example="1 V"),
        Field("expect_current", Limit("A"), "judges the input's current each time", default="the power budget",
              example="60 mA .. 110 mA"),
        expect("V", "limits of the rails", "{3V3: 3.3 V ± 1 %}")),
    "dwell": action("dwell", "Wait, with the supply watched.",
        Field("for", SECONDS, "how long", required=True, example="2 s"), *STEADY, short="for"),
    "power_off": action("power_off", "Switch off, verify, wait until discharged.",
        Field("discharged_below", VOLTS, "volts that count as discharged", example="1 V"), may_be_empty=True),
    "host_program": action("host_program", "A program on this computer, such as one that loads firmware. No shell.",
        Field("program", Several(Text(blank=True), one_too=False),
              "program and arguments; {serial}, {attempt}, {board_state}, {loads} as whole arguments stand for these",
              required=True, example="[flasher, --port, ttyX, --serial, '{serial}']"),
        Field("time_out", SECONDS, "after which the outputs go off and it is ended", default="60 s", example="90 s"),
        Field("exit_code", Whole(most=4_294_967_295), "what it must end with", default="0", example="0"),
        Field("contains", TEXTS, "what its output must hold", example="[Verified]"),
        Field("loads", TEXT, "file that it loads, relative to this one; its SHA-256 is kept", example="logger.bin"),
        Field("version", TEXT, "of that file, kept beside its SHA-256; `listen` hears what the board says it runs",
              example="'1.4.2'"),
        short="program"),
    "listen": action("listen", "Wait for text on a serial line of the board, sent lines first; all that comes is kept. "
                     "`board_state` holds from the end of a step that passed on.",
        Field("line", NAME, "serial line, as the bench file names it", required=True, example="console"),
        Field("text", TEXT, "text that is waited for", example="logger ready"),
        Field("pattern", SEARCHED, "regular expression that is waited for, within one line; its named groups become "
              "readings", example="'vbat=(?P<vbat>[0-9]+) mV'"),
        Field("within", SECONDS, "how long it may take", default="10 s", example="5 s"),
        Field("units", ByName(UNIT, "group"), "units of numbers that stand without one", example="{vbat: mV}"),
        Field("expect", ByName(Limit(None), "group"), "limits", example="{vbat: 3.3 V ± 5 %}"),
        Field("words", Several(NAME), "groups that are kept as text", example="[version]"),
        Field("rails", ByName(NAME, "group"), "groups that are the board's own reading of a rail or input: kept there, "
              "beside the meter's", example="{vbat: 3V3}"),
        Field("agrees", ByName(PERCENT, "group"), "how far such a one may be from what the meter read last",
              example="{vbat: 2 %}"),
        Field("bad", TEXTS, "texts of which any fails the step at once", example="[ASSERT, brown-out]"),
        Field("send", TEXTS, "lines sent to the board when the step begins", example="[self test]"),
        Field("line_end", OneOf(tuple(LINE_ENDS)), "what ends each sent line; needed with `send`", example="crlf"),
        Field("only_new", YesNo(), "only text from the step's beginning on; else also since the last apply or program, "
              "after what an earlier `listen` found", default="no; with `send`: yes", example="yes")),
}

STEP = Section("step", "One entry of a procedure: one action.",
    tuple(Field(name, section, section.doc) for name, section in ACTIONS.items()), alone=True)

PROCEDURE = Section("procedure", "What to do with a unit, in order.", (
    Field("procedure", NAME, "its name", required=True, example="First power-on"),
    Field("board", Either(TEXT, BOARD), "the board it is for: a path relative to this file, or the same mapping inline",
          required=True, example="../fixtures/boards/mooring-buoy-logger.yaml"),
    Field("unattended", OneOf(("never", "after first power")), "whether it may run without a person", default="never",
          example="never"),
    Field("answer_within", SECONDS, "how long a question may stay open while an output is on; then the outputs go off "
          "and the attempt counts as called off", default="as long as it takes", example="10 min"),
    Field("board_state", NAME, "state of the board when it starts", default="the board's first", example="blank"),
    Field("steps", Several(STEP, one_too=False), "what to do", required=True, example="[{measure: [3V3]}]"),
))
# fmt: on
