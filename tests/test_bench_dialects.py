"""`bringup bench`, `preview` and `run` with supplies of other styles: what is chosen, what is absent, how it goes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from bringup.commands.bench_text import InstrumentFound, instrument_data, instrument_lines
from bringup.core.bench import SupplyRole
from bringup.core.needs import unreached
from bringup.core.preview import look_ahead
from bringup.core.words import AttemptResult
from bringup.files.dialect_file import find_dialect, known_dialects
from bringup.instruments.opening import Wanted, make_link, result
from bringup.runner.scpi_supply import ScpiSupply
from bringup.simulation.bench import SUPPLIES
from bringup.simulation.server import InstrumentServer
from tests.fake_instrument import FakeWorld
from tests.fakes import FIRST_POWER_ON, ROOT, simulated_bench, the_bench, the_procedure
from tests.test_supply_styles import VARIANTS

TODAY = date(2026, 11, 28)
BOARD = ROOT / "fixtures" / "boards" / "mooring-buoy-logger.yaml"


@pytest.mark.parametrize(
    ("fits", "says"),
    [
        (("channel-list",), "channel-list is the dialect for what it answers to *IDN?"),
        (("set-colon",), "set-colon is the dialect for what it answers to *IDN?: name it in the bench file"),
        (("one", "two"), "these dialects fit what it answers to *IDN? alike: one, two"),
    ],
)
def test_the_dialect_that_is_made_for_what_answers_is_shown(fits: tuple[str, ...], says: str) -> None:
    found = InstrumentFound("supply", resource="X", dialect="channel-list", fits=fits)

    assert f"  {says}" in instrument_lines(found, TODAY)
    assert instrument_data(found, TODAY)["dialects_that_fit"] == list(fits)


def test_a_stranger_gets_no_line_about_dialects() -> None:
    found = InstrumentFound("supply", resource="X", dialect="channel-list")

    assert not any("dialect for what it answers" in line for line in instrument_lines(found, TODAY))


def test_what_the_dialect_does_not_reach_is_shown() -> None:
    found = InstrumentFound("supply", resource="X", lacks=unreached(find_dialect("set-colon", ".")))

    assert (
        "  no word in its dialect for: over-voltage protection, over-current protection, remote sense, "
        "clearing a trip, errors"
    ) in instrument_lines(found, TODAY)
    assert unreached(find_dialect("select-by-number", ".")) == ()
    assert unreached(find_dialect("configure-and-read", ".")) == ()


def test_dialects_of_ones_own_are_known_beside_those_that_ship(tmp_path: Path) -> None:
    text = (ROOT / "bringup/instruments/dialects/set-colon.yaml").read_text(encoding="utf-8")
    (tmp_path / "mine.yaml").write_text(text.replace("dialect: set-colon", "dialect: mine"), encoding="utf-8")
    (tmp_path / "wrong.yaml").write_text("dialect: wrong\nrole: supply\n", encoding="utf-8")
    (tmp_path / "bench.yaml").write_text("bench: B\nsupply: by hand\n", encoding="utf-8")

    known = {each.name for each in known_dialects(tmp_path / "bench.yaml", "supply")}
    assert {"mine", "set-colon", "single-output"} <= known
    assert not {"wrong", "configure-and-read"} & known


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("set-colon", "set-colon cannot ask for errors: a refused setting shows by its read-back only"),
        ("set-colon", "set-colon reaches no over-voltage protection"),
        ("number-in-keyword", "number-in-keyword cannot clear a trip: that is done at the supply's panel"),
        ("output-under-conf", "output-under-conf cannot ask whether the supply is in current limit"),
    ],
)
def test_the_preview_says_what_the_dialect_cannot(name: str, says: str) -> None:
    bench = replace(the_bench(ROOT / "fixtures/benches/simulated.yaml"), supply=SupplyRole(None, name, {"VIN": 1}))
    found = look_ahead(the_procedure(FIRST_POWER_ON), bench, {"supply": find_dialect(name, ".")})

    assert any(says in gap for gap in found.not_covered)


STEPS = """
  - inspect: {title: Before power, confirm: [Nothing else is plugged in]}
  - resistance: [VIN, 12V0, 5V0, 3V3, 1V8, VREF, N12V]
  - leads: VIN
  - apply: {input: VIN, short_check: 1 V, then: %s, current_limit: 400 mA}
  - measure: [VIN]
  - power_off: {discharged_below: 1 V}
"""


def files(folder: Path, name: str, volts: str = "24 V") -> tuple[Path, Path]:
    """A bench file with a simulated supply of that style, and a procedure."""
    bench, procedure = folder / "bench.yaml", folder / "procedure.yaml"
    output = 2 if name == "select-by-name" else 1
    bench.write_text(
        f"bench: Styled\nsupply: {{dialect: {name}, address: 6, outputs: {{VIN: {output}}}, "
        f"ceiling: {{voltage: 30 V, current: 1 A}}}}\nmeter: {{dialect: configure-and-read}}\nprobing: fixed wiring\n"
        f"simulate: {{board: '{BOARD}'}}\n",
        encoding="utf-8",
    )
    text = f"procedure: Styled\nboard: '{BOARD}'\nsteps:{STEPS % volts}"
    procedure.write_text(text, encoding="utf-8")
    return bench, procedure


@pytest.mark.parametrize("name", sorted(set(SUPPLIES) - {"select-by-number", "single-output"}))
def test_a_whole_attempt_passes_in_every_style(name: str, tmp_path: Path) -> None:
    bench, procedure = files(tmp_path, name)
    made = simulated_bench(procedure, bench_path=bench)
    outcome = made.run()

    assert (outcome.result, outcome.off_verified) == (AttemptResult.PASSED, True), outcome.cause
    assert not made.on(made.bench.supply.outputs["VIN"] if made.bench.supply else 1)


@pytest.mark.parametrize("name", sorted(VARIANTS))
def test_a_whole_attempt_passes_with_every_model_that_differs(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    dialect, maker = VARIANTS[name]
    monkeypatch.setitem(SUPPLIES, dialect, maker)
    made = simulated_bench(files(tmp_path, dialect)[1], bench_path=tmp_path / "bench.yaml")
    outcome = made.run()

    assert (outcome.result, outcome.off_verified) == (AttemptResult.PASSED, True), outcome.cause
    assert not made.on(1)


@pytest.mark.parametrize(
    "name", ["addressed-line", "channel-prefix", "letter-and-number", "lock-first", "select-and-master"]
)
def test_the_same_is_spoken_over_a_socket(name: str) -> None:
    dialect = replace(find_dialect(name, "."), write_end="\n", read_end="\n", gap=0.0)
    world = FakeWorld()
    with InstrumentServer({"supply": SUPPLIES[name](world, pace=0.0)}) as server:
        link = make_link(Wanted("supply", server.resource("supply"), dialect, address=6))
        supply = ScpiSupply(SupplyRole(None, name, {"VIN": 1}), dialect, link)
        found = result(supply.attach())
        volts = result(supply.set_voltage(1, 5.0))
        on = result(supply.switch(1, True))
        look = result(supply.poll(1))
        off = result(supply.all_off())
        link.close()

    assert (found.troubles, found.old_errors) == ((), ())
    assert (volts.readback, volts.faultless, on.on, off.on) == (5.0, True, True, False)
    assert (look.on, look.fault, look.strays) == (True, None, ())
    assert not world.outputs[1].on
