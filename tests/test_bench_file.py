from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest

from bringup.commands.reaching import dialect_of
from bringup.core.bench import Bench, Expected, MeterRole
from bringup.core.faults import Fault, FaultKind
from bringup.core.specification import Conditions, Specification
from bringup.errors import FileError
from bringup.files.bench_file import load_bench
from bringup.files.configuration import bench_of

ROOT = Path(__file__).parent.parent
BENCHES = ROOT / "fixtures" / "benches"
LOGGER = ROOT / "fixtures" / "boards" / "mooring-buoy-logger.yaml"


def bench_from(tmp_path: Path, text: str) -> Bench:
    path = tmp_path / "bench.yaml"
    path.write_text("bench: Some bench\n" + text, encoding="utf-8")
    return load_bench(path)


def test_a_bench_of_lan_instruments_is_read_whole() -> None:
    bench = load_bench(BENCHES / "corner-bench.yaml")

    assert (bench.name, bench.probing_by_hand, bench.simulate, bench.backend) == ("Corner bench", True, None, "@py")
    assert bench.supply is not None
    supply = bench.supply
    assert (supply.resource, supply.dialect) == ("TCPIP0::192.0.2.10::5025::SOCKET", "select-by-number")
    assert (supply.outputs, supply.leave_alone, supply.remote_sense) == ({"VIN": 1}, (3,), False)
    assert (str(supply.ceiling.voltage), str(supply.ceiling.current)) == ("30 V", "1 A")
    assert supply.calibration_due == date(2027, 3, 1)
    assert not supply.by_hand
    assert bench.meter is not None
    assert bench.meter == MeterRole(
        "TCPIP0::192.0.2.11::5025::SOCKET",
        "configure-and-read",
        calibration_due=date(2027, 3, 1),
        calibrated=date(2026, 3, 1),
        accuracy=bench.meter.accuracy,
        line=6,
        column=3,
    )
    table = bench.meter.accuracy
    assert isinstance(table, Specification)
    # By hand: 0.0020 % of 5 V and 0.0005 % of 10 V; 0.0035 % of 5 V and 0.0005 % of 10 V from day 91 on.
    assert table.limit("dc volts", Decimal(5), Conditions(days=90)).limit == Decimal("0.00015")
    assert table.limit("dc volts", Decimal(5), Conditions(days=91)).limit == Decimal("0.000225")


def test_a_bench_by_hand_has_its_ceiling_all_the_same() -> None:
    bench = load_bench(BENCHES / "handheld.yaml")

    assert bench.supply is not None
    assert bench.meter is not None
    assert bench.supply.by_hand
    assert bench.meter.by_hand
    assert str(bench.supply.ceiling.voltage) == "30 V"
    assert (bench.meter.line, bench.meter.column) == (4, 8)


def test_a_simulated_bench_finds_its_board_from_anywhere() -> None:
    bench = load_bench(BENCHES / "simulated.yaml")

    assert bench.simulate is not None
    assert Path(bench.simulate.board_path) == LOGGER
    assert bench.supply is not None
    assert (bench.supply.resource, bench.supply.dialect) == (None, "select-by-number")
    assert not bench.supply.by_hand
    assert not bench.probing_by_hand


def test_a_simulated_bench_that_names_no_role_has_both(tmp_path: Path) -> None:
    bench = bench_from(tmp_path, f"simulate: {{board: '{ROOT}/fixtures/boards/tide-gauge.yaml'}}\n")

    assert bench.supply is not None
    assert bench.meter is not None
    assert (bench.supply.dialect, bench.supply.outputs) == ("select-by-number", {"VIN": 1, "VBAT": 2})
    assert bench.meter.dialect == "configure-and-read"
    assert not bench.supply.by_hand
    assert not bench.meter.by_hand


def test_a_role_of_a_simulated_bench_may_be_by_hand(tmp_path: Path) -> None:
    bench = bench_from(tmp_path, f"simulate: {{board: '{LOGGER}'}}\nmeter: by hand\n")

    assert bench.meter is not None
    assert bench.meter.by_hand
    assert bench.supply is not None
    assert not bench.supply.by_hand


def test_a_simulated_bench_may_name_a_loopback_address(tmp_path: Path) -> None:
    resource = "TCPIP0::127.0.0.1::5025::SOCKET"

    bench = bench_from(tmp_path, f"simulate: {{board: '{LOGGER}'}}\nsupply: {{resource: '{resource}'}}\n")

    assert bench.supply is not None
    assert bench.supply.resource == resource


def test_who_is_expected_keeps_the_digits_of_a_serial_number(tmp_path: Path) -> None:
    bench = bench_from(
        tmp_path,
        "meter: {resource: 'USB0::1::2::0012E3::INSTR', dialect: configure-and-read,\n"
        "        expect: {maker: BRINGUP SIMULATED, serial: 0012E3}}\n",
    )

    assert bench.meter is not None
    assert bench.meter.expected == Expected("BRINGUP SIMULATED", "", "0012E3")


@pytest.mark.parametrize(
    ("written", "fault"),
    [
        ("{rail: 3V3, shorted_through: 2 Ω}", Fault("3V3", FaultKind.SHORTED_THROUGH, 2)),
        ("{input: VIN, shorted_through: 4R7, after: 3 s}", Fault("VIN", FaultKind.SHORTED_THROUGH, 4.7, 3)),
        ("{rail: 5V0, not_fitted: yes}", Fault("5V0", FaultKind.NOT_FITTED)),
        ("{rail: 5V0, upper: open}", Fault("5V0", FaultKind.UPPER_OPEN)),
        ("{rail: 5V0, upper: shorted}", Fault("5V0", FaultKind.UPPER_SHORTED)),
        ("{rail: 5V0, upper: 47 kΩ}", Fault("5V0", FaultKind.UPPER_VALUE, 47_000)),
        ("{rail: 5V0, lower: open}", Fault("5V0", FaultKind.LOWER_OPEN)),
        ("{rail: 5V0, lower: shorted}", Fault("5V0", FaultKind.LOWER_SHORTED)),
        ("{rail: 5V0, lower: 4k7}", Fault("5V0", FaultKind.LOWER_VALUE, 4_700)),
        ("{rail: 5V0, feedback: swapped}", Fault("5V0", FaultKind.SWAPPED)),
        ("{rail: 5V0, other_part: 0.6 V}", Fault("5V0", FaultKind.OTHER_PART, 0.6)),
        ("{rail: 12V0, passes_input: yes}", Fault("12V0", FaultKind.PASSES_INPUT)),
        ("{rail: 5V0, capacitor: missing}", Fault("5V0", FaultKind.CAPACITOR_MISSING)),
        ("{rail: 5V0, excess_load: 200 mA}", Fault("5V0", FaultKind.EXCESS_LOAD, 0.2)),
        ("{input: VIN, leads: reversed}", Fault("VIN", FaultKind.LEADS_REVERSED)),
        ("{input: VIN, voltage: 12 V}", Fault("VIN", FaultKind.WRONG_VOLTAGE, 12)),
        ("{input: VIN, sense: open}", Fault("VIN", FaultKind.SENSE_OPEN)),
        ("{rail: 3V3, back_fed: 2.8 V}", Fault("3V3", FaultKind.BACK_FED, 2.8)),
        ("{rail: 12V0, charged: 5 V}", Fault("12V0", FaultKind.CHARGED, 5)),
        ("{rail: 12V0, charged: 5 V, held_by: 100 mF}", Fault("12V0", FaultKind.CHARGED, 5, farads=0.1)),
    ],
)
def test_every_fault_can_be_planted(tmp_path: Path, written: str, fault: Fault) -> None:
    bench = bench_from(tmp_path, f"simulate: {{board: '{LOGGER}', faults: [{written}]}}\n")

    assert bench.simulate is not None
    assert bench.simulate.faults == (fault,)


def test_no_kind_of_fault_is_out_of_a_bench_files_reach() -> None:
    planted = {
        fault.kind
        for path in (BENCHES / "faults").glob("*.yaml")
        if (simulate := load_bench(path).simulate)
        for fault in simulate.faults
    }

    assert set(FaultKind) - planted == {FaultKind.LOWER_OPEN} - planted


def test_a_users_own_dialect_is_checked_with_the_bench_that_names_it(tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text("dialect: mine\nrole: meter\noperations: {read: {query: READ}}\n")

    with pytest.raises(FileError) as caught:
        bench_from(tmp_path, "meter: {resource: 'GPIB0::7::INSTR', dialect: mine}\nprobing: by foot\n")

    told = [(Path(one.path).name, one.line) for one in caught.value.problems]
    assert told == [("bench.yaml", 3), ("mine.yaml", 3), ("mine.yaml", 3)]


def test_the_configuration_names_a_bench_relative_to_itself(tmp_path: Path) -> None:
    path = tmp_path / "bringup.yaml"

    path.write_text("bench: benches/corner.yaml\n")
    assert bench_of(path) == tmp_path / "benches" / "corner.yaml"
    path.write_text("{}\n")
    assert bench_of(path) is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("benches: corner.yaml\n", "unknown key 'benches' in the configuration"),
        ("- corner.yaml\n", "found a list, expected a configuration"),
        ("bench:\n", "'bench' has no value"),
        ("", "the file is empty"),
    ],
)
def test_a_wrong_configuration_is_not_guessed_at(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "bringup.yaml"
    path.write_text(text)

    with pytest.raises(FileError, match=message):
        bench_of(path)


def test_the_dialects_that_were_checked_are_those_that_are_used() -> None:
    bench = load_bench(BENCHES / "corner-bench.yaml")

    assert {role: dialect.name for role, dialect in bench.dialects.items()} == {
        "supply": "select-by-number",
        "meter": "configure-and-read",
    }
    assert dialect_of(bench, "supply") is bench.dialects["supply"]
    assert bench.supply is not None
    other = replace(bench, supply=replace(bench.supply, dialect="single-output"))
    assert dialect_of(other, "supply").name == "single-output"


def test_a_configuration_that_names_the_home_of_nobody_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bringup.yaml"
    path.write_text("bench: ~no-such-person/bench.yaml\n", encoding="utf-8")

    with pytest.raises(FileError, match="begins with ~no-such-person, and there is no such home folder"):
        bench_of(path)
