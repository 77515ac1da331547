"""The table of fields, continued: dialects. See fields.py."""

from __future__ import annotations

from bringup.core.dialect import LINK_KINDS, LOAD_MODES, UNIT_OF_FUNCTION, UNIT_OF_WHAT_IS_MEASURED
from bringup.core.replies import ReplyKind
from bringup.core.serial_port import FLOWS, LINES, PARITIES, STOPS
from bringup.files.alternatives import Either
from bringup.files.amounts import Amount
from bringup.files.atoms import NAME, SECONDS, SOME_SECONDS, TEXT, TEXTS
from bringup.files.dialect_operations import OPERATIONS, described
from bringup.files.sections import ByName, Field, Section, Several
from bringup.files.shapes import Fixed, Number, OneOf, Pattern, Text, Whole, YesNo

ENDING = Text(blank=True)
CHECKED = ("hardware", "manual", "manual, second-hand", "standard", "memory", "simulated")
"""What one spelling can have been checked against; `second-hand`: whoever wrote it down had the manual's page."""
OUR_WORDS = ("on", "off", "auto")

FUNCTIONS = tuple(UNIT_OF_FUNCTION)
MODES = tuple(LOAD_MODES)
UNITS = ("V", "A", "s", "W", "ohm", UNIT_OF_WHAT_IS_MEASURED)

# fmt: off
SERIAL_PORT = Section("serial port", "How a serial port is set.", (
    Field("baud", Whole(least=50, most=4_000_000), "bits per second", default="9600", example="9600"),
    Field("bits", Whole(least=5, most=8), "data bits", default="8", example="8"),
    Field("parity", OneOf(PARITIES), "parity", default="none", example="none"),
    Field("stop", OneOf(STOPS), "stop bits", default="1", example="2"),
    Field("flow", OneOf(FLOWS), "flow control", default="none", example="rts/cts"),
    Field("dtr", OneOf(LINES), "what the DTR line is held at", default="as opening the port leaves it", example="on"),
    Field("rts", OneOf(LINES), "what the RTS line is held at", default="as opening the port leaves it", example="off"),
))
BY_LINK = ByName(TEXTS, "kind of link", LINK_KINDS)

OPERATION = Section("operation", "How one operation is spelt.", (
    Field("send", TEXTS, "message or messages that do it", example="'VOLT {value}'"),
    Field("query", TEXT, "message that asks for it", example="'VOLT?'"),
    Field("reply", OneOf(tuple(ReplyKind)), "what answers the query", default="number", example="number"),
    Field("words", ByName(TEXT, "reply"), "reply or bits of a status word -> our word",
          example="{bit 0 and not bit 1: current, bit 4 of output 1: on}"),
    Field("else", TEXT, "our word where a status word was read and none of `words` fits", example="off"),
    Field("spelt", ByName(TEXT, "word", OUR_WORDS), "our word -> what {on} or {range} becomes",
          default="as `words`, else ON, OFF, AUTO", example="{on: 1, off: 0}"),
    Field("field", Whole(most=99), "which of several comma-separated values, from 0", default="0", example="1"),
    Field("unit", OneOf(UNITS), "unit that the number may carry; `function`: that of what is measured", example="V"),
    Field("pattern", Pattern(groups=1), "what the whole reply is, its one group being what counts",
          example="'V[0-9] (.*)'"),
    Field("gap", SOME_SECONDS, "time to keep after it, on top of the dialect's", default="0 s", example="400 ms"),
    Field("functions", Several(OneOf(FUNCTIONS)), "meter: for which functions it is used", default="all",
          example="[dc volts]"),
    Field("modes", Several(OneOf(MODES)), "load: in which modes it is used", default="all", example="[current]"),
    Field("discard", Whole(most=9), "meter: answers to throw away first, being of what was there before", default="0",
          example="1"),
    Field("ignore_errors", Several(Whole(least=-32768, most=32767)), "errors that it queues although it did it",
          example="[-103]"),
    Field("clears_when_read", YesNo(), "reading clears it: an event register", default="no", example="yes"),
    Field("clears_trips", YesNo(), "asking it acknowledges trips, so these are asked first", default="no",
          example="yes"),
    Field("checked_against", OneOf(CHECKED), "what this spelling was checked against",
          default="as the dialect says", example="memory"),
), more=described())
_ALL_OPERATIONS = tuple(dict.fromkeys(name for names in OPERATIONS.values() for name in names))
SPELLINGS = ByName(Either(Fixed("none"), OPERATION), "operation", _ALL_OPERATIONS)
OUTPUTS = Field("outputs", Whole(least=1, most=99), "supply, load: how many outputs it has, numbered from 1",
                example="3")
NAMES = Field("output_names", ByName(NAME, "output"), "supply, load: what {name} is",
              example="{1: P6V, 2: P25V}")
SCOPE = Field("output_scope", OneOf(("each", "all")), "what one output switch switches", default="each", example="each")
RE_ENERGISES = Field("clear_re_energises", YesNo(), "clearing a trip may bring the output back on", default="no",
                     example="yes")

VARIANT = Section("variant", "What differs on some models; the variant that fits the longest part of `*IDN?` counts.", (
    Field("operations", SPELLINGS, "operations that are spelt otherwise, or `none`",
          example="{set_over_voltage: none}"),
    OUTPUTS, NAMES, SCOPE, RE_ENERGISES,
))
DIALECT_FILE = Section("dialect", "How one family of instruments spells a role's operations.", (
    Field("dialect", NAME, "its name, that of the file", required=True, example="single-output"),
    Field("role", OneOf(tuple(OPERATIONS)), "the role it spells", required=True, example="supply"),
    Field("checked_against", TEXT, "which instruments it was tried on, and when", example="simulated; no hardware yet"),
    Field("identity_pattern", Pattern(), "must be found in the `*IDN?` reply", default="anything", example="'.*'"),
    Field("write_end", ENDING, "what ends a message", default="a line feed", example='"\\n"'),
    Field("read_end", ENDING, "what ends a reply; '' if only silence does (see `quiet`)", default="a line feed",
          example='"\\n"'),
    Field("quiet", SECONDS, "silence that ends a reply where nothing else does", example="40 ms"),
    Field("gap", SOME_SECONDS, "time to keep between messages", default="0 s", example="10 ms"),
    Field("timeout", SECONDS, "time an answer may take", default="2 s", example="2 s"),
    Field("acknowledge", TEXT, "line that answers every message that is told", example="OK"),
    Field("acknowledge_scope", OneOf(("tells", "everything")), "whether it also follows what answers a query",
          default="tells", example="tells"),
    Field("echo", OneOf(("none", "lines", "characters")), "what comes back of what is sent", default="none",
          example="none"),
    Field("prompt", ENDING, "text in front of lines that means nothing", example="'> '"),
    Field("greeting", TEXTS, "sent before `*IDN?`; {address} is the bench file's", example="'ADR {address:02d}'"),
    Field("opening", BY_LINK, "sent after every identification; must change no output", example="{serial: 'SYST:REM'}"),
    Field("closing", BY_LINK, "sent before closing: back to local; must change no output",
          example="{serial: 'SYST:LOC'}"),
    Field("serial_port", SERIAL_PORT, "how its serial port is set", default="9600 8N1", example="{baud: 9600}"),
    OUTPUTS, NAMES, SCOPE,
    Field("watchdog_scope", OneOf(("each", "all")), "what its communication watchdog switches off", default="all",
          example="all"),
    RE_ENERGISES,
    Field("over_range_from", Number(), "magnitude from which a reply means over range", default="9.8e37",
          example="9.8e37"),
    Field("over_range_words", TEXTS, "words for over range beside OL and INF", example="[Open]"),
    Field("modes", ByName(TEXT, "mode", MODES), "load: our mode -> the instrument's word, which is what {mode} is",
          example="{current: CURR, resistance: RES}"),
    Field("functions", ByName(TEXT, "function", FUNCTIONS), "meter: our function -> the instrument's word",
          example="{dc volts: 'VOLT:DC', ohms: RES}"),
    Field("ranges", ByName(Several(Amount(("V", "A", "ohm", "F", "Hz"))), "function", FUNCTIONS),
          "meter: full-scale values, ascending", example="{dc volts: [100 mV, 1 V, 10 V]}"),
    Field("range_words", ByName(TEXTS, "function", FUNCTIONS), "meter: what {range} is for each of the `ranges`",
          example="{dc volts: ['1', '2', '3']}"),
    Field("speeds", ByName(SECONDS, "speed"), "meter: what {speed} can be -> time of one reading",
          example="{S: 400 ms, F: 10 ms}"),
    Field("configure_presets", YesNo(), "meter: setting the function also sets automatic zero and 10 megohm input",
          default="no", example="yes"),
    Field("settling", SOME_SECONDS, "scanner: time from a relay that has moved to a reading", default="0 s",
          example="5 ms"),
    Field("one_at_a_time", YesNo(), "scanner: closing a channel opens every other one", default="no", example="yes"),
    Field("divisions", Whole(least=4, most=20), "scope: divisions of its screen from bottom to top", default="8",
          example="10"),
    Field("operations", SPELLINGS, "the spelling of each operation; `none`: it has not got it", required=True,
          example="{identify: {query: '*IDN?', reply: identity}}"),
    Field("variants", ByName(VARIANT, "regular expression"), "what differs on models whose `*IDN?` holds this",
          example="{'PS-3[0-9]': {operations: {set_over_voltage: none}}}"),
))
# fmt: on
