"""The tool's end of the guardian: what is sent, and how one that is not there, stops or hangs is noticed."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bringup.commands import guarding
from bringup.errors import LinkError
from bringup.host import guardian
from bringup.host.guardian import GuardianProcess
from bringup.instruments.opening import await_here
from tests.rig import BEFORE, UP, rig

ANSWERS = """
import sys
lines = [sys.stdin.readline()]
print("ready", flush=True)
for line in sys.stdin:
    lines.append(line)
    print("heard", flush=True)
open(sys.argv[1], "w").writelines(lines)
"""
SAYS_READY = "import sys; print('ready', flush=True); sys.stdin.read()"


class Made:
    """A process that plays the guardian, and whether it woke the runner."""

    def __init__(self, program: str, folder: Path) -> None:
        self.woken = threading.Event()
        self.told = folder / "told"
        self.process = GuardianProcess([sys.executable, "-c", program, str(self.told)], "spec", self.woken.set)

    def lines(self) -> list[str]:
        return self.told.read_text(encoding="utf-8").splitlines()


@contextmanager
def guardian_of(program: str, folder: Path) -> Iterator[Made]:
    made = Made(program, folder)
    yield made
    made.process._talk.join(60)


def test_everything_is_told_in_order_also_before_it_is_ready(tmp_path: Path) -> None:
    with guardian_of(ANSWERS, tmp_path) as made:
        process = made.process
        process.attempt("12ab")
        process.beat()
        assert await_here(process.ready())
        process.ready().value()
        on = process.on()
        assert await_here(on)
        on.value()
        process.ending(2.5)
        process.off()
        process.closed()
        assert process.lost == ""
        assert process.close() is False

    assert made.lines() == ["spec", "attempt 12ab", "beat", "on", "ending 2.500", "off", "closed", "stand down"]


def test_the_last_word_hands_over_what_is_still_on(tmp_path: Path) -> None:
    with guardian_of(ANSWERS, tmp_path) as made:
        await_here(made.process.ready())
        await_here(made.process.on())
        assert made.process.close(look_again=True) is True

    assert made.lines()[-1] == "take over"


@pytest.mark.parametrize(("reaches_load", "word"), [(True, "take over"), (False, "stand down")])
def test_the_last_word_hands_over_a_load_that_was_left_if_there_is_a_way_to_it(
    tmp_path: Path, reaches_load: bool, word: str
) -> None:
    with guardian_of(ANSWERS, tmp_path) as made:
        made.process._reaches_load = reaches_load
        await_here(made.process.ready())
        made.process.load_left()
        assert made.process.close() is reaches_load

    assert made.lines()[1:] == [*(["load left"] if reaches_load else []), word]


def test_the_last_word_asks_for_another_look_where_a_call_never_came_back(tmp_path: Path) -> None:
    with guardian_of(ANSWERS, tmp_path) as made:
        await_here(made.process.ready())
        assert made.process.close(look_again=True) is False

    assert made.lines()[-1] == "stand down and look"


def test_one_that_does_not_start_fails_with_its_own_words(tmp_path: Path) -> None:
    with guardian_of("raise SystemExit('no memory left')", tmp_path) as made:
        assert await_here(made.process.ready())
        with pytest.raises(LinkError, match="the guardian did not start: no memory left"):
            made.process.ready().value()
        with pytest.raises(LinkError, match="the guardian is gone: it has ended"):
            made.process.on().value()
        made.process.close()


def test_one_that_ends_is_noticed_and_wakes_the_runner(tmp_path: Path) -> None:
    with guardian_of(SAYS_READY, tmp_path) as made:
        await_here(made.process.ready())
        made.woken.clear()
        made.process._process.kill()

        assert made.woken.wait(60)
        assert made.process.lost == "it has ended"
        made.process.close()


def test_one_that_does_not_answer_is_lost_and_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guardian, "HEARD_WITHIN", 0.1)
    with guardian_of("import time; print('ready', flush=True); time.sleep(60)", tmp_path) as made:
        await_here(made.process.ready())
        monkeypatch.setattr(guardian, "GONE_WITHIN", 0.1)
        made.process.beat()
        until = time.monotonic() + 60
        while not made.process.lost:
            assert time.monotonic() < until
            time.sleep(0.01)

        assert "it does not answer" in made.process.lost
        assert made.process.close() is False
        assert made.process._process.returncode is not None


def test_without_a_guardian_nothing_is_powered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = [sys.executable, "-c", "raise SystemExit('no memory left')"]
    monkeypatch.setattr(guarding, "command", lambda _serial: program)
    with rig(tmp_path) as bench:
        said = bench.run(BEFORE + UP)

        assert bench.simulated.supply is not None
        assert not bench.output_is_on()
    assert said.returncode == 3
    assert "VIN was not switched on, for nothing would switch it off if this program died" in said.stdout
    assert "no memory left" in said.stdout
    assert "VIN ON" not in said.stdout
