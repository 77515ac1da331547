"""A bench with several supplies: its file, the numbers of its outputs, and what simulates it."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.commands.main import main
from bringup.core.arming import output_for, output_words
from bringup.core.bench import FIRST_OUTPUTS, Bench, SupplyRole
from bringup.core.quantity import parse_quantity
from bringup.errors import FileError
from bringup.files.bench_file import load_bench
from bringup.files.bench_named import named_in
from bringup.files.board_file import load_board
from bringup.simulation.bench import SUPPLIES, SimulatedBench, build
from tests.test_dialect_decided import own

BENCHES = Path(__file__).parent.parent / "fixtures" / "benches"
TWO = BENCHES / "simulated-two-supplies.yaml"
SOUNDER = BENCHES.parent / "boards" / "depth-sounder.yaml"


def bench_from(tmp_path: Path, text: str) -> Bench:
    path = tmp_path / "bench.yaml"
    path.write_text("bench: Some bench\n" + text, encoding="utf-8")
    return load_bench(path)


def built(bench: Bench) -> SimulatedBench:
    return build(bench, load_board(SOUNDER), "DS-001", pace=0.0)


def told(simulated: SimulatedBench, role: str, message: str, now: float) -> str:
    work = simulated.instruments()[role].exchange(message.encode(), now)
    try:
        next(work)
    except StopIteration as end:
        return "" if end.value is None else end.value.decode()
    raise AssertionError("without pace nothing takes time")


def test_each_supply_is_read_with_its_own_name_outputs_and_ceiling() -> None:
    bench = load_bench(TWO)

    assert [each.name for each in bench.supplies] == ["supply", "supply drive"]
    first, drive = bench.supplies
    assert (dict(first.outputs), dict(drive.outputs), drive.line, drive.column) == ({"VIN": 1}, {"VDRV": 2}, 6, 10)
    assert str(drive.ceiling.voltage) == "26 V"
    assert bench.supply_of("VDRV") is drive
    assert bench.supply_of("VIN") is first
    assert (bench.dialects["supply"].name, bench.dialects["supply drive"].name) == ("single-output", "select-by-number")


def test_output_numbers_are_unique_and_people_see_those_of_the_instrument() -> None:
    bench = load_bench(TWO)

    outputs = [output_for(bench, name) for name in ("VIN", "VDRV", "VX")]
    assert outputs == [1, 102, None]
    assert output_words(bench, 1) == "output 1 of the supply"
    assert output_words(bench, 102) == "output 2 of the supply drive"
    assert output_words(load_bench(BENCHES / "simulated.yaml"), 3) == "output 3"


@given(
    st.lists(
        st.dictionaries(st.sampled_from("ABCDEFGH"), st.integers(1, 99), min_size=1, max_size=4), min_size=2, max_size=5
    )
)
def test_no_two_outputs_of_a_bench_share_a_number_and_each_is_said_as_its_own_supply_has_it(
    fed: list[dict[str, int]],
) -> None:
    names = iter(f"{name}{place}" for place, each in enumerate(fed) for name in each)
    outputs = [{next(names): number for number in dict.fromkeys(each.values())} for each in fed]
    roles = [
        SupplyRole(None, "single-output", each, name=f"supply {place}", first=FIRST_OUTPUTS * place)
        for place, each in enumerate(outputs)
    ]
    bench = Bench("Bench", roles[0], None, more_supplies=tuple(roles[1:]))

    numbers = [output_for(bench, name) for each in outputs for name in each]

    assert len(set(numbers)) == len(numbers)
    said = [f"output {own} of the {role.name}" for role in roles for own in role.outputs.values()]
    assert [output_words(bench, number) for number in numbers if number is not None] == said


def test_supplies_are_numbered_by_their_names_wherever_they_stand_in_the_file(tmp_path: Path) -> None:
    at = "resource: 'TCPIP0::192.0.2.{}::5025::SOCKET', dialect: single-output"
    bench = bench_from(
        tmp_path,
        f"supply: {{{at.format(10)}, outputs: {{VIN: 1}}}}\n"
        f"more_supplies:\n  drive: {{{at.format(12)}, outputs: {{VDRV: 1}}}}\n"
        f"  bias: {{{at.format(11)}, outputs: {{VB: 1}}}}\n",
    )

    assert [(each.name, each.first) for each in bench.supplies] == [
        ("supply", 0),
        ("supply bias", 100),
        ("supply drive", 200),
    ]
    assert output_words(bench, 201) == "output 1 of the supply drive"


def test_a_resource_that_a_second_supply_names_is_found_by_its_role(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text(
        "bench: B\nsupply: by hand\nmore_supplies:\n  bias: {resource: 'TCPIP0::192.0.2.11::5025::SOCKET'}\n", "utf-8"
    )

    found = [(each.role, each.resource) for each in named_in(tmp_path)]

    assert found == [("supply bias", "TCPIP0::192.0.2.11::5025::SOCKET")]


def test_a_dialect_is_decided_for_each_supply_by_whom_it_expects(tmp_path: Path) -> None:
    own(tmp_path, "harbour", "WEST DOCK.*,PSU-9")
    bench = bench_from(
        tmp_path,
        "supply: {resource: 'TCPIP0::192.0.2.10::5025::SOCKET', dialect: single-output, outputs: {VIN: 1}}\n"
        "more_supplies:\n"
        "  bias: {resource: 'TCPIP0::192.0.2.11::5025::SOCKET', expect: {maker: WEST DOCK, model: PSU-9},\n"
        "         outputs: {VB: 1}}\n",
    )

    assert bench.decided == {"supply bias"}
    assert bench.more_supplies[0].dialect == "harbour"


def test_a_real_second_supply_shows_that_a_bench_is_no_simulation(tmp_path: Path) -> None:
    bench = bench_from(
        tmp_path,
        "supply: {resource: 'TCPIP0::127.0.0.1::5025::SOCKET', dialect: single-output, outputs: {VIN: 1}}\n"
        "more_supplies:\n"
        "  bias: {resource: 'TCPIP0::192.0.2.11::5025::SOCKET', dialect: single-output, outputs: {VB: 1}}\n",
    )

    assert list(bench.surely_real()) == ["the supply bias is at TCPIP0::192.0.2.11::5025::SOCKET"]


@pytest.mark.parametrize("dialect", sorted(SUPPLIES))
def test_two_simulated_supplies_of_any_style_feed_their_own_inputs_of_one_board(tmp_path: Path, dialect: str) -> None:
    bench = bench_from(
        tmp_path,
        f"simulate: {{board: {SOUNDER}}}\n"
        f"supply: {{dialect: {dialect}, outputs: {{VDRV: 1}}}}\n"
        "more_supplies: {main: {dialect: select-by-number, outputs: {VIN: 2}}}\n",
    )
    simulated = built(bench)

    told(simulated, "supply main", "INST:NSEL 2;:VOLT 12;:CURR 0.2;:OUTP ON", 1.0)

    volts = told(simulated, "supply main", "MEAS:VOLT?", 2.0)
    assert float(volts) == pytest.approx(12.0, abs=0.05)
    assert simulated.world.input_volts("VIN", 2.0) == pytest.approx(12.0, abs=0.1)
    assert simulated.world.input_volts("VDRV", 2.0) == 0.0
    assert (simulated.world.is_on(102, 2.0), simulated.world.is_on(1, 2.0)) == (True, False)


def test_resetting_one_supply_leaves_the_output_of_the_other_on() -> None:
    simulated = built(load_bench(TWO))
    told(simulated, "supply", "VOLT 12;:CURR 0.2;:OUTP ON", 1.0)
    told(simulated, "supply drive", "INST:NSEL 2;:VOLT 24;:CURR 0.05;:OUTP ON", 1.0)
    assert simulated.world.is_on(1, 2.0)
    assert simulated.world.is_on(102, 2.0)

    told(simulated, "supply drive", "*RST", 2.0)

    assert simulated.world.is_on(1, 3.0)
    assert not simulated.world.is_on(102, 3.0)
    assert told(simulated, "supply drive", "SIM:OUTP? 2", 3.0) == "0"
    assert told(simulated, "supply", "SIM:OUTP? 1", 3.0) == "1"


def test_an_output_that_the_second_supply_does_not_have_is_refused_with_its_place(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"bench\.yaml:4:66: there is no output 9: with select-by-name a supply has 2"):
        bench_from(
            tmp_path,
            f"simulate: {{board: {SOUNDER}}}\n"
            "supply: {outputs: {VIN: 1}}\n"
            "more_supplies: {drive: {dialect: select-by-name, outputs: {VDRV: 9}}}\n",
        )


def test_a_dialect_that_no_simulated_supply_speaks_is_pointed_at_where_it_stands(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own(tmp_path, "harbour", "WEST DOCK.*,PSU-9")
    path = tmp_path / "bench.yaml"
    path.write_text(
        f"bench: B\nsimulate: {{board: {SOUNDER}}}\nsupply: {{outputs: {{VIN: 1}}}}\n"
        "more_supplies:\n  drive: {dialect: harbour, outputs: {VDRV: 1}}\n",
        encoding="utf-8",
    )

    code = main(["check", str(path)])

    assert (code, "bench.yaml:5:10: no simulated supply speaks the dialect `harbour`" in capsys.readouterr().out) == (
        2,
        True,
    )


def test_a_ceiling_of_the_second_supply_is_its_own() -> None:
    bench = load_bench(TWO)

    ceilings = [each.ceiling.voltage for each in bench.supplies]
    assert ceilings == [parse_quantity("15 V"), parse_quantity("26 V")]
