"""A whole simulated bench: built from its file, served by `bringup simulate`, and the person who answers by itself."""

from __future__ import annotations

import json
import math
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.core.bench import MeterRole, SupplyRole
from bringup.core.board import Board
from bringup.core.replies import ReplyKind, can_answer
from bringup.errors import BenchError
from bringup.files.bench_file import load_bench
from bringup.files.board_file import load_board
from bringup.files.dialect_file import find_dialect
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.simulation.bench import SUPPLIES, build
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.meter import Meter
from bringup.simulation.person import REASON, Scripted, SimulatedPerson
from tests.fake_instrument import FakeWorld
from tests.test_status import Talk

BENCHES = Path(__file__).parent.parent / "fixtures" / "benches"
SIMULATED = BENCHES / "simulated.yaml"


def board() -> Board:
    simulate = load_bench(SIMULATED).simulate
    assert simulate is not None
    return load_board(simulate.board_path)


@contextmanager
def simulating(*arguments: str) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "bringup", "simulate", *arguments]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as child:
        try:
            yield child
        finally:
            child.kill()


def ask(port: int, *messages: str) -> list[str]:
    with socket.create_connection(("127.0.0.1", port), timeout=60) as client, client.makefile("rw") as lines:
        answers = []
        for message in messages:
            lines.write(message + "\n")
            lines.flush()
            if "?" in message:
                answers.append(lines.readline().strip())
        return answers


def test_it_serves_a_powered_board_to_any_client_until_its_standard_input_closes() -> None:
    with simulating("--bench", str(SIMULATED), "--serial", "MBL-0001", "--json", "--until-stdin-closes") as child:
        assert child.stdout is not None
        assert child.stdin is not None
        ports = {role: int(text.split("::")[2]) for role, text in json.loads(child.stdout.readline()).items()}

        switched = ask(ports["supply"], "INST:NSEL 1", "VOLT 24", "CURR 0.4", "OUTP ON", "OUTP?;:SIM:OUTP? 1")
        # The board starts in wall time; two integrations of ten line periods are time enough.
        volts = ask(ports["meter"], 'SIM:PROB "3V3"', "CONF:VOLT:DC DEF", "READ?;:SYST:ERR?")
        assert switched == ["1;1"]
        assert float(volts[0].split(";")[0]) == pytest.approx(3.3, rel=0.02)
        assert volts[0].endswith(';+0,"No error"')

        child.stdin.close()
        assert child.wait(60) == 0


@pytest.mark.skipif(os.name == "nt", reason="Windows ends a process instead of signalling it")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_as_it_should(number: signal.Signals) -> None:
    with simulating("--bench", str(SIMULATED)) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        lines = [child.stdout.readline() for _ in range(2)]
        child.send_signal(number)

        assert child.wait(60) == 0
        assert [line.split(" TCPIP0::127.0.0.1::")[0] for line in lines] == ["supply", "meter"]
        assert child.stderr.read() == ""


@pytest.mark.skipif(os.name == "nt", reason="Windows ends a process instead of signalling it")
def test_one_that_is_kept_by_somebody_leaves_what_the_terminal_sends_to_its_keeper() -> None:
    with simulating("--bench", str(SIMULATED), "--json", "--until-stdin-closes") as child:
        assert child.stdout is not None
        assert child.stdin is not None
        port = int(json.loads(child.stdout.readline())["supply"].split("::")[2])
        for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTSTP):
            child.send_signal(number)

        assert ask(port, "*IDN?")[0].startswith("BRINGUP SIMULATED,SUPPLY-3")
        child.stdin.close()
        assert child.wait(60) == 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--bench", str(BENCHES / "corner-bench.yaml")), "is not a simulated bench"),
        (("--bench", str(SIMULATED), "--serial", "12"), "'12' is no serial number of Mooring buoy logger"),
    ],
)
def test_what_cannot_be_simulated_is_refused(arguments: tuple[str, ...], message: str) -> None:
    with simulating(*arguments) as child:
        _, error = child.communicate(timeout=60)

        assert child.returncode == 2
        assert message in error


def test_it_starts_without_the_heavy_libraries() -> None:
    script = (
        "import bringup.commands.simulate, bringup.files.bench_file, bringup.files.board_file, sys;"
        "import bringup.simulation.bench, bringup.simulation.server;"
        "print([name for name in ('pyvisa', 'rich', 'sqlite3', 'sqlite_utils', 'numpy') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"


def test_dialects_choose_the_instruments() -> None:
    bench = load_bench(BENCHES / "simulated-single-output.yaml")
    made = build(bench, board(), "MBL-0001")

    assert list(made.instruments()) == ["supply", "meter"]
    assert made.supply is not None
    assert "SUPPLY-1" in str(Talk(made.supply)("*IDN?"))
    one = replace(bench, supply=None, meter=None)
    assert list(build(one, board(), "").instruments()) == ["supply", "meter"]
    by_hand = replace(bench, supply=SupplyRole(None), meter=MeterRole(None))
    assert build(by_hand, board(), "").instruments() == {}


@pytest.mark.parametrize(
    ("supply", "message"),
    [
        (SupplyRole(None, "morse"), "no simulated supply speaks the dialect `morse`"),
        (SupplyRole(None, "single-output", {"VIN": 2}), "wired to output 2, which the simulated supply of"),
    ],
)
def test_what_no_simulated_instrument_is_like_is_refused(supply: SupplyRole, message: str) -> None:
    bench = replace(load_bench(SIMULATED), supply=supply)

    with pytest.raises(BenchError, match=message):
        build(bench, board(), "")


def test_both_instruments_look_at_the_same_world() -> None:
    made = build(load_bench(SIMULATED), board(), "MBL-0001", pace=0.0)
    assert made.supply is not None
    assert made.meter is not None
    supply, meter = Talk(made.supply), Talk(made.meter)
    supply("VOLT 24;CURR 0.4;:OUTP ON")
    supply.now = meter.now = 0.2

    assert meter("SIM:OUTP? 1") == "1"
    assert float(str(meter('SIM:PROB "12V0";:CONF:VOLT:DC DEF;:READ?'))) == pytest.approx(12.0, rel=0.03)
    assert meter('SIM:UNIT "MBL-0002";:SYST:ERR?') == '-221,"Settings conflict;an output is on"'
    assert meter('SIM:PROB "9V9";:SYST:ERR?') == '-224,"Illegal parameter value;no such point"'
    assert meter('SIM:STAT "molten";:SYST:ERR?') == '-224,"Illegal parameter value;no such state"'


@pytest.mark.parametrize(
    ("prompt", "text"),
    [
        (Prompt(PromptKind.GO, "Probe on TP4"), ""),
        (Prompt(PromptKind.CHECKLIST, "Before power", lines=("a", "b"), suggestion="all good"), ""),
        (Prompt(PromptKind.CHOICE, "Which?", choices=("bad", "good"), suggestion="good"), "good"),
        (Prompt(PromptKind.CHOICE, "Which?", choices=("first", "second")), "first"),
        (Prompt(PromptKind.REASON, "Why?"), REASON),
        (Prompt(PromptKind.TEXT, "Remarks?", suggestion="none"), "none"),
        (Prompt(PromptKind.VALUE, "VIN reads", unit="V"), "24.01 V"),
    ],
)
def test_the_simulated_bench_answers_every_kind_of_question_at_once_and_says_so(prompt: Prompt, text: str) -> None:
    person = SimulatedPerson(value=lambda asked: f"24.01 {asked.unit}")

    assert not person.attended
    assert person.ask(prompt).value() == Answer(text, by_itself=True)


def test_scripted_answers_come_once_in_their_time() -> None:
    clock = SimulatedClock()
    person = SimulatedPerson(
        attended=True,
        clock=clock,
        delay=1.0,
        script=[
            Scripted(Answer("tantalum is reversed", exceptions=(1,)), PromptKind.CHECKLIST, delay=5.0),
            Scripted(Answer("7M rising"), containing="tp4"),
        ],
    )
    person.press("p", at=2.5)
    checklist = Prompt(PromptKind.CHECKLIST, "Before power", lines=("a", "b"))

    pending = person.ask(checklist)
    clock.wait(9.0)
    assert (clock.monotonic(), person.key(), person.key()) == (2.5, "p", None)
    clock.wait(9.0)
    assert (clock.monotonic(), pending.value().exceptions) == (5.0, (1,))
    value = person.ask(Prompt(PromptKind.VALUE, "Probe on TP4 (3V3)"))
    again = person.ask(checklist)
    clock.wait(9.0)
    assert (clock.monotonic(), again.value()) == (6.0, Answer(by_itself=True))
    assert not value.done, "a question that another one took the place of is not answered"


def test_a_withdrawn_question_is_never_answered() -> None:
    clock = SimulatedClock()
    person = SimulatedPerson(clock=clock, script=[Scripted(Answer(), delay=math.inf)], delay=1.0)
    for _ in range(2):
        pending = person.ask(Prompt(PromptKind.GO, "Go"))
        person.withdraw()
        clock.wait(clock.monotonic() + 5.0)
        assert not pending.done


EXAMPLES = {"output": "1", "value": "1.5", "on": "ON", "function": "VOLT:DC", "range": "10", "nplc": "1"}


@pytest.mark.parametrize("name", ["single-output", "single-output-watchdog", "select-by-number", "configure-and-read"])
def test_every_message_of_the_shipped_dialects_is_understood(name: str) -> None:
    dialect = find_dialect(name, SIMULATED)
    world = FakeWorld(probed="3V3")
    talk = Talk(Meter(world) if dialect.role == "meter" else SUPPLIES[name](world))

    for operation in dialect.operations.values():
        for text in filter(None, (*operation.send, operation.query)):
            spoken = text.format(**EXAMPLES | ({"on": "INT"} if "SENS:SOUR" in text else {}))
            reply = talk(spoken)
            if text == operation.query and operation.reply is not ReplyKind.ERROR:
                assert reply is not None, spoken
                assert can_answer(operation.reply, reply), (spoken, reply)
            error = str(talk("SYST:ERR?"))
            assert error.endswith('0,"No error"'), (spoken, error)


def test_every_function_and_range_that_meter_1_has_is_there_and_the_others_are_refused() -> None:
    dialect = find_dialect("configure-and-read", SIMULATED)
    talk = Talk(Meter(FakeWorld(probed="3V3")))

    for ours, theirs in dialect.functions.items():
        if ours not in {"dc volts", "ac volts", "dc amps", "ohms", "temperature"}:
            talk(f"CONF:{theirs}")
            assert str(talk("SYST:ERR?")).startswith("-113,"), ours
            continue
        for full_scale in (*dialect.ranges.get(ours, ()), None):
            talk(f"CONF:{theirs} {'DEF' if full_scale is None else full_scale}")
            if full_scale is not None:
                assert float(str(talk(f"{theirs}:RANG?"))) == pytest.approx(full_scale)
            assert talk("SYST:ERR?") == '+0,"No error"', (ours, full_scale)
