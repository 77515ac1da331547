"""The supply's own communication watchdog: in the simulation, in the files, armed, fed and switched off again."""

from __future__ import annotations

from pathlib import Path

import pytest

from bringup.errors import FileError
from bringup.files.bench_file import load_bench
from bringup.files.dialect_file import find_dialect, load_dialect
from bringup.simulation.supply import Supply, with_watchdog
from bringup.simulation.world import BoardWorld
from tests.fakes import FIRST_POWER_ON, ROOT, the_procedure
from tests.test_simulate import Talk

BENCH = ROOT / "fixtures/benches/simulated-watchdog.yaml"
WDOG = "OUTP:PROT:WDOG"


def armed(*, only_fed: bool = False) -> tuple[BoardWorld, Supply, Talk]:
    """Return a supply that is on with its watchdog armed for 5 s at about 0 s."""
    world = BoardWorld(the_procedure(FIRST_POWER_ON).board, outputs={"VIN": 1})
    supply = with_watchdog(world, only_fed=only_fed)
    talk = Talk(supply)
    for text in ("VOLT 24", "CURR 0.4", f"{WDOG}:DEL 5", f"{WDOG} ON", "OUTP ON"):
        talk(text)
    return world, supply, talk


def test_an_output_goes_off_when_nobody_speaks_to_its_supply() -> None:
    world, _, talk = armed()
    begun = talk.now

    assert world.is_on(1, begun + 4.9)
    assert not world.is_on(1, begun + 5.1)
    assert world.tripped(1, begun + 5.1) == "watchdog"


def test_any_message_keeps_it_on() -> None:
    world, _, talk = armed()
    for _ in range(10):
        talk.now += 4.0
        assert talk("OUTP?") == "1"

    assert world.is_on(1, talk.now + 4.9)


def test_a_watchdog_with_a_message_of_its_own_takes_no_other() -> None:
    world, _, talk = armed(only_fed=True)
    for text in ("OUTP?", f"{WDOG}:FEED", "OUTP?"):
        talk.now += 2.0
        assert talk(text) in ("1", None)
    talk.now += 4.0

    assert talk("OUTP?") == "0"
    assert talk(f"{WDOG}:TRIP?") == "1"
    assert not world.is_on(1, talk.now)


def test_one_that_has_tripped_stays_off_until_it_is_cleared() -> None:
    _, _, talk = armed()
    talk.now += 6.0

    talk("OUTP ON")
    assert "protection tripped" in str(talk("SYST:ERR?"))
    assert talk("OUTP?") == "0"
    talk("OUTP:PROT:CLE")
    assert (talk(f"{WDOG}:TRIP?"), talk("OUTP?")) == ("0", "0")


def test_one_that_is_switched_off_does_nothing() -> None:
    world, _, talk = armed()
    talk(f"{WDOG} OFF")

    assert world.is_on(1, talk.now + 3600.0)


# files


def test_a_bench_file_states_its_time_or_that_it_is_not_used(tmp_path: Path) -> None:
    supply = load_bench(BENCH).supply
    assert supply is not None
    assert supply.watchdog == 5.0
    text = BENCH.read_text(encoding="utf-8").replace("../boards", str(ROOT / "fixtures/boards"))
    for stated, wanted in (("watchdog: not used, ", None), ("watchdog: 12 s, ", 12.0), ("", 5.0)):
        path = tmp_path / "bench.yaml"
        path.write_text(text.replace("watchdog: 5 s, ", stated), encoding="utf-8")
        other = load_bench(path).supply
        assert other is not None
        assert other.watchdog == wanted


REAL = "bench: B\nsupply: {{resource: {0}, dialect: {1}, watchdog: {2}}}\n"
TCP = "'TCPIP0::192.0.2.10::5025::SOCKET'"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (REAL.format(TCP, "single-output-watchdog", "1 s"), r"watchdog of 1 s: it is 3 s to 60 s .*switch off in use"),
        (REAL.format(TCP, "single-output-watchdog", "10 min"), r"it is 3 s to 60 s"),
        (REAL.format(TCP, "single-output-watchdog", "yes"), r"'yes' is not"),
        (REAL.format(TCP, "single-output", "5 s"), r"the dialect single-output reaches no communication watchdog"),
        ("bench: B\nsupply: {resource: by hand, watchdog: 5 s}\n", r"a supply that is by hand hears nobody"),
    ],
)
def test_a_watchdog_that_makes_no_sense_is_refused(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(FileError, match=says):
        load_bench(path)


def dialect_text(*operations: str) -> str:
    """Return a dialect of the family that ships, with these operations instead of its watchdog's."""
    shipped = (ROOT / "bringup/instruments/dialects/single-output-watchdog.yaml").read_text(encoding="utf-8")
    kept = [line for line in shipped.splitlines() if "watchdog" not in line or line.startswith(("dialect", "watch"))]
    return "\n".join([*kept, *(f"  {line}" for line in operations), ""]).replace("single-output-watchdog", "own")


@pytest.mark.parametrize(
    ("operation", "says"),
    [
        ("set_watchdog: {send: 'W {value}'}", r"'set_watchdog' without 'watchdog_state': nothing arms it"),
        ("refresh_watchdog: {send: 'FEED'}", r"'refresh_watchdog' without 'watchdog_state'"),
        ("watchdog_state: {query: 'W?', reply: boolean}", r"'watchdog_state' needs `send`"),
    ],
)
def test_a_dialect_that_could_not_switch_its_watchdog_off_again_is_refused(
    tmp_path: Path, operation: str, says: str
) -> None:
    path = tmp_path / "own.yaml"
    path.write_text(dialect_text(operation), encoding="utf-8")

    with pytest.raises(FileError, match=says):
        load_dialect(path)


def test_the_dialect_that_ships_spells_all_of_it() -> None:
    operations = find_dialect("single-output-watchdog", ".").operations

    assert {"set_watchdog", "watchdog_state", "tripped_watchdog"} <= set(operations)
