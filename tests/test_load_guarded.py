"""A load on a wire beside a supply set by hand: guarded by itself, and off at every end, also the tool's own."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.finishing import let_guardian_finish
from bringup.commands.guardian_duty import SwitchingOff
from bringup.commands.guardian_spec import GuardianSpec, read_spec
from bringup.commands.guardian_words import BY_HAND, Account
from bringup.commands.main import main
from bringup.commands.reaching import dialect_of, guarded_roles, guardian_lock, lock_name
from bringup.core.bench import LoadRole, SupplyRole
from bringup.core.procedure import PowerOff, Step
from bringup.core.words import AttemptResult
from bringup.errors import LinkError
from bringup.files.bench_file import load_bench
from bringup.host.control import ControlServer, Outcome
from bringup.host.left_messages import take_messages
from bringup.host.lock import About, ControlAddress, hold
from bringup.host.vigil import HANG_BOUND, Vigil
from bringup.logbook.opening import open_for_writing
from bringup.runner.by_hand import HandSupply
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer
from bringup.runner.records import Interruption
from bringup.runner.roles import Done
from bringup.runner.scpi_load import ScpiLoad
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SimulatedBench
from tests.served_bench import Served, served_bench
from tests.test_guarding import Listening
from tests.test_load_attempt import WAIT, at_step, drawing, draws, loaded
from tests.test_load_off import LOAD

ROOT = Path(__file__).parent.parent


@pytest.fixture(autouse=True)
def _own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    monkeypatch.setattr("bringup.commands.off.LOAD_WITHIN", 0.3)


class Knobs(HandSupply):
    """A supply that the person really sets: what is asked for happens to the simulated board."""

    world: Any = None

    def _set(self, output: int, kind: Any, value: float) -> Pending[Done]:
        at = self._monotonic()
        (self.world.set_voltage if kind.value == "voltage" else self.world.set_current_limit)(output, value, at)
        return super()._set(output, kind, value)

    def _switch_on(self, output: int) -> Pending[Done]:
        self.world.switch(output, True, self._monotonic())
        return super()._switch_on(output)


class GuardedLoad(Listening):
    """Notes whether the load draws, in the place of the output."""

    def _note(self, line: str) -> None:
        self.told.append((self.bench.clock.monotonic(), line, draws(self.bench)))


def by_hand(*steps: Step, script: tuple[Scripted, ...] = ()) -> tuple[SimulatedBench, GuardedLoad]:
    bench = loaded(*steps)

    def shown(prompt: Any) -> str:
        text: str = prompt.text
        if " to " in text and "What does it show" in text:
            return text.split(" to ")[1].split(".  ", maxsplit=1)[0].split(". What", maxsplit=1)[0]
        return {"voltage": "24", "current": "0.08"}["voltage" if "voltage" in text else "current"]

    person = SimulatedPerson(attended=True, clock=bench.clock, value=shown, script=script)
    supply = Knobs(SupplyRole(None, outputs={"VIN": 1}), person, monotonic=bench.clock.monotonic)
    supply.world = bench.world
    guard = GuardedLoad(bench)
    bench.changes.update(supply=supply, ask=person, guard=guard)
    return bench, guard


def test_the_load_never_draws_unknown_to_the_guardian_which_hears_of_its_looks() -> None:
    bench, guard = by_hand(drawing(), WAIT, Step(0, PowerOff()))
    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    words = guard.words()
    assert words.index("ready") < words.index("on") < words.index("beat") < words.index("off")
    assert not any(on for _, line, on in guard.told if line in ("ready", "on", "off", "closed"))
    vigil, silent, before = Vigil(), [0.0], 0.0
    for at, line, _ in guard.told:
        silent += [at - before] * vigil.on
        vigil.heard(line, at)
        before = at
    assert words.count("beat") > 10
    assert 0.0 < max(silent) < HANG_BOUND / 4
    assert not vigil.on


def test_a_load_does_not_draw_on_without_its_guardian() -> None:
    bench, guard = by_hand(drawing(), WAIT)

    def lose(now: float) -> None:
        guard.lost_from = now

    outcome = bench.run(tell=at_step(bench, 2, lose))

    assert outcome.cause == "the guardian is gone while the load is on: it has ended"
    assert (outcome.load_off, draws(bench)) == (True, False)


def test_the_guardian_bears_with_the_question_about_the_supply_while_the_load_is_unknown() -> None:
    """And goes on with the load at the end: it was never told that it is off."""
    never = Scripted(Answer("it is off"), containing="Is it off", delay=60.0)
    bench, guard = by_hand(drawing(), WAIT, script=(never,))
    assert bench.load_link is not None
    troubles = bench.load_link.troubles
    outcome = bench.run(tell=at_step(bench, 2, lambda now: setattr(troubles, "silent_from", now)))

    assert (outcome.result, outcome.load_off) == (AttemptResult.BROKEN_OFF, False)
    vigil = Vigil()
    for at, line, _ in guard.told:
        assert not vigil.hangs(at), line
        vigil.heard(line, at)
    assert vigil.on
    assert guard.words()[-1] == "closed"


def test_a_silent_load_in_an_orderly_end_waits_for_no_hand_at_the_supply() -> None:
    """The person is asked once the load was tried with all that is left, not before."""
    bench, guard = by_hand(drawing(), Step(0, PowerOff()))
    assert bench.load_link is not None
    troubles = bench.load_link.troubles

    def tell(told: Any) -> None:
        bench.told.append(told)
        if told.kind == "step-begun" and told.step == 2:
            troubles.silent_from = bench.clock.monotonic()

    outcome = bench.run(tell=tell)

    assert "the load could not be switched off" in outcome.cause
    ends = [at for at, line, _ in guard.told if line.startswith("ending")]
    assert len(ends) > 2, "in order, then in an emergency, then while the person is asked"
    assert outcome.load_off is False


def test_with_a_supply_that_speaks_the_guardian_hears_of_outputs_alone() -> None:
    bench = loaded(drawing(), WAIT)
    guard = Listening(bench)
    outcome = bench.run(
        guard=guard, tell=at_step(bench, 2, lambda now: bench.clock.interrupt(Interruption.CTRL_C, now))
    )

    assert outcome.load_off is True
    assert guard.words().count("on") == guard.words().count("off") == 1


@pytest.mark.parametrize("silent", [True, False])
def test_with_a_supply_that_speaks_the_guardian_hears_of_a_load_that_was_left(silent: bool) -> None:
    bench = loaded(drawing(), WAIT)
    assert bench.load_link is not None
    troubles = bench.load_link.troubles
    guard = Listening(bench)

    def tell(told: Any) -> None:
        if silent and told.kind == "step-begun" and told.step == 2:
            troubles.silent_from = bench.clock.monotonic()

    outcome = bench.run(guard=guard, tell=tell)

    assert outcome.load_off is not silent
    assert outcome.off_verified is True
    assert ("load" in guard.words()) == silent
    assert not silent or guard.words().index("load") < guard.words().index("closed")


# the process


def spec_of(bench: Served, folder: Path, **changes: Any) -> GuardianSpec:
    described = load_bench(bench.file)
    role = described.load
    assert role is not None
    assert role.resource is not None
    lock = lock_name(described, "load")
    dialect = dialect_of(described, "load")
    plain = GuardianSpec(
        role, dialect, role.resource, "@py", lock, None, "Test bench", "MBL-0001", str(folder / "bringup.db"), 0
    )
    return replace(plain, **changes)


def hand_bench(folder: Path) -> Any:
    return served_bench(folder, load=LOAD, by_hand=True)


def test_the_role_that_is_guarded_is_the_load_where_the_supply_is_set_by_hand(tmp_path: Path) -> None:
    with hand_bench(tmp_path) as bench:
        described = load_bench(bench.file)
    assert guarded_roles(described) == ("load",)
    assert guarded_roles(replace(described, supply=SupplyRole(None, "select-by-number"))) == ("supply",)
    assert guarded_roles(replace(described, load=LoadRole(None, "function-by-channel-list"))) == ()
    assert guarded_roles(replace(described, supply=None)) == ("load",)
    assert guarded_roles(replace(described, load=None)) == ()


def test_a_killed_tool_leaves_no_load_drawing_and_the_person_is_told_of_the_supply(tmp_path: Path) -> None:
    with hand_bench(tmp_path) as bench:
        tool = subprocess.Popen(
            [sys.executable, "-m", "tests.guarded_tool", str(bench.file), str(tmp_path / "bringup.db"), "load"],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert tool.stdout is not None
        assert tool.stdout.readline().split()[:1] == ["on"]
        assert bench.tell("load", "INP? (@2)") == ["1"]
        tool.kill()
        tool.wait()
        tool.stdout.close()
        until = time.monotonic() + 60
        while not (said := take_messages()):
            assert time.monotonic() < until, "no message was left"
            time.sleep(0.01)
        assert bench.tell("load", "INP? (@1)", "INP? (@2)") == ["0", "0"]
    (text,) = said
    assert "bringup was killed or crashed with the load on" in text
    assert "Every channel of the load is OFF, verified by asking" in text
    assert BY_HAND in text


@pytest.mark.parametrize("powered", [True, False])
def test_the_logbook_claims_nothing_of_outputs_that_nobody_could_ask(tmp_path: Path, powered: bool) -> None:
    from tests.test_guardian_words import begun, ended, vigil

    with hand_bench(tmp_path) as bench:
        spec = spec_of(bench, tmp_path)
    attempt = begun(tmp_path / "bringup.db")
    if powered:
        opened = open_for_writing(tmp_path / "bringup.db")
        opened.connection.execute(
            "UPDATE steps SET started = '2026-01-01T00:00:00.000000Z', monotonic = 1.0, kind = 'apply'"
        )
        opened.connection.close()
    told = vigil(attempt, "on") if powered else vigil(attempt)
    Account(read_spec(spec.as_line()), told, "bringup was killed or crashed", restore=False).settle(
        True if powered else None, ""
    )

    result, cause, off_verified = ended(tmp_path / "bringup.db")
    assert result == "broken off"
    assert ("every channel of the load is OFF" in str(cause)) == powered
    assert off_verified == (0 if powered else None)


def test_a_load_of_an_unknown_state_is_said_in_large_words(tmp_path: Path) -> None:
    from tests.test_guardian_words import begun, vigil

    with hand_bench(tmp_path) as bench:
        spec = spec_of(bench, tmp_path)
    told = vigil(begun(tmp_path / "bringup.db"), "on")
    Account(spec, told, "bringup was killed or crashed", restore=False).settle(False, "nothing listens there")

    (text,) = take_messages()
    assert "LOAD STATE UNKNOWN\nswitch the load off at its own switch" in text
    assert "the state of the load is UNKNOWN: nothing listens there" in text.casefold().replace("unknown", "UNKNOWN")


# bringup off


class Driving:
    """An attempt (or a guardian) that has the load; it answers `off` as it is told to."""

    def __init__(self, name: str, outcome: Outcome | None) -> None:
        self.control = ControlServer(self._asked)
        self._outcome = outcome
        self.asked = threading.Event()
        self.lock = hold((name,), About("bringup run", "MBL-0001", self.control.address))

    def _asked(self) -> None:
        self.asked.set()
        if self._outcome is not None:
            self.control.report(self._outcome)


def test_off_asks_the_attempt_that_drives_the_load(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with hand_bench(tmp_path) as bench:
        bench.tell("load", "INP ON,(@2)", "INP? (@2)")
        driving = Driving(lock_name(load_bench(bench.file), "load"), Outcome.OFF)
        with driving.control, driving.lock:
            assert main(["off", "--bench", str(bench.file)]) == 3, "the supply is the person's"
        assert driving.asked.is_set()
        assert bench.tell("load", "INP? (@2)") == ["1"], "whoever has it has the wire, not we"
    said = capsys.readouterr()
    assert "Every channel of the load of Test bench is OFF, verified by bringup run" in said.out
    assert "the supply is set by hand" in said.err


def test_off_does_not_have_an_attempt_ended_that_is_still_asking_about_the_supply(tmp_path: Path) -> None:
    with hand_bench(tmp_path) as bench:
        bench.tell("load", "INP ON,(@2)", "INP? (@2)")
        name = lock_name(load_bench(bench.file), "load")
        driving, guardian = Driving(name, Outcome.UNKNOWN), Driving(guardian_lock(name), Outcome.OFF)
        with driving.control, driving.lock, guardian.control, guardian.lock:
            assert main(["off", "--bench", str(bench.file)]) == 3
        assert not guardian.asked.is_set()
        assert bench.tell("load", "INP? (@2)") == ["0"], "so it is switched off from here"


def test_off_waits_little_for_a_person_at_a_supply_and_says_what_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bringup.commands.off.HOLDER_OF_LOAD_WITHIN", 0.4)
    with hand_bench(tmp_path) as bench:
        driving = Driving(lock_name(load_bench(bench.file), "load"), None)
        begun = time.monotonic()
        with driving.control, driving.lock:
            assert main(["off", "--bench", str(bench.file)]) == 3
        assert time.monotonic() - begun < 5.0
    said = " ".join(capsys.readouterr().out.split())
    assert "Asking `bringup run`" in said
    assert "its answer waits for the person there to say what became of the supply" in said


def test_off_asks_the_guardian_where_the_attempt_is_gone(tmp_path: Path) -> None:
    with hand_bench(tmp_path) as bench:
        guardian = Driving(guardian_lock(lock_name(load_bench(bench.file), "load")), Outcome.OFF)
        with guardian.control, guardian.lock:
            assert main(["off", "--bench", str(bench.file)]) == 3
        assert guardian.asked.is_set()


def test_the_next_start_waits_for_a_guardian_of_the_load(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bringup.commands.finishing.UNNOTICED", 0.0)
    with hand_bench(tmp_path) as bench:
        described = load_bench(bench.file)
        about = About("bringup guardian", "MBL-0001", None)
        with hold((guardian_lock(lock_name(described, "load")),), about):
            let_guardian_finish(described, within=0.06)
    assert "is still seeing to the outputs" in capsys.readouterr().err


def test_a_look_again_switches_off_though_what_is_on_cannot_be_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether it was found on is only for the account; that nobody says it keeps nothing on."""
    refused: Any = Pending(0.0)
    refused.fail(LinkError("no answer", instrument="load"))
    monkeypatch.setattr(ScpiLoad, "settings", lambda *_: refused)
    with hand_bench(tmp_path) as bench:
        bench.tell("load", "INP ON,(@2)", "INP? (@2)")
        duty = SwitchingOff(spec_of(bench, tmp_path), ControlAddress(0, ""), threading.Event())
        off = duty.once(2.0, look_first=True)
        assert bench.tell("load", "INP? (@2)") == ["0"]
    assert (off.verified, off.found_on) == (True, False)
