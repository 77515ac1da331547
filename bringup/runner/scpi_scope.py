"""A scope that speaks SCPI: set up for ripple, one acquisition, the peak-to-peak value, a picture of its screen.

A value is one only if its acquisition ended, the scope has a number, and the wave does not reach the edges of the
screen: a clipped wave is larger than what is shown of it. What of the set-up can be read back must agree first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bringup.core.bench import ScopeRole
from bringup.core.dialect import Dialect, Message, can_ask, can_tell
from bringup.core.frozen import frozen
from bringup.core.picture import Picture, read_picture
from bringup.core.replies import ScpiError, Value
from bringup.core.spelling import ask, spell
from bringup.core.understanding import understand_number, understand_switch
from bringup.runner.exchange import (
    DRAIN_TIME,
    Told,
    attach,
    complaints,
    error_queries,
    errors_in,
    faults_in,
    more_errors,
    settled,
    taking_part,
    tell,
)
from bringup.runner.pending import Pending
from bringup.runner.protocols import Link
from bringup.runner.records import InstrumentInfo, Reply
from bringup.runner.roles import Attached, Trouble

SWITCHES = (
    ("show_channel", True, "shown"),
    ("set_coupling", True, "coupled to AC"),
    ("set_bandwidth_limit", True, "limited to 20 MHz"),
    ("set_sweep", True, "free running"),
)
"""What ripple is measured with: operation, on or off, in words."""
NEEDED = ("set_coupling", "set_bandwidth_limit")
"""Without these what is read is no ripple at 20 MHz, AC: DC and noise come on top."""
AGREES = 0.01
"""Relative: as far may what is read back be from what was set (3 digits are shown)."""
CLIPPED_FROM = 0.99
"""Part of the screen's height from which on a wave is taken as clipped."""
ACROSS = 12
"""Divisions across the widest screen: so long an acquisition takes, and the trigger's own time-out on top."""
FREE_RUN_AFTER = 2.0
"""Seconds after which every scope that runs free has started without a trigger."""
ASK_AGAIN = 0.05
"""Seconds between two questions whether the acquisition has ended."""
PICTURE_WITHIN = 30.0
"""Seconds for a picture: a megabyte over a slow port of the instrument's."""
LONGEST_SAID = 200
"""Characters of what is told of a reply."""
FASTEST, SLOWEST = 1e-6, 10.0
"""Seconds per division that are set; messages spell whole microseconds."""


@frozen
class SetUp:
    """What came of setting up. `why`: what is not as it was to be, '' if all of it is."""

    why: str = ""
    unchecked: tuple[str, ...] = ()
    """What was set and could not be read back, in words."""
    unset: tuple[str, ...] = ()
    """What the dialect has no word for, in words: it is as somebody left it at the panel."""
    troubles: tuple[Trouble, ...] = ()


@frozen
class PeakToPeak:
    """One measurement. `value.number` None is no value, `value.why` says why."""

    value: Value
    troubles: tuple[Trouble, ...] = ()


@frozen
class Pictured:
    """One picture, or why there is none (in `picture.why`)."""

    picture: Picture
    troubles: tuple[Trouble, ...] = ()


class ScpiScope:
    """One channel of a scope over one Link, whose worker thread alone waits for it."""

    def __init__(self, role: ScopeRole, dialect: Dialect, link: Link, *, resource: str = "") -> None:
        self._role = role
        self._dialect = dialect
        self._link = link
        self._resource = resource or role.resource or ""
        self._set: tuple[float, float] | None = None
        """Volts and seconds per division that were set and read back; None: nobody knows how it is set up."""

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook; complete after `attach`."""
        return taking_part("scope", self._link, self._dialect, self._resource, self._role.calibration_due)

    def attach(self) -> Pending[Attached]:
        """Identify and empty the error queue. Sets nothing. The Pending raises BenchError for another instrument."""
        return attach(self._link, self._dialect, self._role.expected, self)

    def adopt(self, model: Dialect) -> Sequence[Message]:
        """Speak to this model from now on."""
        self._dialect = model
        return ()

    def heard(self, replies: tuple[Reply, ...]) -> tuple[Trouble, ...]:
        """Nothing has to be asked of a scope before its errors."""
        del replies
        return ()

    def set_up(self, scale: float, time_base: float) -> Pending[SetUp]:
        """Set the channel for ripple: `scale` in volts at the probe's tip, `time_base` in seconds, each per division.

        Raises ValueError for what no scope can be set to: that is a bug in the caller.
        """
        if not (scale > 0 and FASTEST <= time_base <= SLOWEST):
            raise ValueError(f"{scale!r} V and {time_base!r} s per division are not to be set")
        self._set = None
        lacks = [words for name, _, words in SWITCHES if name in NEEDED and not can_tell(self._dialect, name)]
        if lacks:
            return settled(SetUp(f"the dialect {self._dialect.name} has no word for: {', '.join(lacks)}"))
        channel = self._role.channel
        numbers = (("set_probe", self._role.probe), ("set_scale", scale), ("set_time_base", time_base))
        sends: list[Message] = []
        checks: list[Message] = []
        asked: list[tuple[str, float | bool, str]] = []
        unset: list[str] = []
        unchecked: list[str] = []
        wanted: list[tuple[str, float | bool, str]] = [
            *SWITCHES[:1],
            *((name, value, f"{name.removeprefix('set_').replace('_', ' ')} {value:g}") for name, value in numbers),
            *SWITCHES[1:],
        ]
        for name, value, words in wanted:
            if not can_tell(self._dialect, name):
                unset.append(words)
                continue
            sends += spell(self._dialect, name, channel=channel, value=float(value), on=bool(value))
            if can_ask(self._dialect, name):
                checks.append(ask(self._dialect, name, channel=channel))
                asked.append((name, value, words))
            else:
                unchecked.append(words)
        if can_tell(self._dialect, "choose_peak_to_peak"):
            sends += spell(self._dialect, "choose_peak_to_peak", channel=channel)

        def told(done: Told) -> SetUp:
            wrong = [
                f"it is to be {words}, and answers {(reply.line or 'nothing')[:40]!r}"
                for (name, value, words), reply in zip(asked, done.checks, strict=True)
                if not self._agrees(name, value, reply)
            ]
            refused = [f"`{each.sent}`: {each.text}" for each in done.troubles if each.errors or each.fault is not None]
            why = "; ".join((*refused, *wrong)[:3])
            if not why:
                self._set = (scale, time_base)
            return SetUp(why, tuple(unchecked), tuple(unset), done.troubles)

        return tell(self._link, self._dialect, sends, checks).then(told)

    def peak_to_peak(self) -> Pending[PeakToPeak]:
        """Acquire once, wait until that has ended, and return volts from peak to peak at the probe's tip."""
        if self._set is None:
            return settled(PeakToPeak(Value(None, "", why="the scope is not set up")))
        scale, time_base = self._set
        within = ACROSS * time_base + FREE_RUN_AFTER
        left = int(within / ASK_AGAIN) + 1
        question = ask(self._dialect, "acquired", extra_time=within, channel=self._role.channel)
        sends = spell(self._dialect, "acquire", channel=self._role.channel)
        room = 2 * within + left * self._dialect.timeout + DRAIN_TIME
        started = self._link.submit((*sends, question))
        return started.chain(lambda replies: self._acquired(replies, question, scale, left), room)

    def screen_picture(self) -> Pending[Pictured]:
        """Return what the screen shows, as PNG or BMP. Its transfer may take PICTURE_WITHIN."""
        if not can_ask(self._dialect, "screen_picture"):
            return settled(Pictured(Picture(why=f"the dialect {self._dialect.name} has no word for a picture")))
        question = ask(self._dialect, "screen_picture", extra_time=PICTURE_WITHIN, channel=self._role.channel)

        def came(replies: tuple[Reply, ...]) -> Pictured:
            faults = tuple(
                replace(each, text=_short(each.text), strays=tuple(map(_short, each.strays)))
                for each in faults_in(replies)
            )
            if replies[-1].line is None:
                why = faults[0].text if faults else "no reply"
                return Pictured(Picture(why=f"no picture came: {why}"), faults)
            return Pictured(read_picture(replies[-1].line), faults)

        return self._link.submit((question,)).then(came)

    def close(self) -> None:
        """Let go of the link."""
        self._link.close()

    def _agrees(self, name: str, value: float | bool, reply: Reply) -> bool:
        if isinstance(value, bool):
            return understand_switch(self._dialect, name, reply.line) is value
        number = understand_number(self._dialect, name, reply.line).number
        return number is not None and abs(number - value) <= AGREES * value

    def _acquired(self, replies: tuple[Reply, ...], question: Message, scale: float, left: int) -> Pending[PeakToPeak]:
        """Ask again while it still acquires; measure once it has ended."""
        if faults := [each for each in faults_in(replies) if each.fault is not None]:
            self._set = None  # what is lost may come back set up otherwise
            why = f"the acquisition did not end (no trigger?): {_short(faults[0].text)}"
            return settled(PeakToPeak(Value(None, "", why=why), faults_in(replies)))
        ended = understand_switch(self._dialect, "acquired", replies[-1].line)
        if ended is None or (not ended and not left):
            said = f", it answers {_short(repr(replies[-1].line))}" if ended is None else ""
            return settled(PeakToPeak(Value(None, "", why=f"the acquisition did not end (no trigger?){said}")))
        if not ended:
            again = replace(question, gap=question.gap + ASK_AGAIN)
            return self._link.submit((again,)).chain(lambda newer: self._acquired(newer, question, scale, left - 1))
        measure = ask(self._dialect, "peak_to_peak", channel=self._role.channel)
        looks = error_queries(self._dialect)
        return self._link.submit((measure, *looks)).chain(lambda said: self._measured(said, measure, scale), DRAIN_TIME)

    def _measured(self, replies: tuple[Reply, ...], measure: Message, scale: float) -> Pending[PeakToPeak]:
        faults, reply = faults_in(replies), replies[0]
        value = replace(self._judged(reply, scale), received=reply.received if reply.line is not None else None)
        if reply.fault is not None:
            self._set = None
        errors = errors_in(replies[1:])
        if not errors:
            return settled(PeakToPeak(value, faults))

        def refused(found: tuple[ScpiError, ...]) -> PeakToPeak:
            why = f"the instrument reports {found[0].raw}"
            return PeakToPeak(Value(None, value.raw, why=why), (*faults, *complaints(measure.text, found)))

        return more_errors(self._link, self._dialect, errors).then(refused)

    def _judged(self, reply: Reply, scale: float) -> Value:
        value = understand_number(self._dialect, "peak_to_peak", reply.line)
        if value.number is None:
            return value if reply.fault is None else replace(value, why=_short(reply.why or reply.fault.value))
        if value.number < 0:
            return Value(None, value.raw, why=f"{value.number:g} V from peak to peak is no measurement")
        height = scale * self._dialect.divisions
        if value.number >= CLIPPED_FROM * height:
            why = f"clipped: {value.number:g} V reach the edges of a screen {height:g} V high"
            return Value(None, value.raw, over_range=1, why=why)
        return value


def _short(text: str) -> str:
    """Return it without the hundreds of kilobytes that a picture in the wrong place may bring."""
    return text if len(text) <= LONGEST_SAID else f"{text[:LONGEST_SAID]}..."
