"""A reading within its limits but unlike the passed sisters' is noticed; one like theirs, or with too few, is not."""

from __future__ import annotations

import io
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.reading import Reading, new_id
from bringup.core.unlike import Sisters, expected_within, key_of
from bringup.core.words import AttemptResult, Kind, Result
from bringup.files.procedure_file import load_procedure
from bringup.logbook.opening import open_for_writing
from bringup.logbook.record import LogbookRecord
from bringup.logbook.sisters import sisters_of
from bringup.runner.protocols import Told
from bringup.terminal.plain import PlainView
from tests import fakes
from tests.logbook_samples import MEASURE, NOON, start, volts


def test_the_interval_is_student_t_of_one_less_than_the_sisters() -> None:
    # Three values 9, 10, 11: mean 10, standard deviation 1, two degrees of freedom. t for two-sided 95 % is 4.303
    # (any printed table of Student's t), and 4.303 * sqrt(4 / 3) = 4.969.
    assert expected_within((9.0, 10.0, 11.0), 1) == pytest.approx((10 - 4.969, 10 + 4.969), abs=1e-3)
    # Two compared: each at sqrt(0.95) = 97.468 %; with two degrees of freedom t has a closed form (from memory):
    # t = p sqrt(2 / (1 - p^2)) for the share p within -t .. t.
    t = 0.95**0.5 * (2 / (1 - 0.95)) ** 0.5
    assert expected_within((9.0, 10.0, 11.0), 2)[1] == pytest.approx(10 + t * (4 / 3) ** 0.5)


def test_sisters_that_are_alike_have_the_instruments_spread() -> None:
    assert expected_within((3.3,) * 6, 1) == pytest.approx((3.3, 3.3), rel=1e-12)
    low, high = expected_within((3.3,) * 6, 1, least_spread=0.001)
    # t(95 %, 5) = 2.571 (any printed table); 2.571 * sqrt(7 / 6) = 2.777.
    assert (high - low) / 2 == pytest.approx(0.002777, abs=1e-6)


@given(st.lists(st.floats(-1e3, 1e3), min_size=5, max_size=20), st.floats(1e-3, 1e3))
def test_the_interval_does_not_depend_on_the_unit_nor_the_order(values: list[float], scale: float) -> None:
    low, high = expected_within(values, 7, least_spread=1.0)

    scaled = expected_within([each * scale for each in reversed(values)], 7, least_spread=scale)
    assert scaled == pytest.approx((low * scale, high * scale), rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("count", [5, 8, 20])
def test_of_sound_units_about_one_in_twenty_is_noticed_however_few_the_sisters(count: int) -> None:
    dice = random.Random(20 + count)  # noqa: S311 - draws, not secrets
    units, rails = 1500, 7
    noticed = 0
    for _ in range(units):
        known = {
            key_of(replace(volts(), point=f"rail {rail}")): tuple(dice.gauss(3.3, 0.02) for _ in range(count))
            for rail in range(rails)
        }
        family = Sisters(known)
        noticed += any(
            family.remark(replace(volts(dice.gauss(3.3, 0.02)), point=f"rail {rail}")) for rail in range(rails)
        )

    # 5 % of 1,500 are 75, give or take 3 times 8.4 (binomial).
    assert 50 <= noticed <= 100, f"{noticed} of {units} sound units"


def test_a_rail_that_lies_far_out_is_noticed_in_nearly_every_unit() -> None:
    dice = random.Random(7)  # noqa: S311 - draws, not secrets
    units = 300
    noticed = 0
    for _ in range(units):
        known = {key_of(volts()): tuple(dice.gauss(3.3, 0.002) for _ in range(8))}
        noticed += bool(Sisters(known).remark(volts(3.3 + 0.02)))

    assert noticed >= 0.99 * units, f"{noticed} of {units}: ten standard deviations away"


def test_what_the_instruments_may_be_off_by_is_no_difference() -> None:
    unsure = replace(volts(3.35), uncertainty=0.04)

    assert sisters(*ALIKE).remark(volts(3.35))
    assert sisters(*ALIKE).remark(unsure) == "", "the sisters' meter may be off by 40 mV, too: 57 mV together"
    assert sisters(*ALIKE).remark(replace(unsure, uncertainty=0.03))


def sisters(*values: float) -> Sisters:
    return Sisters({key_of(volts()): values})


ALIKE = (3.300, 3.301, 3.302, 3.299, 3.3)


def test_a_reading_that_passes_but_lies_apart_is_said_to() -> None:
    assert sisters(*ALIKE).remark(volts(3.35)) == (
        "3V3 3.350 V: within its limits, but unlike 5 passed sisters (median 3.300 V, 3.299 V .. 3.302 V; "
        "another one is expected within 3.295 V .. 3.305 V)"
    )


def amps(value: float) -> Reading:
    return replace(
        volts(value), kind=Kind.CURRENT, unit="A", point="VIN", limits=None, result=Result.RECORDED, resolution=1e-4
    )


def test_a_current_far_from_those_of_a_few_sisters_is_said_to_be() -> None:
    few = Sisters({key_of(amps(0.03)): (0.0290, 0.0292)})

    assert (
        few.remark(amps(0.067)) == "VIN current 67.0 mA: unlike 2 passed sisters (median 29.1 mA, 29.0 mA .. 29.2 mA)"
    )
    assert few.remark(amps(0.0195)).startswith("VIN current 19.5 mA: unlike 2 passed sisters")
    # By the power budget's own band about what they drew: 30 %, here 8.7 mA.
    assert few.remark(amps(0.0375)) == ""
    assert few.remark(replace(amps(0.067), aspect="standard deviation")) == ""
    assert Sisters({key_of(amps(0.03)): (0.029,)}).remark(amps(0.067)) == "", "one may be the odd one itself"


@pytest.mark.parametrize(
    ("known", "reading"),
    [
        (ALIKE, volts(3.302)),
        (ALIKE[:4], volts(3.35)),
        (ALIKE, volts(3.9)),
        (ALIKE, volts(None)),
        (ALIKE, replace(volts(3.35), aspect="after power off")),
        (ALIKE, replace(volts(3.35), point="5V0")),
        ((3.3,) * 5, volts(3.305)),
    ],
    ids=["like them", "too few", "failed", "no value", "left charge", "another rail", "instruments differ as much"],
)  # fmt: skip
def test_nothing_is_said(known: tuple[float, ...], reading: Reading) -> None:
    assert sisters(*known).remark(reading) == ""


def test_sisters_are_passed_units_of_the_same_kind_with_one_value_each(tmp_path: Path) -> None:
    logbook = open_for_writing(tmp_path / "bringup.db", tmp_path)

    def attempt(
        value: float,
        serial: str,
        result: AttemptResult = AttemptResult.PASSED,
        taken: dict[str, Any] | None = None,
        **changes: object,
    ) -> None:
        record = LogbookRecord(logbook, simulated=False)
        record.begin(replace(start(serial), **changes))  # type: ignore[arg-type]
        typed = replace(volts(9.9), id=new_id())
        record.reading(typed)
        record.reading(replace(volts(value), id=new_id(), replaces=typed.id, **(taken or {})))
        record.end(result, "", at=NOON, off_verified=True)

    attempt(3.301, "MBL-0001")
    attempt(3.302, "MBL-0002")
    attempt(3.303, "MBL-0002")
    attempt(3.304, "MBL-0003", AttemptResult.FAILED)
    attempt(3.305, "MBL-0004", revision="A")
    attempt(3.306, "MBL-0005", variant="long range")
    attempt(3.307, "MBL-0006", procedure="Other")
    attempt(3.308, "MBL-0007", board="Other")
    attempt(3.309, "MBL-0008")
    attempt(3.310, "MBL-0009", simulated=True)
    attempt(3.311, "MBL-0010", taken={"result": Result.NOT_JUDGED})
    attempt(3.312, "MBL-0011", taken={"result": Result.FAIL})
    attempt(3.313, "MBL-0012", taken={"unsettled": True, "lowest": 3.2, "highest": 3.4})
    attempt(3.314, "MBL-0013", taken={"result": Result.CONDITIONAL_FAIL})
    attempt(3.315, "MBL-0014", taken={"result": Result.RECORDED, "limits": None})
    procedure = load_procedure(fakes.FIRST_POWER_ON)

    found = sisters_of(logbook, procedure, ("MBL-0008", ""), simulated=False)

    assert found.values == {(MEASURE, "3V3", "voltage", ""): (3.301, 3.303, 3.315)}
    logbook.connection.execute(
        "INSERT INTO dispositions (id, serial, simulated, at, who, kind, why)"
        " VALUES (?, 'MBL-0002', 0, '2026-11-28T12:00:00.000000Z', 'ada', 'scrap', 'found burnt later')",
        (new_id(),),
    )
    left = sisters_of(logbook, procedure, ("MBL-0008", ""), simulated=False)
    assert left.values == {(MEASURE, "3V3", "voltage", ""): (3.301, 3.315)}
    shifted = replace(procedure, steps=procedure.steps[1:] + procedure.steps[:1])
    moved = replace(shifted, steps=tuple(replace(step, index=at) for at, step in enumerate(shifted.steps)))
    assert not sisters_of(logbook, moved, ("MBL-0008", ""), simulated=False).values, "another step has that number now"
    logbook.close()


def test_it_is_kept_and_told_right_after_the_reading() -> None:
    key = (0, "3V3", "voltage", "")
    procedure = fakes.picked("apply", "measure", "power_off")
    bench = fakes.simulated_bench(procedure, history=fakes.SEEN)
    outcome = bench.run(sisters=Sisters({(1, *key[1:]): (3.25,) * 6}))

    assert outcome.result is AttemptResult.PASSED, "a notice fails nothing"
    ((_, text, _),) = [event for event in bench.record.events if event[0] == "unlike"]
    assert "within its limits, but unlike 6 passed sisters" in text
    at = next(n for n, told in enumerate(bench.told) if told.data.get("kind") == "unlike")
    before = bench.told[at - 1].reading
    assert before is not None
    assert (before.point, before.result) == ("3V3", Result.PASS)


def test_the_compact_view_keeps_readings_and_warnings_only() -> None:
    said = []
    for compact in (False, True):
        stream = io.StringIO()
        view = PlainView(stream)
        view.scene.compact = compact
        view.start()
        view.tell(Told("step-begun", "measure 3V3", step=4, data={"of": 7}))
        view.tell(Told("prompt-answered", "Go?", data={"by_itself": True}))
        view.tell(Told("event", "simulated: the supply's leads are plugged in", data={"kind": "simulated"}))
        view.tell(Told("reading", step=4, reading=volts(3.35)))
        view.tell(Told("event", "3V3: unlike", data={"kind": "unlike"}))
        view.close()
        said.append(stream.getvalue().strip().splitlines())

    assert len(said[0]) == 5
    assert [line.split()[0] for line in said[1]] == ["3V3", "3V3:"]
