"""Photos: known by what they hold, stored once, named by history and given back as they were."""

from __future__ import annotations

import json
import shutil
import struct
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.commands.main import main
from bringup.core.photo import LARGEST, read_photo
from bringup.errors import ExitCode
from bringup.host.photos import HostPhotos, files_in, photo_file
from bringup.logbook.additions import opened, write
from bringup.logbook.audit import audit
from bringup.logbook.pictures import PART, to_store
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.runner.new_photos import NewPhotos
from bringup.runner.records import Seen
from tests.logbook_samples import add_attempt, start
from tests.sample_pictures import EVERY, GIF, JPEG, PNG, WEBP_LOSSLESS

Run = Callable[..., Any]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("filled") / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start())
    return path


@pytest.fixture
def path(tmp_path: Path, filled: Path) -> Path:
    return Path(shutil.copy(filled, tmp_path / "bringup.db"))


@pytest.fixture
def run(path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: object, code: int = ExitCode.PASSED) -> Any:
        assert main([*map(str, arguments), "--logbook", str(path)]) == code
        captured = capsys.readouterr()
        return json.loads(captured.out) if "--json" in arguments else captured.out + captured.err

    return command


def saved(folder: Path, name: str, data: bytes) -> Path:
    file = folder / name
    file.write_bytes(data)
    return file


@pytest.mark.parametrize("name", EVERY)
def test_a_picture_is_known_by_what_it_holds_with_its_size(name: str) -> None:
    kind, data = EVERY[name]

    found = read_photo(data)

    assert (found.kind, found.width, found.height, found.why) == (kind, 7, 5, "")


@pytest.mark.parametrize("name", EVERY)
def test_what_is_cut_short_anywhere_is_no_picture(name: str) -> None:
    data = EVERY[name][1]

    assert not [length for length in range(len(data)) if not read_photo(data[:length]).why]


def test_a_thumbnail_with_an_end_of_its_own_does_not_make_a_cut_picture_whole() -> None:
    thumbnail = b"\xff\xe1" + struct.pack(">H", 2 + len(JPEG)) + JPEG
    whole = JPEG[:2] + thumbnail + JPEG[2:]

    assert (read_photo(whole).width, read_photo(whole).why) == (7, "")
    assert "its end is missing" in read_photo(whole[:-20]).why
    assert read_photo(whole + b"motion picture behind it").why == ""


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "it is empty"),
        (b"hello, world", "it is no picture: JPEG, PNG, GIF and WebP are kept"),
        (b"%PDF-1.7", "it is a PDF"),
        (b"\0\0\0\x18ftypheic\0\0", "it is an HEIF picture, as telephones make them"),
        (b"\0\0\0\x18ftypisom\0\0", "it is a film"),
        (b"BM" + bytes(60), "it is a BMP"),
        (PNG[:16] + bytes(4) + PNG[20:], "a checksum is wrong at byte 8"),
        (JPEG[:2] + b"\0" + JPEG[3:], "it is no picture"),
        (b"\xff\xd8\xff\xd9", "the JPEG holds no picture"),
        (GIF[:6] + bytes(4) + GIF[10:], "its header says 0 by 0 pixels"),
        (bytes(LARGEST + 1), "larger than the 16 MiB that are kept"),
    ],
)
def test_what_is_no_picture_is_refused_with_words(data: bytes, words: str) -> None:
    assert words in read_photo(data).why


@given(st.sampled_from(sorted(EVERY)), st.integers(0, 2**32), st.binary(min_size=1, max_size=8))
def test_damage_is_told_or_leaves_a_size(name: str, at: int, damage: bytes) -> None:
    data = EVERY[name][1]
    place = at % len(data)

    found = read_photo(data[:place] + damage + data[place + len(damage) :])

    assert found.why or (found.kind and found.width > 0 and found.height > 0)


def test_a_photo_is_kept_named_by_history_and_given_back_as_it_was(run: Run, path: Path, tmp_path: Path) -> None:
    kept = run("photo", "MBL-0001", saved(tmp_path, "top.txt", JPEG), "--caption", "R12", "--by", "ada", "--json")

    assert (kept["file"], kept["format"], kept["width"], kept["height"], kept["bytes"]) == (
        *("top.txt", "jpeg", 7, 5),
        len(JPEG),
    )
    assert f"photo {kept['id'][:8]}, " in run("history", "MBL-0001")
    assert "ada: top.txt (R12), 7 x 5 jpeg" in " ".join(run("history", "MBL-0001").split())
    assert run("history", "MBL-0001", "--json")["photos"] == [kept]
    run("photo", "--write-out", kept["id"][:8], "--to", tmp_path / "out.jpg")
    assert (tmp_path / "out.jpg").read_bytes() == JPEG
    said = run("photo", "--write-out", kept["id"][:8], "--to", tmp_path / "out.jpg", code=ExitCode.REFUSED)
    assert "is there already, and is kept\n  Add --force to replace it" in said
    (tmp_path / "out.jpg").write_text("mine")
    run("photo", "--write-out", kept["id"][:8], "--to", tmp_path / "out.jpg", "--force")
    assert (tmp_path / "out.jpg").read_bytes() == JPEG
    assert read(path, audit).sound


def test_the_same_picture_is_stored_once_and_one_broken_off_is_completed(path: Path, tmp_path: Path) -> None:
    data = JPEG + bytes(2 * PART)
    photo = photo_file(saved(tmp_path, "big.jpg", data))
    with opened(path) as logbook:
        parts = list(to_store(logbook.connection, photo))
        assert len(parts) == 3
        write(logbook, parts[0])
        for made in to_store(logbook.connection, photo):
            write(logbook, made)
        assert list(to_store(logbook.connection, photo)) == []
        stored = [row[0] for row in logbook.connection.execute("SELECT content FROM picture_parts ORDER BY part")]
    assert b"".join(stored) == data
    assert read(path, audit).sound


def test_a_picture_that_was_altered_is_not_given_back(run: Run, path: Path, tmp_path: Path) -> None:
    kept = run("photo", "MBL-0001", saved(tmp_path, "top.png", PNG), "--json")
    with opened(path) as logbook:
        logbook.connection.execute("UPDATE picture_parts SET content = x'00'")

    said = run("photo", "--write-out", kept["id"], "--to", tmp_path / "out.png", code=ExitCode.REFUSED)

    assert "is not as it was stored" in said
    assert not (tmp_path / "out.png").exists()
    assert read(path, audit).findings[0].table == "picture_parts"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("MBL-0001", "none.jpg"), "there is no file none.jpg"),
        (("MBL-0001", "."), ". is a folder"),
        (("MBL-0001",), "a photo comes from a FILE or from --folder"),
        (("MBL-0001", "--folder", "no-such-folder"), "the folder no-such-folder cannot be looked into: No such file"),
        ((), "no unit was named"),
        (("--write-out", "zz", "--to", "x.jpg"), "no photo has an id that begins with 'zz'"),
        (("--write-out", "zz"), "go together"),
        (("MBL-0001", "--to", "x.jpg"), "go together"),
    ],
)
def test_what_makes_no_sense_is_refused_with_words(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    said = run("photo", *arguments, code=ExitCode.REFUSED)
    assert words in said
    assert "Traceback" not in said


def test_a_photo_that_is_no_picture_is_not_kept(run: Run, tmp_path: Path) -> None:
    said = run("photo", "MBL-0001", saved(tmp_path, "top.jpg", b"hello"), code=ExitCode.REFUSED)

    assert "top.jpg was not taken: it is no picture" in said
    assert run("history", "MBL-0001", "--json")["photos"] == []


def test_a_watched_folder_gives_what_came_since_and_grows_no_more() -> None:
    old, growing, grown, other = (Seen(*each) for each in (("a", 5, 1), ("b", 1, 2), ("b", 9, 3), ("c", 0, 4)))
    news = NewPhotos([old])

    assert list(news.settled([old, growing])) == []
    assert list(news.settled([old, grown, other])) == []
    assert list(news.settled([old, grown, other])) == [grown]
    assert list(news.settled([old, grown, other])) == [], "each once; an empty one never"


def test_the_next_picture_in_a_folder_is_taken_and_what_is_none_passed_over(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "camera"
    folder.mkdir()
    saved(folder, "old.png", PNG)
    arriving = [("note.txt", b"hello"), ("new.webp", WEBP_LOSSLESS)]

    def pause(_: float) -> None:
        if arriving:
            saved(folder, *arriving.pop(0))

    monkeypatch.setattr("bringup.commands.photo.time.sleep", pause)
    said = run("photo", "MBL-0001", "--folder", folder)

    assert "note.txt was not taken: it is no picture" in said
    assert "kept: new.webp, 7 x 5" in said


def test_files_are_read_in_a_thread_of_their_own(tmp_path: Path) -> None:
    saved(tmp_path, "top.png", PNG)
    come = threading.Event()
    photos = HostPhotos(come.set)
    pending = [photos.read(str(tmp_path)), photos.read(str(tmp_path / "none"))]
    looked = photos.look(str(tmp_path))
    while not (pending[0].done and pending[1].done and looked.done):
        assert come.wait(60)
        come.clear()

    assert [each.value().kind for each in pending] == ["png", ""], "of a folder its newest file"
    assert looked.value() == files_in(tmp_path)
