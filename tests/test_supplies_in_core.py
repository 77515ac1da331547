"""Where a bench has several supplies, each input is examined, planned and judged by the one that feeds it."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from bringup.commands import rehearse
from bringup.commands.before_opening import check_calibration, check_one_switch
from bringup.commands.main import main
from bringup.commands.preview import supply_dialects
from bringup.commands.rehearsing import simulated
from bringup.core.accuracy import parse_accuracy
from bringup.core.bench import Bench, Ceiling
from bringup.core.calibration import CalibrationRule
from bringup.core.dialect import Dialect
from bringup.core.needs import lacking
from bringup.core.preview import look_ahead
from bringup.core.preview_data import data_of
from bringup.core.preview_text import text_of
from bringup.core.procedure import Action, Apply, Procedure, Step
from bringup.core.proposal import proposals
from bringup.core.protection import lead_drop
from bringup.core.reading import Reading
from bringup.core.reading_uncertainty import Taken, uncertainty_of
from bringup.core.rehearsal import corners
from bringup.core.safety import examine
from bringup.core.uncertainty import Uncertainty
from bringup.core.words import How, Kind, LimitsFrom, Result
from bringup.errors import SafetyRefused
from bringup.files.bench_file import load_bench
from bringup.files.procedure_file import load_procedure
from bringup.simulation.bench import build
from tests.small_board import q

ROOT = Path(__file__).parent.parent
BENCH = load_bench(ROOT / "fixtures" / "benches" / "simulated-two-supplies.yaml")
PROCEDURE = load_procedure(ROOT / "procedures" / "two-supplies.yaml")


def with_drive(**changes: object) -> Bench:
    drive = replace(BENCH.more_supplies[0], **changes)  # type: ignore[arg-type]
    return replace(BENCH, more_supplies=(drive,))


def steps(*actions: Action) -> Procedure:
    return replace(PROCEDURE, steps=tuple(Step(index, action) for index, action in enumerate(actions)))


def apply(name: str, volts: str, limit: str = "60 mA") -> Apply:
    return Apply(name, (q(volts),), q(limit), short_check=q("1 V"))


def refused(procedure: Procedure, bench: Bench) -> list[str]:
    return [each.message for each in examine(procedure, bench) if each.refused]


def test_the_shipped_procedure_is_in_order_on_the_shipped_bench() -> None:
    assert refused(PROCEDURE, BENCH) == []
    assert not [each for each in examine(PROCEDURE, BENCH) if "ceiling" in each.message]


def test_each_input_is_held_to_the_ceiling_of_its_own_supply() -> None:
    low = with_drive(ceiling=Ceiling(q("20 V"), q("50 mA")))

    found = refused(PROCEDURE, low)
    first = refused(steps(apply("VIN", "15.5 V"), apply("VDRV", "24 V")), BENCH)

    assert "VDRV would get 24 V, above the supply drive's ceiling of 20 V" in found
    assert "the current limit is 60 mA, above the supply drive's ceiling of 50 mA" in found
    assert not [each for each in found if each.startswith("VIN") or "100 mA" in each]
    assert first == ["VIN would get 15.5 V, above the supply's ceiling of 15 V"]


def test_a_supply_without_a_ceiling_is_pointed_out_by_name() -> None:
    found = [each.message for each in examine(PROCEDURE, with_drive(ceiling=Ceiling()))]

    assert [each for each in found if "states no `ceiling`" in each] == [
        "the bench file states no `ceiling` for the supply drive's voltage"
    ]


def test_an_output_left_alone_at_the_second_supply_is_named_as_it_stands_there() -> None:
    assert "VDRV is fed from output 2 of the supply drive, which the bench file says to leave alone" in refused(
        PROCEDURE, with_drive(leave_alone=(2,))
    )
    # Its own output 1 is another one than output 1 of the first supply.
    assert refused(PROCEDURE, with_drive(leave_alone=(1,))) == []


def test_an_input_that_no_supply_feeds_is_refused_with_what_all_of_them_feed() -> None:
    found = refused(PROCEDURE, with_drive(outputs={"VAUX": 2}))

    assert "the bench file gives input VDRV no output of any supply; it gives {VIN: 1, VAUX: 2}" in found


def test_two_inputs_at_one_output_of_the_second_supply_are_refused_by_its_own_number() -> None:
    both = replace(with_drive(outputs={"VDRV": 2, "VIN": 2}), supply=replace(BENCH.supplies[0], outputs={"VX": 1}))

    assert [each for each in refused(PROCEDURE, both) if "both on output 2 of the supply drive" in each]


def test_what_a_dialect_lacks_is_asked_only_of_the_supply_that_feeds_the_input() -> None:
    dialects = supply_dialects(BENCH)
    drive = dialects["supply drive"]
    mute = replace(drive, operations={k: each for k, each in drive.operations.items() if k != "measure_current"})

    found = list(lacking(PROCEDURE, BENCH, {**dialects, "supply drive": mute}))

    assert [(each.step, each.message) for each in found] == [
        (2, "`leads` needs 'measure_current', and the dialect select-by-number has no word for it")
    ]
    assert list(lacking(steps(apply("VIN", "12 V")), BENCH, {**dialects, "supply drive": mute})) == []


def test_sensed_leads_count_only_at_the_input_that_is_sensed() -> None:
    sensed = with_drive(remote_sense=True)

    assert lead_drop(sensed, "VDRV", 1.0) > 0.0
    assert lead_drop(sensed, "VIN", 1.0) == 0.0


def test_a_proposal_stays_under_the_ceiling_of_its_own_supply() -> None:
    found = {each.input: each for each in proposals(PROCEDURE, with_drive(ceiling=Ceiling(q("26 V"), q("12 mA"))))}

    assert found["VDRV"].current_limit == pytest.approx(0.012)
    assert found["VDRV"].capped
    assert not found["VIN"].capped


def reading(instrument: str, name: str, value: float) -> Reading:
    return Reading(
        step=0, point=name, kind=Kind.VOLTAGE, value=value, unit="V", limits=None, limits_from=LimitsFrom.NONE,
        result=Result.RECORDED, at=datetime(2026, 5, 4, 12, tzinfo=UTC), monotonic=0.0, instrument=instrument, raw="",
        how=How.READ,
    )  # fmt: skip


def test_the_uncertainty_of_a_reading_is_that_of_the_supply_that_took_it() -> None:
    bench = replace(
        with_drive(accuracy=parse_accuracy("100 mV")),
        supply=replace(BENCH.supplies[0], accuracy=parse_accuracy("10 mV")),
    )

    own = uncertainty_of(reading("supply drive", "VDRV", 24.0), bench, PROCEDURE.board, Taken())
    first = uncertainty_of(reading("supply", "VIN", 12.0), bench, PROCEDURE.board, Taken())

    assert isinstance(own, Uncertainty)
    assert isinstance(first, Uncertainty)
    assert own.expanded == pytest.approx(10 * first.expanded)
    assert uncertainty_of(reading("supply other", "VDRV", 24.0), bench, PROCEDURE.board, Taken()) is None
    assert reading("supply drive", "VDRV", 24.0).by_supply
    assert not reading("meter", "VDRV", 24.0).by_supply


def test_the_preview_says_what_each_supply_does_not_cover_and_whose_output_it_is() -> None:
    dialects = supply_dialects(BENCH)
    drive = dialects["supply drive"]
    bare = replace(drive, operations={k: each for k, each in drive.operations.items() if k != "set_over_voltage"})

    ahead = look_ahead(PROCEDURE, BENCH, {**dialects, "supply drive": bare})
    page, data = text_of(ahead, 200), json.loads(json.dumps(data_of(ahead)))

    assert "supply drive: the dialect select-by-number reaches no over-voltage protection" in page
    assert "supply: the dialect single-output reaches no communication watchdog" in page
    assert "output 2 of the supply drive, current limit 60 mA" in page
    assert "output 1 of the supply, current limit 100 mA" in page
    assert page.count("out of this bench's reach") == 2
    assert ahead.out_of_reach == frozenset({"VDRV"})
    assert "2 supplies, meter" in page
    powered = [each["apply"] for each in data["steps"] if each["apply"]]
    assert [(each["supply"], each["output"]) for each in powered] == [("supply", 1), ("supply drive", 2)]


def test_an_overdue_calibration_of_the_second_supply_is_refused_by_its_name() -> None:
    bench = replace(with_drive(calibration_due=date(2026, 3, 1)), calibration=CalibrationRule(refuse=True))

    check_calibration(bench, date(2026, 2, 28))
    with pytest.raises(SafetyRefused, match="the supply drive's calibration was due 2026-03-01"):
        check_calibration(bench, date(2026, 4, 1))


def test_a_rehearsal_simulates_every_supply_of_a_real_bench() -> None:
    real = replace(with_drive(resource="TCPIP0::192.0.2.14::5025::SOCKET"), simulate=None)

    bench = simulated(real, PROCEDURE.board, Path(PROCEDURE.path))

    assert [(each.name, each.resource, each.by_hand) for each in bench.supplies] == [
        ("supply", None, False),
        ("supply drive", None, False),
    ]
    assert sorted(build(bench, PROCEDURE.board, "DS-001").instruments()) == ["meter", "supply", "supply drive"]


def test_one_switch_for_several_inputs_is_refused_at_any_supply() -> None:
    switched = replace(supply_dialects(BENCH)["supply drive"], output_scope="all")

    def on(outputs: dict[str, int], dialect: Dialect) -> Bench:
        return replace(with_drive(outputs=outputs), dialects={**BENCH.dialects, "supply drive": dialect})

    check_one_switch(PROCEDURE, on({"VDRV": 2}, switched))
    with pytest.raises(SafetyRefused, match="every output of the supply drive, and the bench file gives outputs to"):
        check_one_switch(PROCEDURE, on({"VDRV": 2, "VIN": 1}, switched))


def test_a_rehearsal_finds_faults_at_the_input_of_the_second_supply(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rehearse, "corners", lambda board, _of: corners(board)[:1])
    bench = ROOT / "fixtures" / "benches" / "simulated-two-supplies.yaml"

    code = main(["rehearse", PROCEDURE.path, "--bench", str(bench), "--point", "VDRV", "--jobs", "1", "--json"])

    found = json.loads(capsys.readouterr().out)
    assert (code, found["coverage"]) == (0, 1.0)
    assert {each["fault"]: each["step"] for each in found["faults"]} == {
        "leads_reversed": 3,
        "wrong_voltage": 3,
        "shorted_through": 1,
    }
