"""What is to be seen of an attempt, built from what the runner tells. Pure: no terminal, no colour, no time of its own.

`Scene.take` turns one Told into the lines that stay on the screen and keeps the state that the status shows:
the step, the output, volts and amps, what is being waited for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from bringup.core.harmless import harmless
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, Result, StepOutcome
from bringup.runner.earlier import CONTINUABLE
from bringup.runner.prompts import PromptKind
from bringup.runner.protocols import Told
from bringup.terminal.letters import off_frame, switches, unknown_frame
from bringup.terminal.lines import Line, Tone
from bringup.terminal.loaded import loaded_after
from bringup.terminal.pictures import UNICODE, Signs
from bringup.terminal.power_seen import PowerSeen
from bringup.terminal.readings import reading_line, told_of
from bringup.terminal.rings import Ring
from bringup.terminal.sentences import Answered, is_not_reached, not_reached, outputs_at_end, power_words
from bringup.terminal.verdict import Verdict

WIDE_FROM = 112
"""Columns from which a reading's whole line fits."""
SHORT_WAIT = 1.0
"""Seconds below which a wait is not worth a word."""
_REFRESHING = frozenset({"poll", "sample", "going", "probing"})
"""What only changes the status: it says nothing about whether a run of lines is over."""
CLAIMS = "supply set by hand: ON and OFF are what the person says, and nothing but the person watches"


@dataclass(slots=True)
class Scene:
    """The state of the picture. Fields are read by the view; only `take` changes them."""

    signs: Signs = UNICODE
    width: int | None = None
    """Columns of the terminal; None: as many as a line needs."""
    title: str = ""
    simulated: bool = False
    compact: bool = False
    """Whether what repeats from unit to unit is left out: headings, what the bench answers by itself, plain news."""
    supply: bool = True
    """Whether the bench has a supply at all."""
    by_hand: bool = False
    """Whether a person sets the supply: its state is then that person's claim."""
    step: str = ""
    seen: PowerSeen = field(default_factory=PowerSeen)
    unknown: tuple[str, ...] = ()
    """What was said when the outputs could not be verified off; empty unless that holds now."""
    loaded: Mapping[str, str] = field(default_factory=dict)
    probing: Told | None = None
    """Where a probe held by hand is to go, and what it is on; None while none is waited for."""
    going: str = ""
    going_until: float | None = None
    """When it will be over; None for what comes again and again, each time for less than a second."""
    sampled: Told | None = None
    """The latest sample; many come between two pictures."""
    ended: bool = False
    readings: int = 0
    corrected: int = 0
    """How many of the readings stand in another one's place."""
    failures: list[Reading] = field(default_factory=list)
    attempt: str = ""
    kept_in: str = ""
    """The logbook file, which the end names."""
    keeps: bool = True
    """Whether what is shown is kept in a logbook: a check of the bench is not."""
    counts: bool = False
    """Whether the attempt holds anything for which it could be gone on with: a step with a result, one carried over."""
    to_go_on: str = ""
    """The command that goes on with the attempt, which an end that may be gone on with names."""
    ring: Ring | None = None
    """The bell that the last told thing deserves."""
    _brief: tuple[str, float] = ("", 0.0)
    """What was waited for by short waits alone, and for how long in all."""
    _answered: Answered | None = None
    _not_reached: list[tuple[int, str]] = field(default_factory=list)

    @property
    def narrow(self) -> bool:
        """Whether a reading's whole line does not fit."""
        return self.width is not None and self.width < WIDE_FROM

    @property
    def sample(self) -> str:
        """The latest sample in words; empty without one."""
        if self.sampled is None:
            return ""
        value, unit = self.sampled.data.get("value"), str(self.sampled.data.get("unit", ""))
        shown = format_quantity(value, unit) if isinstance(value, float) else "no value"
        return f"{self.sampled.text} {shown}"

    @property
    def power(self) -> bool | None:
        """Whether an output is on; None: unknown."""
        return self.seen.on

    @property
    def power_words(self) -> str:
        """Whether the input is on, in words that differ by more than their colour."""
        return power_words(self.power, by_hand=self.by_hand) if self.supply else "NO SUPPLY ON THIS BENCH"

    def take(self, told: Told) -> tuple[Line, ...]:
        """Note what was told; return the lines that stay on the screen."""
        self.ring = None
        if told.data.get("kind") == "rework":
            self.to_go_on = ""  # an attempt in which the unit was changed is none to go on with
        before = () if told.kind in _REFRESHING else self._held(told)
        handler = getattr(self, "_" + told.kind.replace("-", "_"), None)
        if handler is None:
            return (*before, Line(told.text)) if told.text else before
        lines: tuple[Line, ...] = handler(told)
        return (*before, *lines)

    def _held(self, told: Told) -> tuple[Line, ...]:
        """Return the lines that were held back and that this does not take further."""
        lines = []
        answered, self._answered = self._answered, None
        if answered is not None and not (told.kind == "event" and answered.said_by(told)):
            lines.append(Line(f"  {answered.asked}  {answered.answer}", Tone.QUIET))
        if self._not_reached and not is_not_reached(told):
            lines.append(Line(f"  {not_reached(self._not_reached)}", Tone.WARN))
            self._not_reached = []
        return tuple(lines)

    def _attempt_begun(self, told: Told) -> tuple[Line, ...]:
        serial = str(told.data.get("serial", ""))
        self.title = f"{serial}: {told.text}" if serial else told.text
        self.attempt = str(told.data.get("attempt", "")) if self.keeps else ""
        self.simulated = bool(told.data.get("simulated", False))
        self.supply = bool(told.data.get("supply", True))
        self.by_hand = bool(told.data.get("by_hand", False))
        self.seen.begun(told, by_hand=self.by_hand)
        mark = "  SIMULATED: no real board was measured" if self.simulated else ""
        head = Line(f"{self.title}{mark}", Tone.HEAD)
        return (head, Line(f"  {CLAIMS}", Tone.WARN)) if self.by_hand else (head,)

    def _step_begun(self, told: Told) -> tuple[Line, ...]:
        number = f"step {told.step + 1}" if told.step is not None else "step"
        total = told.data.get("of")
        self.step = f"{number}{f' of {total}' if total else ''}: {told.text}"
        self._nothing_going()
        return () if self.compact else (Line(""), Line(self.step, Tone.HEAD))

    def _step_ended(self, told: Told) -> tuple[Line, ...]:
        self._nothing_going()
        outcome, why = str(told.data.get("outcome", "")), str(told.data.get("why", "") or "")
        self.counts = (
            self.counts or outcome == "carried over" or (outcome == StepOutcome.DONE and bool(told.data.get("result")))
        )
        if outcome in {"", StepOutcome.DONE} or not told.text:
            return ()
        if is_not_reached(told) and told.step is not None:
            self._not_reached.append((told.step + 1, told.text.partition(" not reached: ")[2]))
            return ()
        return (Line(f"  {told.text}{f': {why}' if why and why not in told.text else ''}", Tone.WARN),)

    def _nothing_going(self) -> None:
        self.going, self.going_until, self.sampled, self._brief = "", None, None, ("", 0.0)
        self.probing = None

    def _reading(self, told: Told) -> tuple[Line, ...]:
        assert told.reading is not None
        self.going, self.probing = "", None
        self.readings += 1
        self.corrected += told.reading.replaces is not None
        line = reading_line(told.reading, self.signs, narrow=self.narrow)
        # What was corrected is no failure of this attempt any more: the logbook has both.
        self.failures = [each for each in self.failures if each.id != told.reading.replaces]
        failed = told.reading.result in {Result.FAIL, Result.CONDITIONAL_FAIL, Result.NO_VALUE}
        if failed:
            self.failures.append(told.reading)
        self.ring = Ring.FAILED if failed else Ring.TAKEN
        beside = str(told.data.get("beside", ""))
        return (line, Line(f"      {beside}", Tone.QUIET)) if beside else (line,)

    def _probing(self, told: Told) -> tuple[Line, ...]:
        asked = self.probing is not None and bool(self.probing.data.get("wanted"))
        self.ring = Ring.WANTED if told.data.get("wanted") and not asked else None
        self.probing = told
        return ()

    def _sample(self, told: Told) -> tuple[Line, ...]:
        self.sampled = told
        return ()

    def _poll(self, told: Told) -> tuple[Line, ...]:
        if told.poll is not None:
            # By hand nothing is looked at, and only a verified off ends an unknown state.
            self.seen.looked(told.poll, believed=not self.by_hand and not self.unknown)
        return ()

    def _power(self, told: Told) -> tuple[Line, ...]:
        before, alarmed = self.power, bool(self.unknown)
        self.seen.switched(told)
        if self.power is False:
            self.unknown = ()
            if alarmed and told.text:
                why = str(told.data.get("why", "") or "")
                said = [harmless(text) for text in (told.text, *why.split("; "))]
                return tuple(off_frame(said, self.width, self.signs.block))
        if told.text:
            claim = " (as said)" if self.by_hand and self.power else ""
            return (Line(f"  {told.text}{claim}", Tone.WARN if self.power else Tone.PLAIN),)
        # A claim is shown when it changes, since nothing else repeats what was answered.
        told_of_claim = self.by_hand and self.power is not None and self.power is not before
        return (Line(f"  {self.power_words}"),) if told_of_claim else ()

    def _going(self, told: Told) -> tuple[Line, ...]:
        until, seconds = told.data.get("until"), told.data.get("seconds")
        brief = isinstance(seconds, float) and seconds < SHORT_WAIT
        if not brief:
            self.going, self._brief = told.text, ("", 0.0)
            self.going_until = until if isinstance(until, float) else None
            return ()
        assert isinstance(seconds, float)
        text, passed = self._brief
        self._brief = (told.text, seconds + (passed if text == told.text else 0.0))
        # A short wait that comes again and again is a long one, of which nobody knows the end.
        self.going, self.going_until = told.text if self._brief[1] > SHORT_WAIT else "", None
        return ()

    def _prompt_answered(self, told: Told) -> tuple[Line, ...]:
        answer, kind = str(told.data.get("answer", "") or ""), told.data.get("kind")
        if kind == PromptKind.CAUTION or (kind == PromptKind.TEXT and not answer and not told.data.get("by_itself")):
            return ()  # nothing was said; that a caution was understood is an event of its own
        if told.data.get("by_itself"):
            said = f"  {told.text}  [simulated bench answers: {answer or 'yes'}]"
            return () if self.compact else (Line(said, Tone.QUIET),)
        if answer:
            self._answered = Answered(told.text, answer)
            return ()
        return (Line(f"  {told.text}", Tone.QUIET),)

    def _event(self, told: Told) -> tuple[Line, ...]:
        self.loaded = loaded_after(self.loaded, told)
        self.counts = self.counts or told.data.get("kind") in {"going-on", "found-on"}
        if self.compact and told.data.get("kind") == "simulated":
            return ()
        self.ring = Ring.WANTED if told.data.get("kind") == "due" else None
        mark = "note: " if told.data.get("kind") == "note" else ""
        return (Line(f"  {mark}{told.text}", Tone.BAD if told.data.get("kind") == "load-unknown" else Tone.WARN),)

    def _trip(self, told: Told) -> tuple[Line, ...]:
        self.ring = Ring.TRIPPED
        return (Line(f"  TRIP: {told.text}", Tone.BAD),)

    def _off_unknown(self, told: Told) -> tuple[Line, ...]:
        again = bool(self.unknown)
        self._nothing_going()
        self.seen.lost()
        self.ring = Ring.TRIPPED
        why = str(told.data.get("why", "") or "")
        self.unknown = (told.text.removeprefix("OUTPUT STATE UNKNOWN: "), why)
        if again:
            # The letters stand above already, and come again above the result.
            said, on = "; ".join(filter(None, self.unknown)), switches(self.unknown[0])
            return (Line(f"  STILL UNKNOWN: USE THE SWITCH ON {on}, NOW. {said}", Tone.BAD),)
        return self._frame()

    def _frame(self) -> tuple[Line, ...]:
        said = [harmless(each) for text in self.unknown for each in text.split("; ") if each]
        return tuple(unknown_frame(said, self.width, self.signs.block))

    def _attempt_ended(self, told: Told) -> tuple[Line, ...]:
        self._nothing_going()
        self.ended, self.step = True, ""
        result = str(told.data.get("result", ""))
        tone = Tone.GOOD if result == "passed" else Tone.BAD
        verdict = Verdict(
            result,
            told.text,
            simulated=self.simulated,
            warned=str(told.data.get("warned", "")),
            under_way=str(told.data.get("under_way", "")),
            attempt=self.attempt,
            kept_in=self.kept_in,
        )
        standing = self.readings - self.corrected
        count = f"{standing} reading{'' if standing == 1 else 's'} {'kept' if self.keeps else 'taken, shown here only'}"
        count += f", and {self.corrected} corrected" if self.corrected else ""
        off = told.data.get("off_verified")
        claimed = bool(told.data.get("by_hand", self.by_hand))
        lines: list[Line] = []
        if off is False:
            self.unknown = self.unknown or ("nobody could verify that the outputs are off",)
            lines += self._frame()
        lines += [Line(""), Line(str(verdict), tone)]
        lines.append(Line("; ".join((f"  {count}", *filter(None, [outputs_at_end(off, by_hand=claimed)])))))
        others = [reading for reading in self.failures if not told_of(reading, told.text)]
        if others:
            head = "what failed:" if len(others) == len(self.failures) else "what failed beside it:"
            lines.append(Line(f"  {head}", Tone.BAD))
            failed = [reading_line(each, self.signs, narrow=self.narrow).text.strip() for each in others]
            lines += [Line(f"    {text}", Tone.BAD) for text in failed]
        nothing = result == AttemptResult.CALLED_OFF and off is None and not self.readings and not self.counts
        if self.to_go_on and nothing:
            lines.append(Line("  Nothing was done in it: run it again as before."))
        elif self.to_go_on and result in CONTINUABLE:
            lines += [Line("  The attempt ends here. To go on with it:"), Line(f"    {self.to_go_on}", Tone.TO_TYPE)]
        return tuple(lines)
