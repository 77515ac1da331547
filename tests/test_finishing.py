"""A start just after a kill waits for the guardian to finish, a bounded time; nobody else is waited for."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from bringup.commands import finishing
from bringup.commands.finishing import let_guardian_finish
from bringup.commands.reaching import guardian_lock, lock_name
from bringup.commands.saying import say
from bringup.core.bench import Bench
from bringup.files.bench_file import load_bench
from bringup.host.lock import About, hold
from tests.rig import Rig, rig

GUARDIAN = About("bringup guardian", "MBL-0007")


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    with rig(tmp_path) as made:
        yield made


def names(bench: Rig) -> tuple[Bench, str]:
    loaded = load_bench(bench.bench)
    return loaded, lock_name(loaded, "supply")


@pytest.mark.parametrize("which", [lambda name: name, guardian_lock], ids=["at the supply", "not there yet"])
def test_a_start_waits_until_the_guardian_of_a_killed_attempt_is_done(
    bench: Rig, which: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert callable(which)
    _, supply = names(bench)
    with ExitStack() as held:

        def saying(text: str, *, err: bool) -> None:
            say(text, err=err)
            held.close()

        monkeypatch.setattr(finishing, "say", saying)
        held.enter_context(hold((which(supply),), GUARDIAN))
        done = bench.run("  - note: started\n")

    assert done.returncode == 0, done.stderr
    assert "`bringup guardian` on MBL-0007" in done.stderr
    assert "is still seeing to the outputs: waiting for it, 20 s at most" in done.stderr


def test_the_wait_is_bounded_and_the_start_is_refused_then(bench: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    loaded, supply = names(bench)
    with hold((supply,), GUARDIAN):
        begun = time.monotonic()
        let_guardian_finish(loaded, within=0.2)
        assert 0.2 <= time.monotonic() - begun < 60

        monkeypatch.setattr("bringup.commands.finishing.WAIT_FOR_GUARDIAN", 0.2)
        done = bench.run("  - note: started\n")
    assert done.returncode == 2
    assert "is in use: `bringup guardian` on MBL-0007" in done.stderr


def test_any_other_holder_is_refused_at_once_also_beside_its_own_guardian(bench: Rig) -> None:
    _, supply = names(bench)
    with hold((supply,), About("bringup run", "MBL-0007")), hold((guardian_lock(supply),), GUARDIAN):
        done = bench.run("  - note: started\n")

    assert done.returncode == 2
    assert "`bringup run` on MBL-0007" in done.stderr
    assert "waiting for it" not in done.stderr
