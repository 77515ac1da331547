"""The table of fields, continued: benches and the user's configuration file. See fields.py and dialect_fields.py."""

from __future__ import annotations

from dataclasses import replace

from bringup.core.specification import FUNCTION_UNITS, FUNCTIONS
from bringup.files.alternatives import AnyOf, Either
from bringup.files.amounts import Amount, Error, Limit, Specified
from bringup.files.atoms import AMPERES, ANY_VOLTS, FARADS, NAME, OHMS, SECONDS, SOME_SECONDS, TEXT, VOLTS, WATTS
from bringup.files.dialect_fields import SERIAL_PORT
from bringup.files.line_shapes import Hexadecimal
from bringup.files.sections import ByName, Field, Section, Several
from bringup.files.shapes import Day, Fixed, Number, OneOf, Whole, YesNo

# fmt: off
CEILING = Section("ceiling", "What no step may exceed on this bench.", (
    Field("voltage", VOLTS, "highest voltage", example="30 V"),
    Field("current", AMPERES, "highest current limit", example="1 A"),
))
EXPECTED = Section("identity", "Who is meant to answer `*IDN?`; a field left out is not compared.", (
    Field("maker", TEXT, "first field", example="BRINGUP SIMULATED"),
    Field("model", TEXT, "second field", example="SUPPLY-3"),
    Field("serial", TEXT, "third field", example="1"),
))
RESOURCE = Field("resource", TEXT, "VISA resource string, or `by hand`; a simulated bench needs none",
                 example="'TCPIP0::192.0.2.10::5025::SOCKET'")
DIALECT = Field("dialect", NAME, "how it is spoken to: a file beside this one, or one that ships",
                default="the one that is made for maker and model under `expect`", example="single-output")
IDENTITY = Field("expect", EXPECTED, "who is meant to answer", default="whoever does", example="{model: SUPPLY-3}")
PORT = Field("serial_port", SERIAL_PORT, "how its serial port is set", default="as its dialect says",
             example="{baud: 9600, flow: rts/cts}")
ADDRESS = Field("address", Whole(most=99), "its address, where its dialect greets it by one", example="6")
ACCURACY = Field("accuracy", Error(), "how far its volts may be off, as its data sheet says",
                 default="what `bringup bench --loop-back` says", example="'0.05 % + 10 mV'")
CURRENT_ACCURACY = Field("current_accuracy", Error("A"), "how far its reading of the current may be off",
                         example="'0.1 % + 5 mA'")
HEX = Hexadecimal()
SPECIFIED = Section("accuracy row", "One line of a data sheet: how far the meter may be off, and when that holds.", (
    Field("function", OneOf(FUNCTIONS), "what is measured", default="dc volts", example="ohms"),
    Field("range", Amount(tuple(dict.fromkeys(FUNCTION_UNITS.values()))), "on which range", default="any",
          example="10 V"),
    Field("error", Specified(), "as the maker prints it", required=True,
          example="0.0035 % of reading + 0.0005 % of range"),
    Field("digit", Amount(tuple(dict.fromkeys(FUNCTION_UNITS.values()))), "weight of the last digit on that range, for "
          "counts", example="1 mV"),
    Field("days", Whole(least=1, most=3660), "since its calibration, up to which this holds", default="always",
          example="365"),
    Field("temperature", Limit("degC"), "around it, in which this holds", default="any", example="18 degC .. 28 degC"),
    Field("per_degree", Specified(), "what comes on top for each degree outside of that",
          example="0.0005 % of reading + 0.0001 % of range"),
))
METER_ACCURACY = Field("accuracy", Either(Error(), Several(SPECIFIED)), "how far its DC volts may be off; or the lines "
                       "of its data sheet: the uncertainty of each reading follows from them",
                       default="what `bringup bench --loop-back` says; no uncertainty",
                       example="[{range: 10 V, error: 0.0035 % of reading + 0.0005 % of range, days: 365}]")
INTEGRATION = Section("integration", "What a reading scatters when it is integrated for so long.", (
    Field("nplc", Number(), "power-line cycles", required=True, example="1"),
    Field("noise", Specified(), "RMS, as the data sheet gives it", required=True, example="0.0002 % of range"),
))
CALIBRATED = Field("calibrated", Day(), "when it was calibrated last, for `days` of its accuracy", example="2026-03-01")
DUE = Field("calibration_due", Day(), "when its calibration runs out", example="2027-03-01")

SUPPLY = Section("supply", "The supply.", (
    RESOURCE, DIALECT, PORT, ADDRESS,
    Field("outputs", ByName(Whole(least=1, most=99), "input"), "which output feeds which input",
          default="output 1 feeds every input; simulated: an output each, in order", example="{VIN: 1}"),
    Field("leave_alone", Several(Whole(least=1, most=99)), "outputs that are never touched", example="[3]"),
    Field("sense", OneOf(("local", "remote")), "where it senses its voltage", default="local", example="local"),
    Field("ceiling", CEILING, "what no step may exceed", default="what the supply can",
          example="{voltage: 30 V, current: 1 A}"),
    Field("watchdog", AnyOf(("not used",), SECONDS),
          "time without a message after which the supply switches off by itself, where its dialect has such a watchdog",
          default="5 s", example="10 s"),
    Field("leads_at_most", OHMS, "ohms of both its leads together above which they are pointed out",
          default="0.5 Ω", example="0.2 Ω"),
    IDENTITY, DUE, ACCURACY,
    CURRENT_ACCURACY,
))
METER = Section("meter", "The meter.", (
    replace(RESOURCE, example="'TCPIP0::192.0.2.11::5025::SOCKET'"), replace(DIALECT, example="configure-and-read"),
    PORT, ADDRESS,
    Field("high_impedance", YesNo(),
          "whether DC volts are read with an input above 10 GΩ; with nothing powered it is always 10 MΩ",
          default="no: 10 MΩ", example="yes"),
    replace(IDENTITY, example="{model: METER-1}"), DUE, CALIBRATED, METER_ACCURACY,
    Field("integration", Several(INTEGRATION), "integration times to choose from: each reading takes the shortest that "
          "its limits ask for", default="1 power-line cycle for every reading",
          example="[{nplc: 1, noise: 0.0002 % of range}, {nplc: 10, noise: 0.00005 % of range}]"),
    Field("test_ratio", Number(), "test uncertainty ratio that they are chosen for", default="4", example="10"),
))
CALIBRATION = Section("calibration", "What is done about calibrations that run out.", (
    Field("warn_days", Whole(most=3660), "days before it is due from which it is pointed out", default="30",
          example="30"),
    Field("overdue", OneOf(("warn", "refuse")),
          "whether an overdue instrument is pointed out, or nothing is powered with it", default="warn",
          example="refuse"),
))
LOAD_CEILING = Section("load ceiling", "What no step may have the load draw.", (
    Field("current", AMPERES, "largest current", example="2 A"),
    Field("power", WATTS, "largest power", example="20 W"),
))
LOAD = Section("electronic load", "An electronic load, which draws from points of the board.", (
    Field("resource", TEXT, "VISA resource string; a simulated bench needs none",
          example="'TCPIP0::192.0.2.12::5025::SOCKET'"),
    Field("dialect", NAME, "how it is spoken to: a file beside this one, or one that ships",
          example="function-and-input"),
    PORT, ADDRESS,
    Field("channels", ByName(Whole(least=1, most=99), "rail or input"), "which point its leads are on, and of which "
          "channel; other channels are never touched", required=True, example="{3V3: 1}"),
    Field("sense", OneOf(("local", "remote")), "where it senses the voltage of what it draws from", default="local",
          example="remote"),
    Field("ceiling", LOAD_CEILING, "what no step may have it draw", default="what the load can",
          example="{current: 2 A, power: 20 W}"),
    replace(ACCURACY, doc="how far its volts may be off", default="not known"), CURRENT_ACCURACY,
    IDENTITY, DUE,
))
SCANNER = Section("scanner", "The scanner: relays that put the meter on points of the board.", (
    Field("resource", TEXT, "VISA resource string, or `in the meter` for a card in it; a simulated bench needs none",
          example="'TCPIP0::192.0.2.12::5025::SOCKET'"),
    DIALECT, PORT, ADDRESS,
    Field("channels", ByName(Whole(least=1, most=999_999), "point"), "which channel connects which point of the board",
          required=True, example="{VIN: 101, 3V3: 102}"),
    Field("ground", Whole(least=1, most=999_999), "channel that connects the meter's low side to ground",
          default="wired", example="120"),
    Field("rating", VOLTS, "what may stand between any two of its contacts, by its data sheet", required=True,
          example="60 V"),
    Field("settling", SOME_SECONDS, "time from a relay that has moved to a reading", default="as its dialect says",
          example="10 ms"),
    IDENTITY, DUE,
))
SCOPE_ROLE = Section("scope", "The oscilloscope, of which one channel is used: ripple, and pictures of its screen.", (
    Field("resource", TEXT, "VISA resource string; a simulated bench needs none",
          example="'TCPIP0::192.0.2.13::5025::SOCKET'"),
    replace(DIALECT, example="vpp-by-channel"), PORT, ADDRESS,
    Field("channel", Whole(least=1, most=99), "the channel whose probe is moved to the points", default="1",
          example="2"),
    Field("probe", Number(), "by how much that probe attenuates", default="10", example="1"),
    IDENTITY, DUE,
))

ADAPTER = Section("USB adapter", "A USB serial adapter, by what it says of itself.", (
    Field("vendor", HEX, "its vendor's number", required=True, example="0x1234"),
    Field("product", HEX, "its product's number", required=True, example="0x5678"),
    Field("serial", TEXT, "its serial number", default="any", example="SN1"),
))
SERIAL_LINE = Section("serial line", "A serial line of the board, for `listen`. Only what a step says is sent.", (
    Field("port", TEXT, "serial port", example="/dev/ttyUSB0"),
    Field("adapter", ADAPTER, "or the USB adapter, wherever it is plugged in",
          example="{vendor: 0x1234, product: 0x5678, serial: SN1}"),
    Field("socket", TEXT, "or a TCP socket, as HOST:PORT", example="'192.0.2.20:4001'"),
    Field("serial_port", SERIAL_PORT, "how a port is set: `baud`, and what `dtr` and `rts` are held at, for opening it "
          "may reset the board", example="{baud: 115200, dtr: off, rts: off}"),
    Field("comes_with_power", YesNo(), "the port is the board's own, and need not be there before power", default="no",
          example="yes"),
    Field("lent_to_programs", YesNo(), "the port is let go of while a `host_program` runs, which needs it itself",
          default="no", example="yes"),
), may_be_empty=True)
SAYING = Section("saying", "One text that the simulated board says.", (
    Field("text", TEXT, "the text; {3V3} in it becomes the volts of that rail", required=True, example="ready"),
    Field("after", SOME_SECONDS, "from when its rail came up, or its state changed", default="0 s", example="300 ms"),
    Field("every", SECONDS, "again and again", default="once", example="2 s"),
), short="text")
TALK = Section("talk", "What the simulated board says on one serial line.", (
    Field("powered_by", NAME, "rail that has to stand for it", required=True, example="3V3"),
    Field("says", ByName(Several(SAYING), "board state"), "texts by board state (`default`: the others)",
          example="{programmed: [{text: logger ready, after: 1 s}]}"),
    Field("answers", ByName(TEXT, "line"), "line that is sent to it -> what it answers",
          example="{'vbat?': 'vbat {VIN} V'}"),
))

FAULT = Section("fault", "One thing that is wrong with the simulated board.", (
    Field("rail", NAME, "the rail it sits on (or `input`)", example="3V3"),
    Field("input", NAME, "the input it sits on (or `rail`)", example="VIN"),
    Field("shorted_through", OHMS, "tied to ground through this", example="2 Ω"),
    Field("to", NAME, "the point that `shorted_through` ties it to; with power on this counts as a short to ground",
          default="ground", example="5V0"),
    Field("not_fitted", YesNo(), "its converter is missing", example="yes"),
    Field("upper", AnyOf(("open", "shorted"), OHMS), "its upper feedback resistor", example="open"),
    Field("lower", AnyOf(("open", "shorted"), OHMS), "its lower feedback resistor", example="47 kΩ"),
    Field("feedback", Fixed("swapped"), "its two feedback resistors, in each other's place", example="swapped"),
    Field("other_part", ANY_VOLTS, "a converter with another reference (a fixed one: another output)", example="0.6 V"),
    Field("passes_input", YesNo(), "its converter ties it to its input, as a shorted one does", example="yes"),
    Field("capacitor", Fixed("missing"), "its output capacitor", example="missing"),
    Field("excess_load", AMPERES, "drawn beside its loads", example="200 mA"),
    Field("creeping_load", AMPERES, "drawn beside its loads, growing by this every second", example="1 mA"),
    Field("leads", Fixed("reversed"), "the supply's leads at this input", example="reversed"),
    Field("voltage", ANY_VOLTS, "what the leads carry, whatever was set", example="12 V"),
    Field("sense", Fixed("open"), "a sense lead of this input", example="open"),
    Field("back_fed", VOLTS, "fed by something else", example="2.8 V"),
    Field("charged", VOLTS, "residual charge at the start", example="5 V"),
    Field("held_by", FARADS, "capacitance that holds the charge beside the point's own", default="nothing more",
          example="100 mF"),
    Field("after", SOME_SECONDS, "output-on time before it appears", default="0 s", example="3 s"),
))
SIMULATE = Section("simulate", "A bench whose instruments are simulated, and what they measure.", (
    Field("board", TEXT, "board file, relative to this file", required=True,
          example="../boards/mooring-buoy-logger.yaml"),
    Field("faults", Several(FAULT), "what is wrong with it", default="nothing", example="[{rail: 3V3, upper: open}]"),
    Field("state", NAME, "board state", default="the board's first", example="programmed"),
    Field("leads", OHMS, "resistance of both supply leads together", default="0.1 Ω", example="80 mΩ"),
    Field("talks", ByName(TALK, "serial line"), "what the board says on its serial lines", default="nothing",
          example="{console: {powered_by: 3V3, says: {default: [{text: ready, after: 1 s}]}}}"),
))
BENCH = Section("bench", "Which instrument plays which role.", (
    Field("bench", NAME, "its name", required=True, example="Corner bench"),
    Field("supply", Either(Fixed("by hand"), SUPPLY), "the supply", example="by hand"),
    Field("more_supplies", ByName(SUPPLY, "supply"), "supplies beside the first one, by names of your own; each states "
          "`outputs`, and none is by hand", default="none",
          example="{drive: {resource: 'TCPIP0::192.0.2.14::5025::SOCKET', dialect: single-output, "
          "outputs: {VDRV: 1}}}"),
    Field("meter", Either(Fixed("by hand"), METER), "the meter", example="by hand"),
    Field("load", LOAD, "an electronic load", default="none",
          example="{dialect: function-and-input, channels: {3V3: 1}}"),
    Field("probing", OneOf(("by hand", "fixed wiring")), "how the meter reaches the points", default="by hand",
          example="by hand"),
    Field("scanner", SCANNER, "relays that put the meter on points; the others are reached as `probing` says",
          example="{resource: in the meter, dialect: list-of-closed, channels: {VIN: 101}, rating: 60 V}"),
    Field("scope", SCOPE_ROLE, "an oscilloscope", default="none",
          example="{dialect: vpp-by-channel, channel: 1, probe: 10}"),
    Field("serial_lines", ByName(SERIAL_LINE, "serial line"), "serial lines of the board, by names of your own",
          default="none",
          example="{console: {port: /dev/ttyUSB0, serial_port: {baud: 115200, dtr: off, rts: off}}}"),
    Field("calibration", CALIBRATION, "what is done about calibrations that run out",
          default="a warning from 30 days before on", example="{warn_days: 30, overdue: refuse}"),
    Field("backend", TEXT, "pyvisa's backend", default="@py", example="'@py'"),
    Field("simulate", SIMULATE, "simulated instead of real", example="{board: ../boards/mooring-buoy-logger.yaml}"),
))

CONFIGURATION = Section("configuration", "The user's configuration file.", (
    Field("bench", TEXT, "the bench file, relative to this file", example="corner-bench.yaml"),
))
# fmt: on
