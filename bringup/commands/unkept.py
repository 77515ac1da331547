"""A record that keeps nothing beyond the program's end: of a check of the bench, which belongs to no unit."""

# ruff: noqa: ARG002 - what keeps nothing takes everything and looks at nothing
from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from bringup.core.deviations import Observation, Photo, Rework
from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, StepOutcome
from bringup.runner.records import AttemptStart, LineText, PhotoFile, PollSample, SisterQuestion, UnitHistory


@dataclass(slots=True)
class Unkept:
    """Implements protocols.Record; the readings are there to be shown at the end."""

    readings: list[Reading] = field(default_factory=list)
    events: list[str] = field(default_factory=list)

    def begin(self, start: AttemptStart) -> str:
        """Return a name that is no attempt's id."""
        return start.procedure

    def step_begun(self, index: int, at: datetime, monotonic: float) -> None:
        """Keep nothing."""

    def step_ended(
        self, index: int, outcome: StepOutcome, result: str, *, at: datetime, why: str = "", who: str = ""
    ) -> None:
        """Keep nothing."""

    def reading(self, reading: Reading) -> None:
        """Remember it."""
        self.readings.append(reading)

    def sample(
        self, step: int, channel: str, unit: str, at: datetime, monotonic: float, value: float | None, raw: str
    ) -> None:
        """Keep nothing."""

    def polls(self, samples: Sequence[PollSample]) -> None:
        """Keep nothing."""

    def line_texts(self, texts: Sequence[LineText]) -> None:
        """Keep nothing."""

    def event(
        self,
        kind: str,
        text: str,
        *,
        at: datetime,
        monotonic: float,
        step: int | None = None,
        data: Mapping[str, str] | None = None,
    ) -> None:
        """Remember what was said."""
        self.events.append(text)

    def note(self, text: str, *, at: datetime, step: int | None = None) -> None:
        """Remember what was said."""
        self.events.append(text)

    def rework(self, rework: Rework, *, at: datetime, monotonic: float, step: int | None = None) -> None:
        """Remember what was said."""
        self.events.append(rework.change)

    def observation(self, observation: Observation, *, at: datetime, step: int | None = None) -> None:
        """Remember what was said."""
        self.events.append(observation.text)

    def photo(self, photo: Photo, found: PhotoFile, *, at: datetime, step: int | None = None) -> Iterator[None]:
        """Remember what was shown."""
        self.events.append(photo.file)
        return iter(())

    def end(self, result: AttemptResult, cause: str, *, at: datetime, off_verified: bool | None) -> None:
        """Keep nothing."""

    def history(self, serial: str) -> UnitHistory:
        """Nothing is known of what is no unit."""
        return UnitHistory()

    def sisters(self, question: SisterQuestion) -> tuple[float, ...]:
        """What is no unit has none."""
        del question
        return ()
