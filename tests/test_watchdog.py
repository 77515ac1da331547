"""The supply's own communication watchdog: in the simulation, in the files, armed, fed and switched off again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bringup.core.bench import SupplyRole
from bringup.core.words import AttemptResult
from bringup.errors import FileError
from bringup.files.bench_file import load_bench
from bringup.files.dialect_file import find_dialect, load_dialect
from bringup.runner.roles import Protection
from bringup.runner.scpi_supply import ScpiSupply
from bringup.simulation.instrument import take
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.supply import Supply, with_watchdog
from bringup.simulation.world import BoardWorld
from tests.fakes import FIRST_POWER_ON, ROOT, SEEN, SimulatedBench, picked, simulated_bench, the_procedure
from tests.test_status import Talk

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


# in an attempt


def attempt(**changes: object) -> SimulatedBench:
    return simulated_bench(picked("apply", "log"), history=SEEN, bench_path=BENCH, **changes)  # type: ignore[arg-type]


def settings_sent(bench: SimulatedBench) -> list[str]:
    return [text for text in bench.supply_link.sent if not text.endswith("?")]


def test_it_is_armed_last_before_on_and_switched_off_after_off() -> None:
    bench = attempt()

    outcome = bench.run()

    sent = settings_sent(bench)
    on = sent.index("OUTP ON")
    assert outcome.result is AttemptResult.PASSED
    assert sent[on - 2 : on] == [f"{WDOG}:DEL 5", f"{WDOG} ON"]
    assert sent[-2:] == ["OUTP OFF", f"{WDOG} OFF"]
    assert sent.count(f"{WDOG} ON") == 1
    text = next(text for kind, text, _ in bench.record.events if kind == "watchdog")
    assert text == "the supply switches off by itself when it hears nothing for 5 s"


@pytest.mark.parametrize("dialect", ["select-by-number", "single-output"])
def test_a_dialect_without_one_is_told_nothing_of_it(dialect: str) -> None:
    path = BENCH.with_name("simulated.yaml" if dialect == "select-by-number" else "simulated-single-output.yaml")
    bench = simulated_bench(picked("apply"), history=SEEN, bench_path=path)

    assert bench.run().off_verified is True
    assert not [text for text in bench.supply_link.sent if "WDOG" in text]


def test_a_bench_that_does_not_want_it_leaves_it_alone() -> None:
    bench = attempt()
    assert bench.bench.supply is not None
    supply = replace(bench.bench.supply, watchdog=None)

    assert bench.run(bench=replace(bench.bench, supply=supply)).result is AttemptResult.PASSED
    assert not [text for text in settings_sent(bench) if "WDOG" in text]


def test_a_watchdog_that_the_supply_does_not_take_keeps_the_output_off() -> None:
    bench = attempt()
    bench.clock.at(0.1, lambda: bench.supply_link.troubles.garbage.update({f"{WDOG}?": "0"}))

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "watchdog was to be on, and the supply says that it is not" in outcome.cause
    assert "OUTP ON" not in bench.supply_link.sent


def test_the_supply_is_off_by_itself_after_the_link_died_for_good() -> None:
    bench = attempt()
    bench.clock.at(5.0, lambda: setattr(bench.supply_link.troubles, "lost_at", 5.0))

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.off_verified is False
    assert not bench.world.is_on(1, 10.1)
    assert bench.world.tripped(1, 10.1) == "watchdog"
    assert f"{WDOG} OFF" not in bench.supply_link.sent


def test_an_output_that_its_watchdog_switched_off_is_no_fault_of_the_unit() -> None:
    bench = attempt()
    bench.clock.at(5.0, lambda: bench.world.set_watchdog(1, 5.01, bench.clock.monotonic()))
    panel = bench.supply_link._instrument
    assert isinstance(panel, Supply)
    panel._watchdog = None

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "VIN is off: the supply's communication watchdog heard nothing for too long" in outcome.cause


def test_its_trip_is_cleared_by_the_operator_before_the_next_attempt() -> None:
    bench = attempt()
    for text in ("VOLT 1", f"{WDOG} ON", f"{WDOG}:DEL 1", "OUTP ON"):
        take(bench.supply_link._instrument, text.encode(), 0.0)
    assert bench.world.is_on(1, 0.9)
    bench.clock.wait(2.0)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    asked = {prompt.text: prompt.lines for prompt, _ in bench.ask.asked}  # type: ignore[attr-defined]
    lines = asked["the supply's communication watchdog has tripped on VIN before: Enter clears it"]
    assert lines[0] == (
        "where nobody could switch it off after the outputs, it trips with them off: it need not have cut power"
    )
    sent = settings_sent(bench)
    cleared = sent.index("OUTP:PROT:CLE")
    assert sent[:cleared] == ["OUTP OFF", "VOLT 0"]
    assert sent[cleared + 1] == "OUTP OFF"


def test_one_that_waits_for_a_message_of_its_own_gets_it_with_every_look(tmp_path: Path) -> None:
    feeding = dialect_text(
        f"set_watchdog: {{send: '{WDOG}:DEL {{value}}', query: '{WDOG}:DEL?'}}",
        f"watchdog_state: {{send: '{WDOG} {{on}}', query: '{WDOG}?', reply: boolean}}",
        f"refresh_watchdog: {{send: '{WDOG}:FEED'}}",
        f"tripped_watchdog: {{query: '{WDOG}:TRIP?', reply: boolean}}",
    )
    (tmp_path / "own.yaml").write_text(feeding, encoding="utf-8")
    bench = attempt()
    assert bench.bench.supply is not None
    link = MemoryLink("supply", with_watchdog(bench.world, only_fed=True), bench.clock)
    supply = ScpiSupply(bench.bench.supply, load_dialect(tmp_path / "own.yaml"), link, monotonic=bench.clock.monotonic)

    outcome = bench.run(supply=supply)

    assert outcome.result is AttemptResult.PASSED
    on, off = link.sent.index("OUTP ON"), link.sent.index(f"{WDOG} OFF")
    assert f"{WDOG}:FEED" not in link.sent[:on] + link.sent[off:]
    assert link.sent[on:off].count(f"{WDOG}:FEED") > 20


def test_an_output_that_is_to_be_left_alone_forbids_it() -> None:
    role = SupplyRole(None, "x", {"VIN": 1}, leave_alone=(3,))
    bench = attempt()
    dialect = find_dialect("single-output-watchdog", ".")

    assert not ScpiSupply(role, dialect, bench.supply_link).can_protect(1, Protection.WATCHDOG)
    each = replace(dialect, watchdog_scope="each")
    assert ScpiSupply(role, each, bench.supply_link).can_protect(1, Protection.WATCHDOG)
