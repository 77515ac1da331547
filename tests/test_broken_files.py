"""Every file of fixtures/broken holds one fault (or says by its name that it holds several)."""

from pathlib import Path

import pytest

from bringup.files.any_file import read_any

FOLDER = Path(__file__).parent.parent / "fixtures" / "broken"
NAMES = sorted(path.stem for path in FOLDER.glob("*.yaml"))


@pytest.mark.parametrize("name", NAMES)
def test_a_broken_file_gets_the_message_beside_it(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(FOLDER)

    read = read_any(Path(f"{name}.yaml"))

    expected = Path(f"{name}.expected.txt").read_text(encoding="utf-8")
    assert expected == "".join(f"{problem}\n" for problem in read.problems)
    assert read.holds is None


def test_every_expected_message_has_its_file() -> None:
    assert sorted(path.name.removesuffix(".expected.txt") for path in FOLDER.glob("*.expected.txt")) == NAMES
    assert all((FOLDER / f"{name}.expected.txt").stat().st_size for name in NAMES)
