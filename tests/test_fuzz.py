"""Hostile input for every parser, a few cases each. tests/benchmarks/fuzz.py takes as many as one likes."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from bringup.core.entry import read_entry
from bringup.core.replies import ReplyKind, can_answer, read_number
from bringup.core.response import read_string, split_fields
from bringup.core.words import Kind
from bringup.errors import NotationError
from bringup.files.any_file import read_any
from bringup.host.control import ask_holder_off
from bringup.host.lock import About, ControlAddress, hold, holder_of
from tests.fuzz_laws import Broke, Reader, obey
from tests.fuzzing import READERS

CASES = 25
RESOURCE = "TCPIP0::192.0.2.10::5025::SOCKET"


@pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.name)
def test_hostile_input_is_read_or_refused_in_words(reader: Reader) -> None:
    with reader.opened() as read:

        @settings(
            max_examples=CASES,
            deadline=None,
            database=None,
            phases=[Phase.explicit, Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(reader.cases)
        def each(case: object) -> None:
            obey(reader, read, case)

        each()


def test_the_laws_notice_what_breaks_them() -> None:
    (reader,) = (one for one in READERS if one.name == "quantity")

    def raises(_: object) -> None:
        raise KeyError("3V3")

    with pytest.raises(Broke, match="quantity: KeyError: '3V3' of 'x'"):
        obey(reader, raises, "x")
    with pytest.raises(Broke, match="worked"):
        obey(reader, lambda _: None, "x", patience=-1.0)


# What was found by it, each as it was


@pytest.mark.parametrize(
    "line", ["9" * 1_000_000 + "x", "1.0" + " " * 1_000_000 + '"', '"' + '""' * 500_000, "'" * 999_999, "0." * 500_000]
)
def test_an_endless_reply_takes_no_longer_than_it_is_long(line: str) -> None:
    begun = time.perf_counter()

    assert can_answer(ReplyKind.NUMBER, line) is False
    assert read_number(line).number is None
    split_fields(line)
    read_string(line)

    assert time.perf_counter() - begun < 5.0


def test_a_file_of_endless_values_is_given_up_at_once(tmp_path: Path) -> None:
    path = tmp_path / "endless.yaml"
    path.write_text("procedure: p\nsteps: [" + "1," * 120_000 + "]\n", encoding="ascii")

    read = read_any(path)

    assert [problem.message for problem in read.problems] == ["more than 10000 values: is this the right file?"]


def test_an_endless_entry_is_refused_in_words() -> None:
    with pytest.raises(NotationError, match="400001 characters are no reading: '0 0 0 0"):
        read_entry("0 " * 200_000 + "x", Kind.VOLTAGE)


@pytest.mark.parametrize(
    "text",
    [
        "[" * 4000,
        '{"pid": 1e999, "control": null, "command": "", "serial": "", "since": ""}',
        "9" * 4096,
        "\xff",
        "{}",
        "3",
    ],
)
def test_a_lock_file_that_says_nonsense_names_nobody(
    text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path))
    with hold([RESOURCE], About("bringup run")):
        next(tmp_path.glob("*.lock")).write_text(text, encoding="latin-1")

        holder = holder_of(RESOURCE)

        assert holder is not None
        assert str(holder) == "another program that has not said who it is"


@pytest.mark.parametrize(
    "control", [{"port": 99999999, "token": "a"}, {"port": 1, "token": "\ud800"}, {"port": 1, "token": ""}]
)
def test_a_control_address_that_is_none_is_not_called(
    control: dict[str, object], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path))
    said = {"pid": os.getpid(), "command": "run\x1b[2J", "serial": "S", "since": "now", "control": control}
    with hold([RESOURCE], About("bringup run", "", ControlAddress(1, "a"))):
        next(tmp_path.glob("*.lock")).write_text(json.dumps(said), encoding="ascii")

        holder = holder_of(RESOURCE)

        assert holder is not None
        assert holder.control is None
        assert str(holder) == f"`run·[2J` on S (process {os.getpid()}) since now"
        assert ask_holder_off(RESOURCE, 0.5) is None


@pytest.mark.parametrize("flood", ["\n" * 140_000, ' "3V3\n"' * 30_000], ids=["empty lines", "short lines"])
def test_a_flood_of_lines_takes_the_server_no_longer_than_it_is_long(flood: str) -> None:
    (reader,) = (one for one in READERS if one.name == "SCPI server on a socket")
    with reader.opened() as read:
        begun = time.process_time()

        read(flood)

        assert time.process_time() - begun < 1.0
