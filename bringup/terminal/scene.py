"""What is to be seen of an attempt, built from what the runner tells. Pure: no terminal, no colour, no time of its own.

`Scene.take` turns one Told into the lines that stay on the screen and keeps the state that the status shows:
the step, the output, volts and amps, what is being waited for.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Context, Decimal
from enum import StrEnum

from bringup.core.limits import deviation_percent
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading
from bringup.core.words import Kind, Result
from bringup.runner.protocols import Told
from bringup.runner.records import PollSample
from bringup.terminal.pictures import NARROW, UNICODE, Signs, place


class Tone(StrEnum):
    """How a line is meant; the words carry the meaning too, so that nothing depends on colour."""

    PLAIN = "plain"
    HEAD = "head"
    GOOD = "good"
    BAD = "bad"
    WARN = "warn"
    QUIET = "quiet"


@dataclass(frozen=True, slots=True)
class Line:
    """One line that stays."""

    text: str
    tone: Tone = Tone.PLAIN


class Ring(StrEnum):
    """The bell's three words: how often it strikes says which."""

    TAKEN = "taken"
    FAILED = "failed"
    TRIPPED = "tripped"


STRIKES = {Ring.TAKEN: 1, Ring.FAILED: 2, Ring.TRIPPED: 4}

_MARK = {
    Result.PASS: "pass",
    Result.CONDITIONAL_PASS: "conditional pass",
    Result.CONDITIONAL_FAIL: "CONDITIONAL FAIL",
    Result.FAIL: "FAIL",
    Result.NO_VALUE: "NO VALUE",
    Result.NOT_JUDGED: "not judged",
    Result.RECORDED: "recorded",
}
_TONE = {
    Result.PASS: Tone.GOOD,
    Result.CONDITIONAL_PASS: Tone.GOOD,
    Result.CONDITIONAL_FAIL: Tone.BAD,
    Result.FAIL: Tone.BAD,
    Result.NO_VALUE: Tone.BAD,
    Result.NOT_JUDGED: Tone.WARN,
    Result.RECORDED: Tone.PLAIN,
}


def reading_line(reading: Reading, signs: Signs = UNICODE, *, narrow: bool = False) -> Line:
    """One reading: name, value, its place between its limits, the limits, deviation, result.

    About 115 columns; `narrow`, for terminals of 80, draws a smaller place and leaves the deviation out.
    """
    kind = "" if reading.kind in {Kind.VOLTAGE, Kind.RESISTANCE} else reading.kind.value
    name = " ".join(part for part in (reading.point or "", kind, reading.aspect) if part) or reading.kind.value
    if reading.value is None:
        value = "no value"
    else:
        value = format_quantity(reading.value, reading.unit, resolution=reading.resolution)
    deviation = ""
    if reading.value is not None and reading.limits is not None:
        percent = deviation_percent(reading.value, reading.limits)
        # Adding zero turns a rounded -0.00 into 0.00.
        deviation = f"{round(percent, 2) + 0.0:+.2f} %" if percent is not None else ""
    limits = bounds(reading)
    words = [_MARK[reading.result]]
    if reading.unsettled and reading.lowest is not None and reading.highest is not None:
        low = format_quantity(reading.lowest, reading.unit, resolution=reading.resolution)
        high = format_quantity(reading.highest, reading.unit, resolution=reading.resolution)
        words.append(f"unsettled: {low} .. {high}")
    if reading.note:
        words.append(reading.note)
    if narrow:
        picture = place(reading.value, reading.limits, signs, NARROW)
        text = f"  {name:<18} {value:>12} {picture} {limits:<20} {'; '.join(words)}"
    else:
        picture = place(reading.value, reading.limits, signs)
        text = f"  {name:<27} {value:>14} {picture} {limits:<22} {deviation:>9}  {'; '.join(words)}"
    return Line(text.rstrip(), _TONE[reading.result])


def _told_of(reading: Reading, cause: str) -> bool:
    """Whether the cause names this reading already, by its point, aspect and value."""
    value = "no value"
    if reading.value is not None:
        value = format_quantity(reading.value, reading.unit, resolution=reading.resolution)
    name = " ".join(part for part in (reading.point, reading.aspect, reading.kind.value) if part)
    return f"{name} {value}" in cause


def bounds(reading: Reading) -> str:
    """The limits as two ends, in the unit's prefix of each: '3.234 V .. 3.366 V', '> 200 Ω', '' without."""
    limits = reading.limits
    if limits is None:
        return ""
    low = "" if limits.low is None else _short(limits.low, limits.unit)
    high = "" if limits.high is None else _short(limits.high, limits.unit)
    if low and high:
        return f"{low} .. {high}"
    return f">= {low}" if low else f"<= {high}" if high else ""


def _short(end: Decimal, unit: str) -> str:
    """One end of the limits in five digits: computed ones have many more, which the logbook keeps."""
    return format_quantity(Context(prec=5).plus(end), unit)


@dataclass(slots=True)
class Scene:
    """The state of the picture. Fields are read by the view; only `take` changes them."""

    signs: Signs = UNICODE
    narrow: bool = False
    title: str = ""
    simulated: bool = False
    step: str = ""
    power: bool | None = None
    """Whether an output is on; None: unknown."""
    poll: PollSample | None = None
    going: str = ""
    going_until: float | None = None
    sampled: Told | None = None
    """The latest sample; many come between two pictures."""
    ended: bool = False
    readings: int = 0
    failures: list[Reading] = field(default_factory=list)
    tripped: str = ""
    """The words of the trip that is on the screen already."""
    ring: Ring | None = None
    """The bell that the last told thing deserves."""

    @property
    def sample(self) -> str:
        """The latest sample in words; empty without one."""
        if self.sampled is None:
            return ""
        value, unit = self.sampled.data.get("value"), str(self.sampled.data.get("unit", ""))
        shown = format_quantity(value, unit) if isinstance(value, float) else "no value"
        return f"{self.sampled.text} {shown}"

    def take(self, told: Told) -> tuple[Line, ...]:
        """Note what was told; return the lines that stay on the screen."""
        self.ring = None
        handler = getattr(self, "_" + told.kind.replace("-", "_"), None)
        if handler is None:
            return (Line(told.text),) if told.text else ()
        lines: tuple[Line, ...] = handler(told)
        return lines

    def _attempt_begun(self, told: Told) -> tuple[Line, ...]:
        serial = str(told.data.get("serial", ""))
        self.title = f"{serial}: {told.text}" if serial else told.text
        self.simulated = bool(told.data.get("simulated", False))
        self.power = False
        mark = "  SIMULATED: no real board was measured" if self.simulated else ""
        return (Line(f"{self.title}{mark}", Tone.HEAD),)

    def _step_begun(self, told: Told) -> tuple[Line, ...]:
        number = f"step {told.step + 1}" if told.step is not None else "step"
        total = told.data.get("of")
        self.step = f"{number}{f' of {total}' if total else ''}: {told.text}"
        self.going, self.sampled = "", None
        return (Line(""), Line(self.step, Tone.HEAD))

    def _step_ended(self, told: Told) -> tuple[Line, ...]:
        self.going, self.sampled = "", None
        outcome, why = str(told.data.get("outcome", "")), str(told.data.get("why", "") or "")
        if outcome in {"", "done"} or not told.text:
            return ()
        return (Line(f"  {told.text}{f': {why}' if why and why not in told.text else ''}", Tone.WARN),)

    def _reading(self, told: Told) -> tuple[Line, ...]:
        assert told.reading is not None
        self.going = ""
        self.readings += 1
        line = reading_line(told.reading, self.signs, narrow=self.narrow)
        failed = told.reading.result in {Result.FAIL, Result.CONDITIONAL_FAIL, Result.NO_VALUE}
        if failed:
            self.failures.append(told.reading)
        self.ring = Ring.FAILED if failed else Ring.TAKEN
        return (line,)

    def _sample(self, told: Told) -> tuple[Line, ...]:
        self.sampled = told
        return ()

    def _poll(self, told: Told) -> tuple[Line, ...]:
        self.poll = told.poll
        if told.poll is not None and told.poll.on is not None:
            self.power = told.poll.on
        return ()

    def _power(self, told: Told) -> tuple[Line, ...]:
        self.power = {"yes": True, "no": False}.get(str(told.data.get("on", "")), self.power)
        if self.power is False:
            self.poll = None
        return (Line(f"  {told.text}", Tone.WARN if self.power else Tone.PLAIN),) if told.text else ()

    def _going(self, told: Told) -> tuple[Line, ...]:
        self.going = told.text
        until = told.data.get("until")
        self.going_until = until if isinstance(until, float) else None
        return ()

    def _prompt_answered(self, told: Told) -> tuple[Line, ...]:
        answer = str(told.data.get("answer", "") or "")
        if told.data.get("by_itself"):
            return (Line(f"  {told.text}  [simulated bench answers: {answer or 'yes'}]", Tone.QUIET),)
        return (Line(f"  {told.text}  {answer}".rstrip(), Tone.QUIET),)

    def _event(self, told: Told) -> tuple[Line, ...]:
        return (Line(f"  {told.text}", Tone.WARN),)

    def _trip(self, told: Told) -> tuple[Line, ...]:
        self.ring, self.tripped = Ring.TRIPPED, told.text
        return (Line(f"  TRIP: {told.text}", Tone.BAD),)

    def _off_unknown(self, told: Told) -> tuple[Line, ...]:
        self.power = None
        self.ring = Ring.TRIPPED
        frame = "#" * 78
        said = [told.text.removeprefix("OUTPUT STATE UNKNOWN: "), str(told.data.get("why", "") or "")]
        lines = ["O U T P U T   S T A T E   U N K N O W N", "USE THE SWITCH ON THE SUPPLY, NOW.", *filter(None, said)]
        return tuple(Line(text, Tone.BAD) for text in (frame, *(f"#  {line}" for line in lines), frame))

    def _attempt_ended(self, told: Told) -> tuple[Line, ...]:
        self.ended, self.going, self.sampled, self.step = True, "", None, ""
        result = str(told.data.get("result", ""))
        tone = Tone.GOOD if result == "passed" else Tone.BAD
        simulated = " (SIMULATED)" if self.simulated else ""
        words = told.text.removeprefix(result).removeprefix(":").strip()
        cause = f": {words}" if words else ""
        if self.tripped and told.text.startswith(self.tripped):
            cause = ": the trip above" + told.text.removeprefix(self.tripped)
        count = f"{self.readings} reading{'' if self.readings == 1 else 's'} kept"
        off = told.data.get("off_verified")
        outputs = {True: "outputs OFF, verified", False: "OUTPUT STATE UNKNOWN: use the switch"}.get(off, "")  # type: ignore[call-overload]
        rest = "; ".join(part for part in (count, outputs) if part)
        lines = [Line(""), Line(f"{result.upper() or 'ENDED'}{simulated}{cause}", tone), Line(f"  {rest}")]
        others = [reading for reading in self.failures if not _told_of(reading, told.text)]
        if others:
            head = "what failed:" if len(others) == len(self.failures) else "what failed beside it:"
            lines.append(Line(f"  {head}", Tone.BAD))
            lines += [Line(f"    {reading_line(reading, self.signs).text.strip()}", Tone.BAD) for reading in others]
        return tuple(lines)
