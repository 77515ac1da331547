"""A bench file may leave a dialect out where the maker and model that it states decide one; nothing is ever guessed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.commands.reaching import undecided
from bringup.core.bench import Bench, Identity
from bringup.errors import FileError
from bringup.files.bench_file import load_bench
from bringup.files.dialect_file import shipped_dialects
from tests.served_bench import served_bench

SOCKET = "TCPIP0::192.0.2.10::5025::SOCKET"


def own(folder: Path, name: str, pattern: str, of: str = "select-by-number") -> None:
    """Write a dialect of one's own beside the bench file."""
    lines = shipped_dialects()[of].splitlines()
    made = [f"identity_pattern: '{pattern}'" if each.startswith("identity_pattern:") else each for each in lines]
    text = "\n".join(f"dialect: {name}" if each.startswith("dialect:") else each for each in made)
    (folder / f"{name}.yaml").write_text(text + "\n", encoding="utf-8")


def bench_of(folder: Path, expect: str) -> Bench:
    file = folder / "bench.yaml"
    file.write_text(f"bench: B\nsupply: {{resource: '{SOCKET}', outputs: {{VIN: 1}}{expect}}}\n", encoding="utf-8")
    return load_bench(file)


def test_a_stated_model_that_one_dialect_alone_is_made_for_decides_it(tmp_path: Path) -> None:
    own(tmp_path, "harbour", "WEST DOCK.*,PSU-9")
    own(tmp_path, "quay", "WEST DOCK.*,PSU-7")

    found = bench_of(tmp_path, ", expect: {maker: WEST DOCK, model: PSU-9}")

    assert found.supply is not None
    assert (found.supply.dialect, found.decided) == ("harbour", frozenset({"supply"}))
    assert found.dialects["supply"].name == "harbour"
    stated = bench_of(tmp_path, ", expect: {maker: WEST DOCK, model: PSU-9}, dialect: quay")
    assert stated.supply is not None
    assert (stated.supply.dialect, stated.decided) == ("quay", frozenset())


@pytest.mark.parametrize(
    ("expect", "says"),
    [
        ("", "the supply needs 'dialect'"),
        (", expect: {maker: WEST DOCK}", "the supply needs 'dialect'"),
        (", expect: {model: PSU-9}", "is made for PSU-9; `expect` without `maker`"),
        (", expect: {maker: WEST DOCK, model: PSU-1}", "no dialect for a supply is made for WEST DOCK PSU-1"),
        (", expect: {maker: WEST DOCK, model: PSU-77}", "made for WEST DOCK PSU-77 alike: harbour, quay"),
    ],
)
def test_what_decides_nothing_is_refused(tmp_path: Path, expect: str, says: str) -> None:
    own(tmp_path, "harbour", "WEST DOCK.*,PSU-(9|77)")
    own(tmp_path, "quay", "WEST DOCK.*,PSU-77")

    with pytest.raises(FileError) as refused:
        bench_of(tmp_path, expect)

    assert says in str(refused.value)


def test_who_answers_must_be_who_decided_it(tmp_path: Path) -> None:
    own(tmp_path, "harbour", "WEST DOCK.*,PSU-9")
    own(tmp_path, "quay", "WEST DOCK.*,PSU-9,.*,4[.]")
    found = bench_of(tmp_path, ", expect: {maker: WEST DOCK, model: PSU-9}")
    meant = Identity("WEST DOCK", "PSU-9", "1", "3.0", "WEST DOCK,PSU-9,1,3.0")

    assert undecided(found, "supply", meant) == ""
    newer = replace(meant, firmware="4.1", text="WEST DOCK,PSU-9,1,4.1")
    assert "quay fit, where the stated model decided on harbour" in undecided(found, "supply", newer)
    assert "no dialect fits" in undecided(found, "supply", replace(meant, text="EAST DOCK,PSU-3,1,3.0"))
    assert undecided(replace(found, decided=frozenset()), "supply", newer) == ""


def test_such_a_bench_is_checked_shown_and_refused_for_another_model(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    own(tmp_path, "harbour", "SUPPLY-3")
    with served_bench(tmp_path) as bench:
        text = bench.file.read_text(encoding="utf-8")
        left_out = text.replace("dialect: select-by-number", "expect: {maker: BRINGUP SIMULATED, model: SUPPLY-3}")
        bench.file.write_text(left_out, encoding="utf-8")
        assert main(["check", str(bench.file)]) == 0
        assert main(["bench", "--bench", str(bench.file)]) == 0
        assert "dialect harbour" in capsys.readouterr().out
        own(tmp_path, "harbour", "SUPPLY-4")
        bench.file.write_text(left_out.replace("SUPPLY-3", "SUPPLY-4"), encoding="utf-8")
        assert main(["bench", "--bench", str(bench.file)]) == 2
        assert "expects model 'SUPPLY-4', but 'SUPPLY-3' answers" in " ".join(capsys.readouterr().out.split())
