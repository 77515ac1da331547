"""The supply's own watchdog after `bringup off` or the guardian had to switch off: off too, if it is ours."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.simulation.instrument import Exchange
from tests.killing import PHASES, Watched, kill_in
from tests.rig import Rig, rig

WDOG = "OUTP:PROT:WDOG"
MAY_TRIP = "the supply's communication watchdog could not be switched off, and may trip later: it says that it is on"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    with rig(tmp_path, dialect="single-output-watchdog", more=", watchdog: 30 s") as made:
        yield made


def tell(bench: Rig, *lines: str) -> str:
    """Send lines from outside and return the answer to the last one."""
    with socket.create_connection(("127.0.0.1", bench.server.port("supply")), timeout=2) as client:
        stream = client.makefile("rw", newline="\n")
        stream.write("".join(f"{line}\n" for line in lines))
        stream.flush()
        return stream.readline().strip()


def left_on(bench: Rig, *, seconds: float) -> None:
    """Leave the output on with the watchdog armed, as a tool does that died with its guardian."""
    assert tell(bench, "VOLT 5", "CURR 0.1", f"{WDOG}:DEL {seconds:g}", f"{WDOG} ON", "OUTP ON", "OUTP?") == "1"


def deaf_to_disarming(bench: Rig) -> None:
    """Have the supply take no message that switches its watchdog off."""
    supply = bench.simulated.supply
    assert supply is not None
    exchange = supply.exchange

    def deaf(message: bytes, now: float) -> Exchange:
        return exchange(b"*CLS" if message.strip() == f"{WDOG} OFF".encode() else message, now)

    supply.exchange = deaf  # type: ignore[method-assign]


def sent_to(bench: Rig) -> list[str]:
    """Return the list to which every message to the supply is added from now on."""
    supply, sent = bench.simulated.supply, list[str]()
    assert supply is not None
    exchange = supply.exchange

    def noting(message: bytes, now: float) -> Exchange:
        sent.append(message.decode("ascii").strip())
        return exchange(message, now)

    supply.exchange = noting  # type: ignore[method-assign]
    return sent


def test_bringup_off_disarms_it_once_off_is_verified(bench: Rig) -> None:
    left_on(bench, seconds=30.0)
    sent = sent_to(bench)

    assert main(["off", "--bench", str(bench.bench)]) == 0

    assert tell(bench, f"{WDOG}?") == "0"
    off, asked = sent.index("OUTP OFF"), sent.index("OUTP?")
    assert off < asked < sent.index(f"{WDOG} OFF")


def test_bringup_off_leaves_alone_what_somebody_else_has_armed(bench: Rig) -> None:
    left_on(bench, seconds=45.0)

    assert main(["off", "--bench", str(bench.bench)]) == 0

    assert tell(bench, f"{WDOG}?") == "1"
    assert not bench.output_is_on()


def test_one_that_cannot_be_disarmed_is_told_and_hides_nothing(bench: Rig, capsys: pytest.CaptureFixture[str]) -> None:
    left_on(bench, seconds=30.0)
    deaf_to_disarming(bench)

    assert main(["off", "--bench", str(bench.bench)]) == 0

    said = capsys.readouterr()
    assert "Every output of Test bench is OFF, verified by asking" in said.out
    assert MAY_TRIP in said.err


@pytest.mark.parametrize("deaf", [False, True], ids=["disarmed", "cannot be"])
def test_the_guardian_disarms_what_the_killed_attempt_had_armed(bench: Rig, *, deaf: bool) -> None:
    if deaf:
        deaf_to_disarming(bench)
    watched = Watched(bench)

    kill = kill_in(watched, next(phase for phase in PHASES if phase.name == "measure"), 0.3)

    assert kill.sound, kill
    assert kill.on_at_kill
    sent = watched.sent[watched.sent.index(f"{WDOG} ON") + 2 :]
    assert sent.index("OUTP OFF") < sent.index(f"{WDOG} OFF")
    assert tell(bench, f"{WDOG}?") == str(int(deaf))
    (attempt,) = bench.asked("attempts")
    assert ("every output is OFF, verified by asking" in attempt["cause"], MAY_TRIP in attempt["cause"]) == (True, deaf)
