"""A logbook for attempts of which nothing is kept (runner.protocols.Record): in a rehearsal every unit is new."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime

from bringup.core.deviations import Observation, Photo, Rework
from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, Result, StepOutcome
from bringup.runner.records import AttemptStart, LineText, PhotoFile, PollSample, SisterQuestion, UnitHistory


class ForgetfulRecord:
    """Remembers where an attempt is, and the first step in which a limit was missed."""

    def __init__(self) -> None:
        self.step: int | None = None
        """Index of the step that was begun last."""
        self.failed_in: int | None = None
        """Index of the first step in which a reading failed, or that ended failed."""

    def begin(self, start: AttemptStart) -> str:
        """Open an attempt."""
        del start
        return "rehearsal"

    def step_begun(self, index: int, at: datetime, monotonic: float) -> None:
        """A step begins."""
        del at, monotonic
        self.step = index

    def step_ended(
        self, index: int, outcome: StepOutcome, result: str, *, at: datetime, why: str = "", who: str = ""
    ) -> None:
        """A step ended."""
        del outcome, at, why, who
        if result == "fail" and self.failed_in is None:
            self.failed_in = index

    def reading(self, reading: Reading) -> None:
        """Forget a reading; a failed one has its step remembered."""
        if reading.result is Result.FAIL and self.failed_in is None:
            self.failed_in = self.step

    def sample(
        self, step: int, channel: str, unit: str, at: datetime, monotonic: float, value: float | None, raw: str
    ) -> None:
        """Forget a sample."""

    def polls(self, samples: Sequence[PollSample]) -> None:
        """Forget a poll trace."""

    def line_texts(self, texts: Sequence[LineText]) -> None:
        """Forget what came on serial lines."""

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
        """Forget an event."""

    def note(self, text: str, *, at: datetime, step: int | None = None) -> None:
        """Forget a note."""

    def rework(self, rework: Rework, *, at: datetime, monotonic: float, step: int | None = None) -> None:
        """Forget a rework."""

    def observation(self, observation: Observation, *, at: datetime, step: int | None = None) -> None:
        """Forget an observation."""

    def photo(self, photo: Photo, found: PhotoFile, *, at: datetime, step: int | None = None) -> Iterator[None]:
        """Forget a photo."""
        del photo, found, at, step
        return iter(())

    def end(self, result: AttemptResult, cause: str, *, at: datetime, off_verified: bool | None) -> None:
        """Close the attempt."""

    def sisters(self, question: SisterQuestion) -> tuple[float, ...]:
        """None: what is rehearsed has no sisters."""
        del question
        return ()

    def history(self, serial: str) -> UnitHistory:
        """Nothing was ever done to any unit."""
        del serial
        return UnitHistory()
