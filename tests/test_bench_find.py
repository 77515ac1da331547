"""`bringup bench --find`: what is shown, who is asked only where a person agrees, and the bench file that is begun."""

from __future__ import annotations

import json
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bringup.commands import bench_find, find_asking
from bringup.commands.main import main
from bringup.core.bench import Identity
from bringup.core.dialect import Message
from bringup.core.replies import ReplyKind, read_identity
from bringup.files.bench_fields import BENCH
from bringup.files.bench_file import load_bench
from bringup.files.bench_writing import BenchWritten, RoleWritten, bench_text
from bringup.files.source import open_text
from bringup.host.lock import About, hold
from bringup.instruments.finding.access import denied
from bringup.instruments.finding.looking import Surroundings
from tests.fake_sysfs import FakeSystem
from tests.mdns_responder import Responder, announcement
from tests.served_bench import Served, served_bench

if sys.platform == "win32":
    pytest.skip("there are no pseudo-terminals", allow_module_level=True)

import termios

from tests.scripted_terminal import ScriptedTerminal

OWN_DIALECT = "number-and-own"
MAKER = "BRINGUP SIMULATED"


@pytest.fixture(autouse=True)
def _alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing around, nothing in use, no bench of the user's, an empty folder to be in."""
    for name in ("BRINGUP_BENCH", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    monkeypatch.setenv("BRINGUP_CONFIG", str(tmp_path / "none.yaml"))
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    nothing = Surroundings(ports=list, by_id=tmp_path, sys_root=tmp_path, dev_root=tmp_path,
                           network=("127.0.0.1", 9), seconds=0.0, backends=())  # fmt: skip
    monkeypatch.setattr(bench_find, "SURROUNDINGS", nothing)


@pytest.fixture
def around(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Changes what is around."""

    def change(**facts: Any) -> None:
        monkeypatch.setattr(bench_find, "SURROUNDINGS", replace(bench_find.SURROUNDINGS, **facts))

    return change


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[str]]:
    """Puts a person at the terminal who types these lines, and returns the questions that they were asked."""

    def person(*lines: str) -> list[str]:
        left, asked = list(lines), list[str]()

        def typed(question: str) -> str:
            asked.append(question)
            return left.pop(0)

        monkeypatch.setattr(bench_find, "at_a_terminal", lambda: True)
        monkeypatch.setattr(bench_find, "typed", typed)
        return asked

    return person


def port(device: str, **facts: Any) -> Any:
    blank = dict.fromkeys(("description", "vid", "pid", "serial_number", "manufacturer", "product"))
    return SimpleNamespace(**{**blank, "device": device, **facts})


@pytest.fixture
def ports(around: Callable[..., None]) -> Iterator[list[ScriptedTerminal]]:
    """Two serial ports, of which the first answers to *IDN?; both at 19200 baud, which whoever opens one changes."""

    def meter(_: int, line: str) -> bytes:
        return f"{MAKER},METER-1,SIM-M-7,1.0\r\n".encode() if line.strip() == "*IDN?" else b""

    with ScriptedTerminal(meter) as one, ScriptedTerminal(lambda _number, _line: b"") as other:
        for each in (one, other):
            modes = termios.tcgetattr(each._near)
            modes[4] = modes[5] = termios.B19200
            termios.tcsetattr(each._near, termios.TCSANOW, modes)
        around(ports=lambda: [port(one.path, description="Cable"), port(other.path)])
        yield [one, other]


def in_order(ports: list[ScriptedTerminal]) -> bool:
    """Whether they are listed in this order: that of the devices behind their names."""
    one, other = (int(Path(os.path.realpath(each.path)).name) for each in ports)
    return one < other


def untouched(terminal: ScriptedTerminal) -> bool:
    """Whether nothing was written to a port, and nobody set it, as whoever opens one does."""
    return terminal.lines == [] and terminal.settings()[1] == termios.B19200


@pytest.fixture
def served(tmp_path: Path, around: Callable[..., None]) -> Iterator[Served]:
    """The simulated instruments; the supply is announced on the network."""
    with ExitStack() as leave:
        bench = leave.enter_context(served_bench(tmp_path))
        services = {"_scpi-raw": bench.server.port("supply"), "_hislip": 4880, "_lxi": 80}
        texts = {"Manufacturer": MAKER, "Model": "SUPPLY-3", "SerialNumber": "1"}
        responder = leave.enter_context(
            Responder(lambda number, _: [announcement(number, services=services, texts=texts)])
        )
        around(network=responder.place, seconds=30.0, most_packets=1)
        yield bench


def own_dialect(folder: Path) -> None:
    """A dialect of the user's own that is made for the simulated supply."""
    shipped = Path(bench_find.__file__).parent.parent / "instruments" / "dialects" / "select-by-number.yaml"
    text = shipped.read_text(encoding="utf-8").replace("dialect: select-by-number", f"dialect: {OWN_DIALECT}")
    lines = [
        f"identity_pattern: '{MAKER},SUPPLY-3'" if line.startswith("identity_pattern:") else line
        for line in text.splitlines()
    ]
    (folder / f"{OWN_DIALECT}.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")


def as_json(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert main(["bench", "--find", "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


# --- looking


def test_where_nothing_is_found_it_says_what_may_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "--find"]) == 0
    shown = capsys.readouterr().out

    assert "Nothing was found. What may help:" in shown
    assert "Looked at: mDNS (nothing), USB (nothing), serial ports (nothing)." in shown


def test_without_a_terminal_no_port_is_opened_and_nothing_is_written(
    ports: list[ScriptedTerminal], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["bench", "--find"]) == 0

    assert f"serial port {ports[0].path}, Cable" in (shown := capsys.readouterr().out)
    assert "None of them was asked who it is" in shown
    assert all(untouched(each) for each in ports)


def test_with_json_nobody_is_asked_at_a_terminal_either(
    ports: list[ScriptedTerminal], answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    asked = answers()

    found = as_json(capsys)["found"]

    assert {each["resource"] for each in found} == {each.resource for each in ports}
    assert [each["asked"] for each in found] == [False, False]
    assert asked == []
    assert all(untouched(each) for each in ports)


def test_json_tells_what_was_found_where_it_was_looked_and_who_names_it(
    served: Served, capsys: pytest.CaptureFixture[str]
) -> None:
    resource = f"TCPIP0::127.0.0.1::{served.server.port('supply')}::SOCKET"
    Path("corner.yaml").write_text(f"bench: Corner\nsupply: {{resource: '{resource}', dialect: nonsense}}\n", "utf-8")
    own_dialect(Path())

    found = as_json(capsys)
    (one,) = found["found"]

    assert (one["kind"], one["resource"], one["name"]) == ("lan", resource, "corner-supply.local")
    assert one["announced"]["model"] == "SUPPLY-3"
    assert one["dialects_that_fit"] == [OWN_DIALECT]
    assert one["named_in"] == [{"path": "corner.yaml", "role": "supply"}]
    assert {each["place"]: each["found"] for each in found["places"]} == {"mDNS": 1, "USB": 0, "serial ports": 0}


def test_a_bench_file_may_name_it_by_its_host_name(served: Served, capsys: pytest.CaptureFixture[str]) -> None:
    del served
    bench = Path("elsewhere.yaml").absolute()
    bench.write_text(
        "bench: Corner\nmeter: {resource: 'TCPIP0::Corner-Supply.local::inst0::INSTR', dialect: configure-and-read}\n",
        encoding="utf-8",
    )

    assert main(["bench", "--find", "--bench", str(bench)]) == 0
    assert "named in elsewhere.yaml as its meter" in capsys.readouterr().out


def test_a_bench_file_that_was_given_and_is_not_there_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "--find", "--bench", "nowhere.yaml"]) == 2
    assert "nowhere.yaml: no such file" in capsys.readouterr().err


def test_what_things_call_themselves_is_shown_and_not_obeyed(
    tmp_path: Path, around: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    evil = "\x1b[2J\x07\u202eevil"
    system = FakeSystem(tmp_path / "system")
    system.instrument("1-2", serial="SN7", manufacturer=evil)
    texts = {"Manufacturer": evil, "Model": evil}
    with Responder(lambda number, _: [announcement(number, services={"_scpi-raw": 1}, host=evil, texts=texts)]) as one:
        around(
            ports=lambda: [port("/dev/nowhere0", description=evil, vid=1, pid=2, serial_number=evil)],
            sys_root=system.sys, dev_root=system.dev, network=one.place, seconds=30.0, most_packets=1,
        )  # fmt: skip
        assert main(["bench", "--find"]) == 0
        shown = capsys.readouterr().out
        with Responder(
            lambda number, _: [announcement(number, services={"_scpi-raw": 1}, host=evil, texts=texts)]
        ) as two:
            around(network=two.place)
            assert as_json(capsys)["found"][0]["name"] == f"{evil}.local"

    assert shown.count("\\x1b[2J\\x07\\u202eevil") >= 5
    assert not set(shown) & set("\x1b\x07\u202e")


def test_a_device_that_may_not_be_opened_shows_the_rule_and_is_not_asked(
    ports: list[ScriptedTerminal],
    answers: Callable[..., list[str]],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if sys.platform != "linux":
        pytest.skip("udev is Linux's")
    monkeypatch.setattr(bench_find, "denied", lambda *where: denied(*where, may=lambda _: False))
    asked = answers()

    assert main(["bench", "--find"]) == 0

    shown = capsys.readouterr().out
    assert shown.count("may not open it") == 2
    assert f'\n          SUBSYSTEM=="tty", KERNEL=="{Path(os.path.realpath(ports[0].path)).name}"' in shown
    assert asked == []


# --- asking


def test_only_the_one_that_is_agreed_to_is_opened_and_gets_one_question(
    ports: list[ScriptedTerminal], answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    asked = answers(*(("4800", "") if in_order(ports) else ("", "4800")))

    assert main(["bench", "--find"]) == 0
    shown = capsys.readouterr().out

    assert ports[0].lines == ["*IDN?\r"]
    assert ports[0].settings()[1] == termios.B4800
    assert untouched(ports[1])
    assert "answers: BRINGUP SIMULATED, model METER-1, serial number SIM-M-7, firmware 1.0" in shown
    assert shown.count("A serial port may be the board itself") == 1
    assert len(asked) == 2
    assert "y or a baud rate" in asked[0]
    assert "y asks at 9600 baud, a number at that baud rate" in shown


def test_enter_and_anything_that_is_no_answer_agree_to_nothing(
    ports: list[ScriptedTerminal], answers: Callable[..., list[str]]
) -> None:
    asked = answers("yess", "12", "", "n")

    assert main(["bench", "--find"]) == 0
    assert len(asked) == 4
    assert all(untouched(each) for each in ports)


def test_one_key_ends_the_questions(ports: list[ScriptedTerminal], answers: Callable[..., list[str]]) -> None:
    asked = answers("q")

    assert main(["bench", "--find"]) == 0
    assert len(asked) == 1
    assert all(untouched(each) for each in ports)


def test_one_that_stays_silent_says_so(
    ports: list[ScriptedTerminal],
    answers: Callable[..., list[str]],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    quick = SimpleNamespace(write_end="\n", identify=Message("*IDN?", ReplyKind.IDENTITY, 0.05))
    wire = find_asking.wire_for

    monkeypatch.setattr(find_asking, "wire_for", lambda found: replace(wire(found), identify=quick.identify))
    answers(*(("", "y") if in_order(ports) else ("y", "")))

    assert main(["bench", "--find"]) == 0
    assert "no answer: " in (shown := capsys.readouterr().out)
    assert "it takes the connection but does not answer *IDN?" in shown
    assert ports[1].lines == ["*IDN?\r"]


def test_an_instrument_that_an_attempt_uses_is_not_disturbed_whatever_way_that_goes(
    served: Served, answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    answers("y")
    del served
    with hold(["TCPIP0::127.0.0.1::hislip0::INSTR"], About("bringup run", "MBL-0007")):
        assert main(["bench", "--find"]) == 0

    shown = capsys.readouterr().out
    assert "no answer: TCPIP0::127.0.0.1::hislip0::INSTR is in use: `bringup run` on MBL-0007" in shown
    assert "SIM-S-0003" not in shown


def test_what_was_asked_is_in_the_trace(served: Served, answers: Callable[..., list[str]]) -> None:
    del served
    answers("y")

    assert main(["bench", "--find", "--trace", "told.txt"]) == 0
    told = Path("told.txt").read_text(encoding="utf-8")
    assert told.count("*IDN?") >= 1
    assert "SIM-S-0003" in told


@pytest.mark.parametrize(
    ("identity", "fitting"),
    [
        ("HEWLETT-PACKARD,34401A,0,11-5-2", {"configure-and-read": "meter"}),
        ("KEITHLEY INSTRUMENTS INC.,MODEL 2700,0,B10", {"function-and-read": "meter", "list-of-closed": "scanner"}),
        ("HEWLETT-PACKARD,34970A,0,13-2-2", {"state-by-channel": "scanner"}),
        ("KEYSIGHT TECHNOLOGIES,DSO-X 2024A,MY,2.65", {"vpp-by-channel": "scope"}),
        ("BUOY WORKS,ANVIL-1,0,1", {}),
    ],
)
def test_dialects_of_every_role_are_offered_for_what_answers(identity: str, fitting: dict[str, str]) -> None:
    found = find_asking.Dialects(Path()).suggested(read_identity(identity))

    assert {each.dialect: each.role for each in found} == fitting


# --- the bench file


def test_the_bench_file_that_is_written_checks_and_its_instruments_answer(
    served: Served, answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    own_dialect(Path())
    asked = answers("y", "", "h", "30 V", "1 A")

    assert main(["bench", "--find", "--write", "mine.yaml"]) == 0
    assert "accepts it. Next: bringup bench --bench mine.yaml" in capsys.readouterr().out
    bench = load_bench("mine.yaml")

    assert "Enter: 1" in asked[1], "the one whose dialect is known is the usual choice"
    assert bench.supply is not None
    assert (bench.supply.resource, bench.supply.dialect) == (served.server.resource("supply"), OWN_DIALECT)
    assert (bench.supply.expected.model, bench.supply.expected.serial) == ("SUPPLY-3", "SIM-S-0003")
    assert [str(bench.supply.ceiling.voltage), str(bench.supply.ceiling.current)] == ["30 V", "1 A"]
    assert bench.meter is not None
    assert bench.meter.by_hand
    assert main(["check", "mine.yaml"]) == 0
    assert main(["bench", "--bench", "mine.yaml"]) == 0


def test_what_was_not_stated_is_refused_by_check_and_named(
    served: Served, answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    del served
    answers("", "1", "none", "", "", "no-such-dialect", "")

    assert main(["bench", "--find", "--write", "mine.yaml"]) == 0
    told = capsys.readouterr().out
    assert main(["check", "mine.yaml"]) == 2

    for text in (told, capsys.readouterr().out):
        assert "'voltage' is still to be stated: highest voltage (such as 30 V)" in text
        assert "'current' is still to be stated: highest current limit (such as 1 A)" in text
        assert "'dialect' is still to be stated" in text
    assert "no dialect for a supply is called 'no-such-dialect'" in told
    assert "`bringup check mine.yaml` refuses it until that is stated." in told


def test_a_ceiling_is_asked_until_it_can_be_read(
    answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    answers("h", "", "30", "1,5 V", "0 V", "-5 V", "2 A", "30 V", "500 mA")

    assert main(["bench", "--find", "--write", "mine.yaml"]) == 0
    assert capsys.readouterr().out.count("      ") >= 5
    assert "voltage: 30 V\n    current: 500 mA\n" in Path("mine.yaml").read_text(encoding="utf-8")
    assert main(["check", "mine.yaml"]) == 0


def test_a_serial_port_is_written_with_the_speed_at_which_it_answered(
    ports: list[ScriptedTerminal], answers: Callable[..., list[str]]
) -> None:
    number = "1" if in_order(ports) else "2"
    agree = ("y", "") if number == "1" else ("", "y")
    answers(*agree, "none", number, "configure-and-read")

    assert main(["bench", "--find", "--write", "mine.yaml"]) == 0
    meter = load_bench("mine.yaml").meter
    assert meter is not None
    assert (meter.resource, meter.port.baud, meter.expected.model) == (ports[0].resource, 9600, "METER-1")


def test_one_instrument_cannot_be_both_and_no_role_writes_nothing(
    served: Served, answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    del served
    answers("", "1", "1", "", "", "", "")
    assert main(["bench", "--find", "--write", "mine.yaml"]) == 0
    assert "there is no 1 to choose" in capsys.readouterr().out

    Path("mine.yaml").unlink()


def test_without_any_role_nothing_is_written(answers: Callable[..., list[str]]) -> None:
    answers("", "")

    assert main(["bench", "--find", "--write", "mine.yaml"]) == 3
    assert not Path("mine.yaml").exists()


def test_a_file_that_is_there_is_kept_and_replaced_only_by_force(
    answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    Path("mine.yaml").write_text("bench: Mine\n", encoding="utf-8")
    asked = answers("h", "h", "30 V", "1 A")

    assert main(["bench", "--find", "--write", "mine.yaml"]) == 2
    assert "mine.yaml is there already, and is kept" in capsys.readouterr().err
    assert (asked, Path("mine.yaml").read_text(encoding="utf-8")) == ([], "bench: Mine\n")

    assert main(["bench", "--find", "--write", "mine.yaml", "--force"]) == 0
    assert "resource: by hand" in Path("mine.yaml").read_text(encoding="utf-8")
    assert sorted(each.name for each in Path().iterdir()) == ["mine.yaml"]


def test_a_file_that_appears_while_questions_are_answered_is_kept(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    left = ["h", "h", "30 V", "1 A"]

    def typed(_: str) -> str:
        Path("mine.yaml").write_text("bench: Theirs\n", encoding="utf-8")
        return left.pop(0)

    monkeypatch.setattr(bench_find, "at_a_terminal", lambda: True)
    monkeypatch.setattr(bench_find, "typed", typed)

    assert main(["bench", "--find", "--write", "mine.yaml"]) == 2
    assert "has appeared meanwhile, and is kept" in capsys.readouterr().err
    assert Path("mine.yaml").read_text(encoding="utf-8") == "bench: Theirs\n"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--find", "--write", "mine.yaml"], "there is nobody to ask"),
        (["--find", "--write", "mine.yaml", "--json"], "there is nobody to ask"),
        (["--write", "mine.yaml"], "--write goes with --find"),
        (["--find", "--force"], "--force with --write"),
    ],
)
def test_options_that_make_no_sense_are_refused(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["bench", *arguments]) == 2
    assert says in capsys.readouterr().err
    assert not Path("mine.yaml").exists()


@pytest.mark.parametrize(
    ("target", "says"),
    [("nowhere/mine.yaml", "there is no folder nowhere"), (".", "is a folder"), ("mine.txt", "Name it mine.yaml")],
)
def test_a_file_that_cannot_be_written_is_refused_before_any_question(
    target: str, says: str, answers: Callable[..., list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    asked = answers()

    assert main(["bench", "--find", "--write", target]) == 2
    assert says in capsys.readouterr().err
    assert asked == []


def test_at_a_real_terminal_questions_are_asked_and_a_yes_typed_before_them_counts_for_nothing(
    ports: list[ScriptedTerminal], monkeypatch: pytest.MonkeyPatch
) -> None:
    far, near = os.openpty()
    os.write(far, b"y\ny\ny\n")
    screen_text = ""

    def person() -> None:
        """Answers each question once it stands there."""
        nonlocal screen_text
        left = [b"\n", b"q\n"]
        while left:
            screen_text += os.read(far, 65536).decode()
            if screen_text.count("May it be asked *IDN?") > 2 - len(left):
                os.write(far, left.pop(0))

    typist = threading.Thread(target=person, daemon=True)
    typist.start()
    with os.fdopen(near, "r", closefd=False) as keyboard, os.fdopen(near, "w", closefd=False) as screen:
        monkeypatch.setattr(sys, "stdin", keyboard)
        monkeypatch.setattr(sys, "stdout", screen)
        assert main(["bench", "--find"]) == 0
    typist.join(30.0)
    os.close(near)
    os.close(far)

    assert screen_text.count("May it be asked *IDN?") == 2
    assert all(untouched(each) for each in ports)


TEXTS = st.text(st.characters(codec="utf-8"), max_size=40)


@settings(max_examples=30)
@example(maker="O'Tide", model="#1: {x}, 'y'", called="a\n  resource: b", other="\x85c")
@given(maker=TEXTS, model=TEXTS, called=TEXTS, other=TEXTS)
def test_whatever_an_instrument_says_of_itself_the_file_says_the_same_and_nothing_else(
    maker: str, model: str, called: str, other: str
) -> None:
    who = Identity(maker.strip(), model.strip(), text=f"{maker},{model}")
    role = RoleWritten("TCPIP0::192.0.2.10::5025::SOCKET", "select-by-number", (other,), called, who)
    text = bench_text(BenchWritten("Mine", role, None, "30 V", "1 A", "", date(2026, 11, 28)))

    opened = open_text(Path("mine.yaml"), text)
    assert opened.root is not None
    bench = BENCH.read(opened.root, opened.problems)

    assert opened.problems.found == []
    supply = bench.section_in("supply")
    assert (supply.get("resource"), supply.get("dialect")) == (role.resource, "select-by-number")
    told = {name: said for name, said in (("maker", who.maker), ("model", who.model)) if said and said.isprintable()}
    expected = supply.section_in("expect")
    assert ({} if expected is None else {name: expected.get(name) for name in expected.entries}) == told
