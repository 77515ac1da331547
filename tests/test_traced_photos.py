"""What a trace keeps of photos, and the same photos out of it without their pictures."""

from __future__ import annotations

import hashlib
import math
from pathlib import Path
from typing import Any

import pytest

from bringup.core.procedure import Step, TakePhoto
from bringup.core.traffic import Differs, Event, read, written
from bringup.core.words import AttemptResult
from bringup.host.replayed_photos import ReplayedPhotos
from bringup.host.traced_photos import TracedPhotos
from bringup.runner.records import PhotoFile, Seen
from bringup.simulation.clock import SimulatedClock
from tests.sample_pictures import JPEG, PNG
from tests.test_photo_step import PhotosAtOnce, bench_with, kept, later, person


class Notes:
    """A trace under way in simulated time; `events`: as they come back out of its lines."""

    def __init__(self, clock: SimulatedClock) -> None:
        self._clock = clock
        self.lines: list[str] = []

    def note(self, who: str, what: str, words: str = "", data: bytes = b"") -> None:
        self.lines.append(written(Event(self._clock.monotonic(), who, what, words, data)))

    @property
    def events(self) -> list[Event]:
        found = [read(line, number) for number, line in enumerate(self.lines, 1)]
        return [event for event in found if event is not None]


def replayed(notes: Notes, clock: SimulatedClock) -> ReplayedPhotos:
    return ReplayedPhotos("t.txt", notes.events, clock, [])


def answer(clock: SimulatedClock, pending: Any) -> Any:
    clock.wait(clock.monotonic() + 1.0)
    return pending.value()


def test_a_picture_is_told_by_name_size_and_hash_and_comes_back_without_its_bytes(tmp_path: Path) -> None:
    (tmp_path / "the top.png").write_bytes(PNG)
    clock = SimulatedClock()
    notes = Notes(clock)
    photos = TracedPhotos(PhotosAtOnce(), notes.note)
    photos.read(str(tmp_path / "the top.png"))
    photos.read(str(tmp_path / "gone.png"))
    digest = hashlib.sha256(PNG).hexdigest()

    assert [" ".join(line.split()[2:]) for line in notes.lines[:2]] == [
        'reads 1 "the top.png"',
        f'read 1 png 7 5 {len(PNG)} {digest} "the top.png"',
    ]
    assert str(tmp_path) not in "".join(notes.lines[:3])
    later_on = SimulatedClock()
    again = replayed(notes, later_on)
    # A replay may be somewhere else: folders do not count.
    assert answer(later_on, again.read("/elsewhere/the top.png")) == PhotoFile(
        "the top.png", b"", digest, "png", (7, 5)
    )
    unread = answer(later_on, again.read("C:\\Users\\somebody\\gone.png"))
    assert unread.why == f"there is no file {tmp_path / 'gone.png'}"
    again.unasked()


def test_of_a_watched_folder_only_what_came_meanwhile_is_told(tmp_path: Path) -> None:
    (tmp_path / "private.jpg").write_bytes(JPEG)
    clock = SimulatedClock()
    notes = Notes(clock)
    photos = TracedPhotos(PhotosAtOnce(), notes.note)
    photos.look(str(tmp_path))
    (tmp_path / "new.jpg").write_bytes(JPEG)
    photos.look(str(tmp_path))
    photos.look(str(tmp_path / "nowhere"))

    assert "private" not in "".join(notes.lines)
    later_on = SimulatedClock()
    again = replayed(notes, later_on)
    assert answer(later_on, again.look("/there/" + tmp_path.name)) == ()
    (seen,) = answer(later_on, again.look("/there/" + tmp_path.name))
    assert isinstance(seen, Seen)
    assert (seen.path, seen.size) == ("new.jpg", len(JPEG))
    assert "cannot be looked into" in answer(later_on, again.look("nowhere"))


def test_what_else_a_trace_says_of_photos_means_nothing() -> None:
    events = [Event(0.1, "photos", "closed"), Event(0.2, "photos", "out", "", b"*IDN?")]

    ReplayedPhotos("t.txt", events, SimulatedClock(), []).unasked()


def test_a_disk_that_did_not_answer_does_not_answer_again(tmp_path: Path) -> None:
    clock = SimulatedClock()
    notes = Notes(clock)
    TracedPhotos(PhotosAtOnce("top.png"), notes.note).read(str(tmp_path / "top.png"))
    again = replayed(notes, clock).read("top.png")
    clock.wait(clock.monotonic() + 100.0)

    assert not again.done
    assert again.deadline == math.inf


def test_another_photo_than_then_or_one_less_is_a_difference(tmp_path: Path) -> None:
    clock = SimulatedClock()
    notes = Notes(clock)
    TracedPhotos(PhotosAtOnce(), notes.note).read(str(tmp_path / "top.png"))

    with pytest.raises(Differs, match=r't.txt:1: then came: photos reads "top.png"; now photos reads "bottom.png"'):
        replayed(notes, clock).read("bottom.png")
    with pytest.raises(Differs, match=r't.txt:1: then came: photos reads "top.png"; now the attempt has ended'):
        replayed(notes, clock).unasked()
    again = replayed(notes, clock)
    again.read("top.png")
    with pytest.raises(Differs, match=r't.txt: then no photo more was looked for; now photos looks "camera"'):
        again.look("/mnt/camera")


def test_a_wait_for_a_picture_goes_as_it_went(tmp_path: Path) -> None:
    step = Step(0, TakePhoto("Top side", folder=str(tmp_path)))
    bench = bench_with(step)
    later(bench, 3.0, tmp_path / "a.txt", b"hello")
    later(bench, 9.0, tmp_path / "b.jpg", JPEG)
    notes = Notes(bench.clock)
    first = bench.run(ask=person(bench), photos=TracedPhotos(PhotosAtOnce(), notes.note))
    (tmp_path / "b.jpg").unlink()
    other = bench_with(step)
    photos = replayed(notes, other.clock)
    again = other.run(ask=person(other), photos=photos)

    assert (first.result, again.result) == (AttemptResult.PASSED, AttemptResult.PASSED)
    assert kept(other) == kept(bench) == [("b.jpg", "Top side", "jpeg")]
    assert [found.digest for _, found in other.record.photos] == [hashlib.sha256(JPEG).hexdigest()]
    assert [each.text for each in other.told] == [each.text for each in bench.told]
    photos.unasked()
