"""One way in for everything that is kept: first the logbook, and only after its commit the view.

Actions never call Record or Tell themselves. A LogbookError passes through to the attempt, which switches off (in an
irreversible step once that is over); what could not be kept stays here so that it can at least be shown.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime

from bringup.core.deviations import Observation, Photo, Rework
from bringup.core.reading import Reading
from bringup.errors import LogbookError
from bringup.runner.protocols import Clock, Record, Tell, Told
from bringup.runner.records import LineText, PhotoFile, PollSample
from bringup.runner.roles import Trouble

POLLS_AT_MOST_OLD = 0.7
"""Seconds after which collected polls are written: with one poll interval more, at most 1 s is ever lost."""

TEXTS_AT_MOST_OLD = 0.5
"""Seconds after which collected serial text is written."""
TEXTS_AT_MOST = 65536
"""Characters of it that are written at once however new they are."""
MOST_UNLIKE = 3
"""Readings unlike the sisters' that are named at the end of an attempt; all are kept as events."""


def raise_it(error: Exception) -> None:
    """Raise what kept something from the logbook."""
    raise error


class Journal:
    """Keeps readings, samples, polls, events and notes of one attempt, in the step under way."""

    def __init__(self, record: Record, tell: Tell, clock: Clock) -> None:
        self.record = record
        self.clock = clock
        self.step: int | None = None
        self.readings: list[Reading] = []
        self.unrecorded: list[Reading] = []
        self.ending = False
        """From here on a view that breaks must keep nothing from being recorded: what it raised is kept in `bug`."""
        self.bug: Exception | None = None
        self.unless_spared: Callable[[Exception], None] = raise_it
        """What a LogbookError goes to; the watch's puts it off where power is spared."""
        self.remark: Callable[[Reading], str] = lambda _reading: ""
        """What there is to say of a reading beside its result, such as that it is unlike its sisters'."""
        self.beside: Callable[[Reading], str] = lambda _reading: ""
        """How a reading differs from the reference's and from its sisters': shown with it."""
        self._unlike: list[str] = []
        self._view = tell
        self._polls: list[PollSample] = []
        self._texts: list[LineText] = []
        self._characters = 0

    def _tell(self, told: Told) -> None:
        try:
            self._view(told)
        except Exception as bug:
            if not self.ending:
                raise
            self.bug = self.bug or bug

    def now(self) -> tuple[datetime, float]:
        """Return this moment, as wall time and as monotonic seconds."""
        return self.clock.utc(), self.clock.monotonic()

    def show(self, kind: str, text: str = "", /, *, poll: PollSample | None = None, **data: object) -> None:
        """Show something that is not kept, such as the progress of a wait."""
        self._tell(Told(kind, text, step=self.step, poll=poll, data=data))

    def reading(self, reading: Reading) -> None:
        """Keep a reading, then show it. Raises LogbookError; the reading is then in `unrecorded`."""
        try:
            self.record.reading(reading)
        except LogbookError as error:
            self.unrecorded.append(reading)
            self.unless_spared(error)
        else:
            self.readings.append(reading)
        self._tell(Told("reading", step=self.step, reading=reading, data={"beside": self.beside(reading)}))
        if not self.ending and (remark := self.remark(reading)):
            self._unlike.append(remark.partition(":")[0])
            self.event("unlike", remark)

    def warned(self, warnings: Iterable[str]) -> str:
        """Return what is told beside the result: these, and which readings were unlike the sisters'; '' for nothing."""
        named = self._unlike[:MOST_UNLIKE]
        more = f" and {len(self._unlike) - len(named)} more" if len(named) < len(self._unlike) else ""
        unlike = [f"unlike passed sisters: {', '.join(named)}{more}"] if named else []
        return "; ".join([*warnings, *unlike])

    def sample(
        self, channel: str, unit: str, value: float | None, raw: str, monotonic: float, *, step: int | None = None
    ) -> None:
        """Keep one sample of a `log`, then show it. `step`: of an earlier one, where that is not the one under way."""
        step = self.step if step is None else step
        assert step is not None, "a sample outside a step"
        try:
            self.record.sample(step, channel, unit, self.clock.utc(), monotonic, value, raw)
        except LogbookError as error:
            self.unless_spared(error)
        self._tell(Told("sample", channel, step=step, data={"value": value, "unit": unit, "raw": raw}))

    def event(self, kind: str, text: str, data: Mapping[str, str] | None = None, *, show: str = "event") -> None:
        """Keep something that happened, then show it. `show` is the kind of Told; '' where it was shown before."""
        try:
            self._record_event(kind, text, data)
        except LogbookError as error:
            self.unless_spared(error)
        if show:
            self._tell(Told(show, text, step=self.step, data={"kind": kind, **(data or {})}))

    def _record_event(self, kind: str, text: str, data: Mapping[str, str] | None) -> None:
        at, monotonic = self.now()
        self.record.event(kind, text, at=at, monotonic=monotonic, step=self.step, data=data)

    def event_if_possible(
        self, kind: str, text: str, data: Mapping[str, str] | None = None, *, show: str = "event"
    ) -> None:
        """Keep something that happened while ending: if the logbook fails, that is shown instead of raised."""
        try:
            self._record_event(kind, text, data)
        except LogbookError as error:
            self.show("event", f"{text} (not in the logbook: {error.message})", kind=kind)
        else:
            if show:
                self._tell(Told(show, text, step=self.step, data={"kind": kind, **(data or {})}))

    def line_text(self, text: LineText) -> None:
        """Collect what came on a serial line."""
        self._texts.append(text)
        self._characters += len(text.content)

    def write_texts(self, *, all_of_them: bool = False) -> None:
        """Write what came on serial lines if the oldest of it is due, or it is much. A failure: see `unless_spared`."""
        if not self._texts:
            return
        old = self.clock.monotonic() - self._texts[0].monotonic >= TEXTS_AT_MOST_OLD
        if all_of_them or old or self._characters >= TEXTS_AT_MOST:
            batch, self._texts, self._characters = self._texts, [], 0
            try:
                self.record.line_texts(batch)
            except LogbookError as error:
                self.unless_spared(error)

    def write_texts_if_possible(self) -> None:
        """Write all of it while ending: if the logbook fails, that is shown instead of raised."""
        batch, self._texts, self._characters = self._texts, [], 0
        try:
            if batch:
                self.record.line_texts(batch)
        except LogbookError as error:
            self.show("event", f"the last of the serial text is not in the logbook: {error.message}", kind="logbook")

    def note(self, text: str) -> None:
        """Keep a note in the unit's history, then show it."""
        self.record.note(text, at=self.clock.utc(), step=self.step)
        self.show("event", text, kind="note")

    def rework(self, rework: Rework) -> None:
        """Keep a rework of the unit, then show it."""
        at, monotonic = self.now()
        try:
            self.record.rework(rework, at=at, monotonic=monotonic, step=self.step)
        except LogbookError as error:
            self.unless_spared(error)
        self.show("event", f"{rework.change} ({rework.why}); {rework.again}", kind="rework")

    def observation(self, observation: Observation) -> None:
        """Keep an observation, then show it."""
        try:
            self.record.observation(observation, at=self.clock.utc(), step=self.step)
        except LogbookError as error:
            self.unless_spared(error)
        self.show(
            "event", f"{observation.severity}, for the {observation.target}: {observation.text}", kind="observation"
        )

    def photo(self, photo: Photo, found: PhotoFile) -> Iterator[None]:
        """Keep a photo part by part, then show it; whoever iterates looks around at each step."""
        try:
            yield from self.record.photo(photo, found, at=self.clock.utc(), step=self.step)
        except LogbookError as error:
            self.unless_spared(error)
        width, height = found.size
        self.show("event", f"{photo.file}, {width} x {height} {photo.caption}".rstrip(), kind="photo")

    def troubles(self, instrument: str, troubles: tuple[Trouble, ...]) -> None:
        """Keep what an instrument reported, with the command that caused it."""
        for trouble in troubles:
            text = trouble.text if trouble.instrument else f"{instrument}: {trouble.text}"
            data = {"instrument": trouble.instrument or instrument, "sent": trouble.sent}
            if trouble.errors:
                data["errors"] = "; ".join(error.raw for error in trouble.errors)
            if trouble.fault is not None:
                data["fault"] = trouble.fault.value
            if trouble.strays:
                data["strays"] = "\n".join(trouble.strays)
            self.event("instrument", text, data)

    def poll(self, sample: PollSample) -> None:
        """Show a look at the supply and collect it for the poll trace."""
        self._polls.append(sample)
        self.show("poll", poll=sample)

    def write_polls(self, *, all_of_them: bool = False) -> None:
        """Write the collected polls if the oldest is due, or all of them. Raises LogbookError."""
        if not self._polls:
            return
        if all_of_them or self.clock.monotonic() - self._polls[0].monotonic >= POLLS_AT_MOST_OLD:
            batch, self._polls = self._polls, []
            self.record.polls(batch)

    def write_polls_if_possible(self) -> None:
        """Write all collected polls while ending: if the logbook fails, that is shown instead of raised."""
        try:
            self.write_polls(all_of_them=True)
        except LogbookError as error:
            self.show("event", f"the poll trace's last second is not in the logbook: {error.message}", kind="logbook")
