"""The sound board starts: no false alarm from start-up, charging, the supply's blip or a core rail of 2 ohm."""

from __future__ import annotations

import statistics
from dataclasses import replace
from itertools import pairwise

import pytest

from bringup.core.procedure import Channel, Log, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, Kind, Result
from tests.benchmarks.false_trips import with_bulk
from tests.fakes import SEEN, picked, simulated_bench, with_steps

LOG = Log((Channel("VIN", Kind.CURRENT, "VIN current"),), parse_quantity("3 s"), parse_quantity("200 ms"))
LOGGING = with_steps(picked("apply").steps[0], Step(1, LOG))


def test_the_whole_procedure_passes() -> None:
    bench = simulated_bench()

    outcome = bench.run()

    assert (outcome.result, outcome.cause, outcome.off_verified) == (AttemptResult.PASSED, "", True)
    assert outcome.exit_code == 0
    assert not bench.on()
    assert {reading.result for reading in outcome.readings} == {Result.PASS, Result.RECORDED}
    assert "trip" not in bench.record.kinds()
    assert bench.record.ends == [(AttemptResult.PASSED, "", True)]


@pytest.mark.parametrize("serial", [f"MBL-{number:04d}" for number in range(2, 6)])
def test_no_unit_of_a_sound_lot_is_failed(serial: str) -> None:
    bench = simulated_bench(picked("apply", "measure", "power_off"), history=SEEN)

    assert bench.run(serial=serial).result is AttemptResult.PASSED


def test_a_core_rail_of_two_ohms_is_no_short() -> None:
    bench = simulated_bench(picked("resistance"))

    outcome = bench.run()

    core = next(each for each in outcome.readings if each.point == "1V8" and each.kind is Kind.RESISTANCE)
    assert outcome.result is AttemptResult.PASSED
    assert core.value == pytest.approx(2.1, rel=0.05)


def test_a_climbing_resistance_is_noted_as_climbing() -> None:
    procedure = picked("resistance")
    bench = simulated_bench(replace(procedure, board=with_bulk(procedure.board, 1000)))

    readings = {each.point: each for each in bench.run().readings if each.kind is Kind.RESISTANCE}

    assert readings["VIN"].note == "still rising when it was taken"
    assert readings["VREF"].note == ""
    assert readings["VREF"].value == pytest.approx(12_000, rel=0.01)


def test_every_rail_is_read_beside_the_input() -> None:
    bench = simulated_bench(picked("apply", "measure"), history=SEEN)

    outcome = bench.run()

    measured = [each for each in outcome.readings if each.step == 1]
    assert len(measured) == 7
    for reading in measured:
        assert reading.input_volts == pytest.approx(24.0, abs=0.05)
        assert reading.input_amps == pytest.approx(0.069, abs=0.01)


def test_the_input_is_measured_at_the_board_once_and_the_leads_come_out() -> None:
    bench = simulated_bench(picked("leads", "apply", "measure"), history=SEEN)

    outcome = bench.run()

    at_board = [each for each in outcome.readings if each.aspect == "at the board"]
    leads = [each for each in outcome.readings if each.aspect == "supply leads"]
    assert len(at_board) == len(leads) == 1
    assert leads[0].value == pytest.approx(0.1, abs=0.06)
    assert leads[0].kind is Kind.RESISTANCE


def test_the_poll_trace_is_written_while_it_is_fresh() -> None:
    bench = simulated_bench(LOGGING, history=SEEN)

    bench.run()

    samples = [sample for batch in bench.record.batches for sample in batch]
    assert len(samples) > 25
    for batch, written in zip(bench.record.batches, bench.record.batch_times, strict=True):
        assert written - batch[0].monotonic <= 1.0
    gaps = [after.monotonic - before.monotonic for before, after in pairwise(samples) if after.on and before.on]
    assert max(gaps) < 0.5


def test_the_log_keeps_every_sample_and_sums_up() -> None:
    bench = simulated_bench(LOGGING, history=SEEN)

    outcome = bench.run()

    assert len(bench.record.samples) == 16
    assert {name for name, _ in bench.record.samples} == {"VIN current"}
    summed = {each.aspect: each.value for each in outcome.readings if each.step == 1}
    assert set(summed) == {"minimum", "maximum", "mean", "standard deviation", "peak to peak", "slope per hour"}
    values = [value for _, value in bench.record.samples if value is not None]
    assert summed["minimum"] == min(values)
    assert summed["maximum"] == max(values)
    assert summed["mean"] == statistics.mean(values)
    assert summed["standard deviation"] == pytest.approx(statistics.stdev(values), rel=1e-15)
