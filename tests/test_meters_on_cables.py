"""Every meter dialect that ships over a real cable to a simulated meter of its style, and in a whole attempt."""

from __future__ import annotations

from pathlib import Path

import pytest

from bringup.core.bench import MeterRole
from bringup.core.words import AttemptResult
from bringup.files.dialect_file import find_dialect
from bringup.instruments.opening import Wanted, make_link, result
from bringup.runner.roles import Function
from bringup.runner.scpi_meter import ScpiMeter
from bringup.simulation.bench import METERS
from bringup.simulation.manners import speech_of
from bringup.simulation.server import InstrumentServer
from tests.fake_instrument import FakeWorld
from tests.fakes import simulated_bench
from tests.test_bench_dialects import files


@pytest.mark.parametrize(
    ("name", "cable"),
    [*((name, "socket") for name in sorted(METERS)), ("function-and-fetch", "serial"), ("short-words", "serial")],
)
def test_a_meter_is_set_up_and_read_over_its_cable(name: str, cable: str) -> None:
    dialect = find_dialect(name, ".")
    world = FakeWorld(probed="3V3")
    instruments = {"meter": METERS[name](world, pace=0.0)}
    with InstrumentServer(instruments, over={"meter": cable}, speech={"meter": speech_of(dialect)}) as server:
        link = make_link(Wanted("meter", server.resource("meter"), dialect))
        meter = ScpiMeter(MeterRole(None, name), dialect, link)
        found = result(meter.attach())
        readings = [
            result(meter.read(Function.DC_VOLTS, around=3.3)),
            result(meter.read(Function.OHMS)),
            result(meter.read(Function.DC_VOLTS, around=3.3)),
        ]
        link.close()

    assert (found.troubles, found.old_errors) == ((), ())
    assert [troubles for _, troubles in readings] == [(), (), ()]
    assert [value.number for value, _ in readings] == [
        pytest.approx(3.306, abs=1e-3),
        pytest.approx(4700.0, rel=1e-3),
        pytest.approx(3.306, abs=1e-3),
    ]


@pytest.mark.parametrize("name", sorted(set(METERS) - {"configure-and-read"}))
def test_a_whole_attempt_passes_with_a_meter_of_every_style(name: str, tmp_path: Path) -> None:
    bench, procedure = files(tmp_path, "select-by-number")
    bench.write_text(bench.read_text(encoding="utf-8").replace("configure-and-read", name), encoding="utf-8")
    outcome = simulated_bench(procedure, bench_path=bench).run()

    assert (outcome.result, outcome.off_verified) == (AttemptResult.PASSED, True), outcome.cause
