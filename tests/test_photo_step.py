"""The action `photo` and the key p: a file, the next picture of a watched folder, or what the person names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from bringup.core.deviations import Photo
from bringup.core.procedure import Dwell, Step, TakePhoto
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, StepOutcome
from bringup.files.procedure_file import load_procedure
from bringup.host.photos import files_in, photo_file
from bringup.logbook.audit import audit
from bringup.logbook.deviation_queries import beside
from bringup.logbook.pictures import PART
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.records import PhotoFile, Seen
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps
from tests.logbook_samples import NOON, start
from tests.sample_pictures import GIF, JPEG, PNG

APPLY = picked("apply").steps[0]
DWELL = Dwell(parse_quantity("5 s"))


class PhotosAtOnce:
    """Reads real files, at once, in the simulated moment; `never`: names of folders and files that do not answer."""

    def __init__(self, *never: str) -> None:
        self._never = never

    def look(self, folder: str) -> Pending[tuple[Seen, ...] | str]:
        return self._given(folder, files_in(Path(folder)))

    def read(self, path: str) -> Pending[PhotoFile]:
        return self._given(path, photo_file(Path(path)))

    def _given(self, path: str, value: Any) -> Pending[Any]:
        pending: Pending[Any] = Pending(float("inf"))
        if Path(path).name not in self._never:
            pending.settle(value)
        return pending


def bench_with(*steps: Step) -> SimulatedBench:
    return simulated_bench(with_steps(*steps), history=SEEN)


def person(bench: SimulatedBench, *lines: str, delay: float = 0.0) -> SimulatedPerson:
    script = [Scripted(Answer(line), kind=PromptKind.TEXT, delay=delay) for line in lines]
    return SimulatedPerson(attended=True, script=script, clock=bench.clock)


def later(bench: SimulatedBench, at: float, file: Path, data: bytes) -> None:
    def arrive() -> None:
        file.write_bytes(data)

    bench.clock.at(at, arrive)


def kept(bench: SimulatedBench) -> list[tuple[str, str, str]]:
    return [(photo.file, photo.caption, found.kind) for photo, found in bench.record.photos]


def test_the_next_picture_that_comes_into_the_folder_is_taken_and_what_is_none_told(tmp_path: Path) -> None:
    (tmp_path / "old.gif").write_bytes(GIF)
    bench = bench_with(Step(0, TakePhoto("Top side", folder=str(tmp_path))))
    later(bench, 3.0, tmp_path / "a.txt", b"hello")
    later(bench, 6.0, tmp_path / "b.jpg", JPEG[:100])
    later(bench, 9.0, tmp_path / "b.jpg", JPEG)

    outcome = bench.run(ask=person(bench), photos=PhotosAtOnce())

    assert kept(bench) == [("b.jpg", "Top side", "jpeg")]
    assert outcome.result is AttemptResult.PASSED
    told = [each.text for each in bench.told]
    assert any(text.startswith(f"take a photo of Top side: waiting for it in {tmp_path}") for text in told)
    assert "a.txt was not taken: it is no picture: JPEG, PNG, GIF and WebP are kept" in told
    assert any(text.startswith("b.jpg was not taken: ") for text in told)


def test_the_supply_is_watched_while_a_picture_is_waited_for(tmp_path: Path) -> None:
    bench = bench_with(APPLY, Step(1, TakePhoto("The lamp", folder=str(tmp_path))))
    later(bench, 10.0, tmp_path / "lamp.png", PNG)

    bench.run(ask=person(bench), photos=PhotosAtOnce())

    assert kept(bench) == [("lamp.png", "The lamp", "png")]
    looks = [sample.monotonic for batch in bench.record.batches for sample in batch if 4.0 < sample.monotonic < 11.0]
    assert len(looks) > 20
    assert max(after - before for before, after in pairwise(looks)) < 0.5


def test_a_wait_for_a_picture_ends_by_a_key(tmp_path: Path) -> None:
    bench = bench_with(Step(0, TakePhoto("Top side", folder=str(tmp_path)), end_on_fail=False))
    asked = person(bench, "the camera is broken")
    asked.press("l", 5.0)

    assert bench.run(ask=asked, photos=PhotosAtOnce()).result is AttemptResult.INCOMPLETE
    assert bench.record.ended_steps[0][1] is StepOutcome.LEFT_OUT
    bench = bench_with(Step(0, TakePhoto("Top side", folder=str(tmp_path))))
    asked = person(bench)
    asked.press("q", 5.0)
    assert bench.run(ask=asked, photos=PhotosAtOnce()).result is AttemptResult.CALLED_OFF


def test_a_file_counts_from_the_procedures_folder(tmp_path: Path) -> None:
    (tmp_path / "top.png").write_bytes(PNG)
    procedure = replace(with_steps(Step(0, TakePhoto("Top side", file="top.png"))), path=str(tmp_path / "mine.yaml"))
    bench = simulated_bench(procedure, history=SEEN)

    bench.run(photos=PhotosAtOnce())

    assert kept(bench) == [("top.png", "Top side", "png")]


@pytest.mark.parametrize(
    ("action", "words"),
    [
        (TakePhoto("Top side", folder="/no-such-folder"), "the folder /no-such-folder cannot be looked into: No such"),
        (TakePhoto("Top side", folder="/hangs"), "the folder /hangs does not answer"),
        (TakePhoto("Top side", file="/no-such-file"), "there is no file /no-such-file"),
        (TakePhoto("Top side", file="/hangs"), "/hangs does not answer"),
    ],
)
def test_where_no_picture_can_come_from_the_person_names_one(tmp_path: Path, action: TakePhoto, words: str) -> None:
    (tmp_path / "top.gif").write_bytes(GIF)
    bench = bench_with(Step(0, action))
    asked = person(bench, "", str(tmp_path / "none.gif"), str(tmp_path / "top.gif"))

    bench.run(ask=asked, photos=PhotosAtOnce("hangs"))

    assert kept(bench) == [("top.gif", "Top side", "gif")]
    remarks = [" ".join(prompt.lines) for prompt, _ in asked.asked]
    assert words in remarks[0]
    assert "there is no file" in remarks[2]


@pytest.mark.parametrize("names", [("/a", "/b", "/c", "/d", "/e"), ()])
def test_without_a_picture_the_step_is_incomplete(names: Sequence[str]) -> None:
    bench = bench_with(Step(0, TakePhoto("Top side"), end_on_fail=False))

    outcome = bench.run(ask=person(bench, *names), photos=PhotosAtOnce())

    assert (outcome.result, "no picture was named" in outcome.cause) == (AttemptResult.INCOMPLETE, True)


def test_a_simulated_bench_by_itself_has_no_camera_and_says_so() -> None:
    procedure = with_steps(Step(0, TakePhoto("Top side", folder="/anywhere")))
    bench = simulated_bench(procedure, history=SEEN, attended=False)

    assert bench.run(photos=PhotosAtOnce()).result is AttemptResult.PASSED
    assert ("no-photo", "no photo of Top side: the simulated bench has no camera") in [
        event[:2] for event in bench.record.events
    ]


def test_the_key_p_keeps_the_newest_picture_of_a_folder_and_refuses_what_is_none(tmp_path: Path) -> None:
    (tmp_path / "top.png").write_bytes(PNG)
    (tmp_path / "words.txt").write_bytes(b"hello")
    for lines, photos in (
        ((str(tmp_path / "top.png"), "L2 is brown"), [("top.png", "L2 is brown", "png")]),
        ((str(tmp_path / "words.txt"),), []),
        (("",), []),
    ):
        bench = bench_with(Step(0, DWELL))
        asked = person(bench, *lines)
        asked.press("p", 4.0)
        bench.run(ask=asked, photos=PhotosAtOnce())
        assert kept(bench) == photos
        refused = [each.text for each in bench.told if each.text.endswith("; no photo was kept")]
        assert len(refused) == (lines[0].endswith("words.txt"))


def test_the_logbook_keeps_a_photo_of_an_attempt_part_by_part(tmp_path: Path) -> None:
    file = tmp_path / "big.jpg"
    file.write_bytes(JPEG + bytes(PART))
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        attempt = record.begin(start())

        steps = list(record.photo(Photo("big.jpg", "Top side"), photo_file(file), at=NOON, step=1))
        again = list(record.photo(Photo("again.jpg"), photo_file(file), at=NOON))
        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=None)
    assert (len(steps), len(again)) == (2, 0)
    photos = read(path, lambda connection: beside(connection, "MBL-0001", simulated=False)).photos
    assert [(each.file, each.caption, each.origin.attempt, each.count) for each in photos] == [
        ("big.jpg", "Top side", attempt, len(JPEG) + PART),
        ("again.jpg", "", attempt, len(JPEG) + PART),
    ]
    assert read(path, audit).sound


def test_a_procedure_asks_for_a_photo_in_one_word_or_by_its_fields(tmp_path: Path) -> None:
    file = tmp_path / "mine.yaml"
    file.write_text(
        "procedure: Photos\nboard: {board: Mooring buoy lamp, rails: {3V3: 3.3 V ± 2 %}}\nsteps:\n"
        "  - photo: Top side\n  - photo: {of: Bottom side, folder: camera, file: last.jpg}\n"
    )
    actions = [step.action for step in load_procedure(file).steps]
    assert actions == [TakePhoto("Top side"), TakePhoto("Bottom side", "camera", "last.jpg")]
