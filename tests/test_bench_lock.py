"""The bench lock, held and fought for by real processes."""

from __future__ import annotations

import json
import os
import re
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bringup.errors import BenchError
from bringup.host.folder import state_folder
from bringup.host.lock import About, ControlAddress, canonical, hold, holder_of

SUPPLY = "TCPIP0::192.0.2.10::5025::SOCKET"
METER = "TCPIP0::192.0.2.11::5025::SOCKET"
ABOUT = About("bringup run", "MBL-0001")
posix = pytest.mark.skipif(os.name == "nt", reason="file modes of POSIX")

HOLDER = """
import sys
from bringup.host.lock import About, ControlAddress, hold
with hold(sys.argv[1:], About("bringup run", "MBL-0042", ControlAddress(4711, "word"))):
    print("held", flush=True)
    sys.stdin.readline()
"""


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    return tmp_path / "state"


@contextmanager
def another_process(*resources: str) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, *resources], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        try:
            yield process
        finally:
            process.kill()


def test_two_names_of_one_host_are_one_lock() -> None:
    with (
        hold(["TCPIP0::127.0.0.1::5025::SOCKET"], ABOUT),
        pytest.raises(BenchError, match="TCPIP::localhost::5025::SOCKET is in use"),
        hold(["TCPIP::localhost::5025::SOCKET"], ABOUT),
    ):
        pytest.fail("two hold one instrument")


@posix
def test_a_link_to_a_device_and_the_device_are_one_lock(tmp_path: Path) -> None:
    device, link = tmp_path / "ttyUSB0", tmp_path / "by-id"
    device.touch()
    link.symlink_to(device)

    with hold([f"ASRL{device}::INSTR"], ABOUT), pytest.raises(BenchError, match="in use"), hold([f"ASRL{link}"], ABOUT):
        pytest.fail("two hold one instrument")


def test_a_host_that_nobody_knows_is_locked_by_its_name() -> None:
    assert canonical("TCPIP::supply.invalid::5025::SOCKET") == "TCPIP0::SUPPLY.INVALID::5025::SOCKET"


def test_a_held_bench_is_refused_and_says_who_holds_it() -> None:
    with another_process(SUPPLY, METER) as process:
        words = rf"{re.escape(METER)} is in use: `bringup run` on MBL-0042 \(process {process.pid}\) since 20.* UTC"
        with pytest.raises(BenchError, match=words) as caught, hold([METER], ABOUT):
            pytest.fail("two hold one meter")
        assert "bringup off" in caught.value.what_to_do
        holder = holder_of(SUPPLY)
        assert holder is not None
        assert (holder.pid, holder.serial, holder.control) == (process.pid, "MBL-0042", ControlAddress(4711, "word"))


def test_a_simulated_instrument_is_named_by_its_role_and_bench_file() -> None:
    name, words = "SIMULATED::/home/ada/benches/simulated.yaml::meter", r"^the meter of simulated\.yaml is in use: "
    with hold([name], ABOUT), pytest.raises(BenchError, match=words), hold([name], ABOUT):
        pytest.fail("two hold one meter")


def test_a_dead_holder_lets_go_by_itself() -> None:
    with another_process(SUPPLY) as process:
        process.send_signal(signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
        process.wait(60)
        assert holder_of(SUPPLY) is None
        with hold([SUPPLY], ABOUT):
            holder = holder_of(SUPPLY)
            assert holder is not None
            assert (holder.pid, holder.serial, holder.control) == (os.getpid(), "MBL-0001", None)


def test_all_or_nothing_is_held() -> None:
    resources = [METER, SUPPLY, "ASRL/dev/ttyUSB0::INSTR"]
    with another_process(SUPPLY):
        for order in (resources, resources[::-1]):
            with pytest.raises(BenchError, match="is in use"), hold(order, ABOUT):
                pytest.fail("a held supply was had")
            assert holder_of(METER) is None
            assert holder_of("ASRL/dev/ttyUSB0::INSTR") is None


def test_two_in_one_process_cannot_hold_one_instrument_either() -> None:
    with hold([SUPPLY], ABOUT), pytest.raises(BenchError, match="is in use"), hold([SUPPLY], ABOUT):
        pytest.fail("held twice")
    with hold([SUPPLY, SUPPLY.lower(), METER], ABOUT):
        pass
    assert holder_of(SUPPLY) is None


def test_letting_go_after_a_mistake_leaves_nothing_held() -> None:
    with pytest.raises(KeyError), hold([SUPPLY, METER], ABOUT):
        raise KeyError
    with hold([METER, SUPPLY], ABOUT):
        assert holder_of(METER) is not None


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("TCPIP::192.0.2.10::5025::SOCKET", "tcpip0::192.0.2.10::5025::socket"),
        ("TCPIP::192.0.2.10::INSTR", "TCPIP0::192.0.2.10::inst0::INSTR"),
        ("TCPIP::192.0.2.10", "TCPIP0::192.0.2.10::INSTR"),
        ("GPIB::5", "GPIB0::5::INSTR"),
        (" ASRL1::INSTR ", "asrl1"),
    ],
)
def test_one_instrument_has_one_lock_however_it_is_spelt(one: str, other: str) -> None:
    assert canonical(one) == canonical(other)


def test_different_instruments_have_different_locks() -> None:
    spellings = [SUPPLY, METER, "TCPIP1::192.0.2.10::5025::SOCKET", "GPIB0::5::INSTR", "GPIB1::5::INSTR"]
    assert len({canonical(spelling) for spelling in spellings}) == len(spellings)


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b'{"pid": "x"}', b"\xff\xfe", b"null", b"9" * 5000])
def test_a_lock_whose_holder_says_nonsense_is_held_all_the_same(text: bytes, state: Path) -> None:
    with hold([SUPPLY], ABOUT):
        next(state.glob("*.lock")).write_bytes(text)
        with pytest.raises(BenchError, match="another program that has not said who it is"), hold([SUPPLY], ABOUT):
            pytest.fail("held twice")


@posix
def test_nobody_else_can_read_who_holds_a_bench(state: Path) -> None:
    with hold([SUPPLY], ABOUT):
        assert stat.S_IMODE(state.stat().st_mode) == 0o700
        assert stat.S_IMODE(next(state.glob("*.lock")).stat().st_mode) == 0o600


@posix
def test_a_folder_that_others_may_write_is_refused(state: Path) -> None:
    state.mkdir()
    state.chmod(0o777)
    with pytest.raises(BenchError, match="not a folder of yours alone") as caught, hold([SUPPLY], ABOUT):
        pytest.fail("held in a folder of everybody's")
    assert f"chmod 700 {state}" in caught.value.what_to_do


@posix
def test_a_link_put_where_the_folder_is_due_is_refused(state: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir(mode=0o700)
    state.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(BenchError, match="not a folder of yours alone"):
        state_folder()


def test_a_file_in_the_folders_place_is_said_so(state: Path) -> None:
    state.write_text("")
    with pytest.raises(BenchError, match="the folder for bench locks cannot be made") as caught:
        state_folder()
    assert "BRINGUP_STATE" in caught.value.what_to_do


@posix
def test_the_folder_follows_the_system(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("BRINGUP_STATE")
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    assert state_folder() == tmp_path / "bringup"
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    assert state_folder() == tmp_path / f"bringup-{os.getuid()}"


@pytest.mark.parametrize("serial", ["MBL-0001", "", 'MBL "1"', "MBL\\1", "MBL\n1", "MBL-é"])
@pytest.mark.parametrize("control", [None, ControlAddress(4711, "word")])
def test_what_a_holder_says_is_json_whatever_it_is(state: Path, serial: str, control: ControlAddress | None) -> None:
    with hold([SUPPLY], About("bringup run", serial, control)):
        (file,) = state.glob("*.lock")
        said = json.loads(file.read_text(encoding="utf-8"))

    given = None if control is None else {"port": control.port, "token": control.token}
    assert said.pop("since").endswith(" UTC")
    assert said == {
        "resource": SUPPLY, "pid": os.getpid(), "command": "bringup run", "serial": serial, "control": given,
    }  # fmt: skip
