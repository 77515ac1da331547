"""Programs of this computer as real processes: what they write, how they end, what they cannot get at."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from bringup.errors import CommandError
from bringup.host import programs
from bringup.host.agreed import hash_of, is_agreed, remember
from bringup.host.keeper import adopts
from bringup.host.programs import HEAD, TAIL, HostPrograms, RunningProgram, find_program
from bringup.runner.records import ProgramEnd, ProgramOrder

POSIX = pytest.mark.skipif(os.name == "nt", reason="process groups and signals of POSIX")


def started(
    code: str, *arguments: str, wanted: tuple[str, ...] = (), loads: str = "", folder: str = "."
) -> RunningProgram:
    order = ProgramOrder(
        (sys.executable, "-c", code, *arguments), folder, {"BRINGUP_SERIAL": "MBL-0001"}, loads, wanted
    )
    return HostPrograms(lambda: None).start(order)


def end_of(running: RunningProgram, within: float = 60.0) -> ProgramEnd:
    ended = threading.Event()
    running.ended.when_done(ended.set)
    assert ended.wait(within), "the program never ended"
    return running.ended.value()


def first_line_of(path: Path) -> str:
    """Wait until a process has written a line into a file."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        if path.exists() and path.read_text(encoding="ascii").endswith("\n"):
            return path.read_text(encoding="ascii").strip()
        time.sleep(0.005)  # nothing tells when another process has written
    raise AssertionError(f"nothing was written to {path}")


def is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{pid}/stat")
    return not state.exists() or state.read_text(encoding="ascii").rsplit(")", 1)[1].split()[0] != "Z"


def wait_until_gone(pid: int) -> None:
    until = time.monotonic() + 60
    while is_alive(pid):
        assert time.monotonic() < until, f"process {pid} lives on"
        time.sleep(0.005)  # it is no child of ours that could be waited for


def test_exit_code_and_both_streams_are_kept_in_the_order_they_came() -> None:
    end = end_of(started("import os; os.write(1, b'one '); os.write(2, b'two '); os.write(1, b'three'); os._exit(7)"))

    assert (end.exit_code, end.output, end.written, end.why) == (7, "one two three", 13, "")


def test_values_arrive_whole_and_no_shell_sees_them() -> None:
    hostile = "$(touch pwned); `id` | 'x' \"y\" && %PATH% \u2028 *"

    end = end_of(started("import sys, os; print(ascii(sys.argv[1:]), os.environ['BRINGUP_SERIAL'])", hostile, ""))

    assert end.output.strip() == f"{[hostile, '']!a} MBL-0001"


def test_a_flood_of_100_megabytes_keeps_head_and_tail_and_is_searched_whole() -> None:
    code = """
import os
os.write(1, b'BEGIN')
block = b'x' * 65536
left = 100_000_000
while left:
    left -= os.write(1, block[:left])
    if left == 100_000_000 - 65536 * 700:
        os.write(1, b'the needle in the middle')
os.write(1, b'END')
"""
    end = end_of(started(code, wanted=("needle in the middle", "nowhere", "BEGINx", "xEND")))

    assert end.written == 100_000_000 + 8 + len("the needle in the middle")
    assert end.output.startswith("BEGINxxx")
    assert end.output.endswith("xxxEND")
    assert f"[... {end.written - HEAD - TAIL} bytes left out ...]" in end.output
    assert len(end.output) < HEAD + TAIL + 100
    assert end.found == ("needle in the middle", "BEGINx", "xEND")


def test_binary_output_is_kept_as_text_that_can_be_stored() -> None:
    end = end_of(started("import os; os.write(1, bytes(range(256)))", wanted=("@ABC",)))

    assert end.written == 256
    assert "@ABC" in end.output
    assert "\ufffd" in end.output
    assert end.output.encode("utf-8")
    assert end.found == ("@ABC",)


def test_a_program_has_no_input_and_no_terminal() -> None:
    code = """
import os, sys
print(repr(sys.stdin.read()), os.isatty(0), os.isatty(1))
try:
    os.open('/dev/tty', os.O_RDWR)
except OSError:
    print('no terminal')
"""
    end = end_of(started(code))

    assert end.output.split("\n")[0] == "'' False False"
    if os.name != "nt":
        assert "no terminal" in end.output


@POSIX
def test_a_program_holds_none_of_our_sockets_and_pipes() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        reading, writing = os.pipe()
        os.set_inheritable(server.fileno(), True)
        os.set_inheritable(writing, True)
        code = (
            "import os\nfor fd in range(3, 256):\n  try:\n    os.fstat(fd); print('holds', fd)\n  except OSError: pass"
        )

        end = end_of(started(code))

        os.close(reading)
        os.close(writing)
    assert end.output == ""


def test_stopping_ends_a_program_that_hangs() -> None:
    running = started("import time; print('up', flush=True); time.sleep(600)")
    begun = time.monotonic()
    running.stop()

    end = end_of(running)

    assert end.exit_code is None
    assert "it was ended" in end.why
    assert time.monotonic() - begun < 60


@POSIX
def test_one_that_ignores_being_asked_is_ended_by_force(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(programs, "GRACE", 0.3)
    running = started(
        "import signal, time, sys; signal.signal(signal.SIGTERM, signal.SIG_IGN)\n"
        "open(sys.argv[1], 'w').write('ready\\n'); time.sleep(600)",
        str(tmp_path / "ready"),
    )
    first_line_of(tmp_path / "ready")
    running.stop()

    end = end_of(running)

    assert end.exit_code is None
    assert end.why == "it was ended by force"


_PARENT = """
import subprocess, sys, time
child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])
open(sys.argv[1], 'w').write(f'{child.pid}\\n')
if sys.argv[2] == 'hang':
    time.sleep(600)
"""


@POSIX
@pytest.mark.parametrize("how", ["hang", "leave"])
def test_children_are_ended_with_the_program(how: str, tmp_path: Path) -> None:
    running = started(_PARENT, str(tmp_path / "child"), how)
    child = int(first_line_of(tmp_path / "child"))
    if how == "hang":
        running.stop()

    end = end_of(running)

    wait_until_gone(child)
    assert end.exit_code == (None if how == "hang" else 0)
    assert how == "hang" or end.why == "it left children behind, which were ended"


def test_the_file_that_is_loaded_is_hashed(tmp_path: Path) -> None:
    image = tmp_path / "logger.bin"
    image.write_bytes(b"abc")

    end = end_of(started("pass", loads=str(image)))

    # SHA-256 of "abc": FIPS 180-2, appendix B.1.
    assert end.digest == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize(
    ("arguments", "loads"),
    [(("/nowhere/flasher",), ""), ((sys.executable, "a\0b"), ""), ((sys.executable,), "/nowhere/x")],
)
def test_what_cannot_be_started_ends_without_an_exit_code(arguments: tuple[str, ...], loads: str) -> None:
    end = end_of(HostPrograms(lambda: None).start(ProgramOrder(arguments, ".", {}, loads)))

    assert end.exit_code is None
    assert end.why.startswith("it cannot be started")


# Finding a program


def executable(path: Path) -> Path:
    path.write_text("#!/bin/sh\n", encoding="ascii")
    path.chmod(0o755)
    return path


@POSIX
def test_a_bare_name_is_looked_for_in_path_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    executable(tmp_path / "flasher")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PATH", os.pathsep.join((".", "", "relative")))

    assert find_program("flasher", tmp_path) == ("", "no program 'flasher' in the folders of PATH")

    monkeypatch.setenv("PATH", str(tmp_path))
    assert find_program("flasher", tmp_path) == (str(tmp_path / "flasher"), "")


@POSIX
def test_a_name_with_a_folder_counts_from_the_procedure(tmp_path: Path) -> None:
    inside = executable(tmp_path / "flasher")
    (tmp_path / "data").write_text("no program", encoding="ascii")

    assert find_program("./flasher", tmp_path)[0] == str(inside)
    assert find_program("./data", tmp_path) == ("", f"no program at {tmp_path / 'data'}")
    assert find_program(sys.executable, tmp_path) == (sys.executable, "")


# What was agreed to


def test_an_agreement_holds_for_these_arguments_at_this_bench_only(tmp_path: Path) -> None:
    file, bench = tmp_path / "conf" / "agreed.json", tmp_path / "bench.yaml"
    vectors = [["/usr/bin/flasher", "--port", "ttyX"], ["/usr/bin/verify"]]
    remember(file, bench, vectors, simulated=True)

    def agreed(these: list[list[str]], at: Path = bench) -> bool:
        return is_agreed(file, at, these, simulated=True)

    assert agreed(vectors)
    assert not is_agreed(file, bench, vectors, simulated=False), "the same file names a real bench now"
    assert not agreed(vectors, tmp_path / "other.yaml")
    assert not agreed([["/usr/bin/flasher", "--port ttyX"], ["/usr/bin/verify"]])
    assert not agreed([["/usr/bin/flasher", "--port", "ttyX", "/usr/bin/verify"]])
    remember(file, bench, [["other"]], simulated=True)
    assert agreed(vectors)
    kept = json.loads(file.read_text(encoding="utf-8"))
    assert kept == {f"simulated {bench}": [hash_of(vectors), hash_of([["other"]])]}


@pytest.mark.parametrize("text", ["", "[]", "{", '{"BENCH": 3}', '{"BENCH": [3, null]}', "[" * 100_000])
def test_a_file_of_agreements_that_says_nothing_agrees_to_nothing(text: str, tmp_path: Path) -> None:
    file, bench = tmp_path / "agreed.json", tmp_path / "bench.yaml"
    file.write_text(text.replace("BENCH", f"real {bench}"), encoding="utf-8")

    assert not is_agreed(file, bench, [["flasher"]], simulated=False)


def test_an_agreement_that_cannot_be_kept_is_refused(tmp_path: Path) -> None:
    (tmp_path / "conf").write_text("a file where a folder should be", encoding="ascii")

    with pytest.raises(CommandError, match="cannot be remembered"):
        remember(tmp_path / "conf" / "agreed.json", tmp_path / "bench.yaml", [["flasher"]], simulated=True)


# Children that left the program's session

_AWAY = """
import os, subprocess, sys, time
write = f"open({sys.argv[1]!r}, 'w').write(str(__import__('os').getpid()) + chr(10))"
grandchild = f"{write}; __import__('time').sleep(600)"
quiet = {'stdin': subprocess.DEVNULL, 'stdout': subprocess.DEVNULL, 'stderr': subprocess.DEVNULL}
subprocess.Popen([sys.executable, '-c', grandchild], start_new_session=True, **quiet)
while not os.path.exists(sys.argv[1]):
    time.sleep(0.005)
if sys.argv[2] == 'hang':
    time.sleep(600)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="nothing finds them elsewhere")
@pytest.mark.parametrize("how", ["hang", "leave"])
def test_a_child_in_a_session_of_its_own_is_found_ended_and_told(how: str, tmp_path: Path) -> None:
    bystander = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE, start_new_session=True)
    running = started(_AWAY, str(tmp_path / "child"), how)
    child = int(first_line_of(tmp_path / "child"))
    if how == "hang":
        running.stop()

    end = end_of(running)

    wait_until_gone(child)
    assert how == "hang" or (end.exit_code, end.why) == (0, "it left children behind, which were ended")
    assert bystander.poll() is None, "another child of ours was taken for one of the program's"
    bystander.communicate(b"\n", timeout=60)
    assert adopts() is False, "what was set for the program stays set"


@pytest.mark.skipif(sys.platform != "linux", reason="it was the way of finding them that took others for one's own")
def test_what_we_start_elsewhere_meanwhile_keeps_its_exit_code_and_its_life(tmp_path: Path) -> None:
    running = started(_AWAY, str(tmp_path / "child"), "hang")
    first_line_of(tmp_path / "child")
    quick = subprocess.Popen([sys.executable, "-c", "raise SystemExit(7)"], start_new_session=True)
    lasting = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE, start_new_session=True)
    os.waitid(os.P_PID, quick.pid, os.WEXITED | os.WNOWAIT)  # dead, and nobody has asked yet
    running.stop()

    end_of(running)

    assert lasting.poll() is None, "another child of ours was taken for one of the program's"
    assert quick.wait(60) == 7
    lasting.communicate(b"\n", timeout=60)


_TOOL = """
import sys, time
from bringup.host.programs import HostPrograms
from bringup.runner.records import ProgramOrder
started = HostPrograms(lambda: None).start(ProgramOrder(tuple(sys.argv[1:]), '.', {}, '', ()))
time.sleep(600)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="nothing ends them elsewhere")
def test_a_killed_tool_without_a_guardian_leaves_neither_its_program_nor_what_left_the_programs_session(
    tmp_path: Path,
) -> None:
    noting = f"open({str(tmp_path / 'program')!r}, 'w').write(str(__import__('os').getpid()) + chr(10))\n"
    program = [sys.executable, "-c", noting + _AWAY, str(tmp_path / "child"), "hang"]
    with subprocess.Popen([sys.executable, "-c", _TOOL, *program]) as tool:
        pids = [int(first_line_of(tmp_path / name)) for name in ("program", "child")]
        tool.kill()

    for pid in pids:
        wait_until_gone(pid)


@pytest.mark.skipif(sys.platform != "linux", reason="there is a keeper on Linux alone")
def test_a_program_whose_keeper_is_killed_has_no_exit_code(tmp_path: Path) -> None:
    code = "import os, sys, time; open(sys.argv[1], 'w').write(f'{os.getppid()}\\n'); sys.stdin.read(); time.sleep(0.1)"
    running = started(code, str(tmp_path / "keeper"))
    os.kill(int(first_line_of(tmp_path / "keeper")), signal.SIGKILL)

    end = end_of(running)

    assert end.exit_code is None
    assert "neither its exit code nor what it left behind is known" in end.why
