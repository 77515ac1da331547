"""Readings integrated no longer than their limits ask for, against 10 power-line cycles after fixed waits of 0.5 s.

    python tests/benchmarks/quick_readings.py 1000 [FIRST]

measures so many simulated units (serial numbers from FIRST on, 1 unless stated) both ways, in simulated time, and
prints how long each way took, and every reading that was judged otherwise: permitted only where |reading - limit| < U.
Bound: 0.4 of the time.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from bringup.core.frozen import frozen
from bringup.core.limits import Limits, parse_limits
from bringup.core.procedure import Measure, Procedure
from bringup.core.reading import Reading
from bringup.core.words import Kind
from bringup.runner.measuring import look_beside, looked, read_once
from bringup.runner.roles import Function
from bringup.runner.scpi_meter import ScpiMeter
from bringup.runner.work import Settled, Work
from tests.fakes import ROOT, SEEN, picked, simulated_bench, the_dialect

QUICK = ROOT / "fixtures/benches/simulated-quick.yaml"
FIXED_WAIT, FIXED_NPLC = 0.5, 10.0
BOUND = 0.4
# Narrower than worst case: a good part of the units fails, and some lie near a limit.
EXPECT = {
    "12V0": "12 V ± 0.6 %", "5V0": "4.96 V ± 0.6 %", "3V3": "3.3 V ± 0.3 %", "1V8": "1.8 V ± 0.6 %",
    "VREF": "2.5 V ± 0.05 %", "N12V": "-12 V ± 0.6 %",
}  # fmt: skip


@frozen
class Measured:
    """What one unit read one way: the seconds of its `measure` step, and its readings by rail."""

    seconds: float
    readings: dict[str, Reading]


def given() -> Procedure:
    """Return the demo's power-up and measurement, with the narrow limits, each failure being gone on after."""
    found = picked("apply", "measure", "power_off")
    limits = {name: parse_limits(text) for name, text in EXPECT.items()}
    steps = (
        replace(step, expect=limits, end_on_fail=False) if isinstance(step.action, Measure) else step
        for step in found.steps
    )
    return replace(found, steps=tuple(steps))


def measured(serial: str, *, fixed: bool) -> Measured:
    """Measure a unit: after fixed waits, or each reading for as long as its limits ask for."""
    bench = simulated_bench(given(), history=SEEN, bench_path=QUICK)
    assert bench.bench.meter is not None
    if fixed:
        plain = replace(bench.bench.meter, integrations=())
        bench.bench = replace(bench.bench, meter=plain)
        dialect = the_dialect(plain.dialect, QUICK)
        bench.meter = ScpiMeter(plain, dialect, bench.meter_link, nplc=FIXED_NPLC)
        with patch("bringup.runner.actions.measure.settled", after_fixed_wait):
            readings = bench.run(serial=serial).readings
    else:
        readings = bench.run(serial=serial).readings
    begun = next(each.monotonic for each in readings if each.aspect == "at the board")
    taken = [each for each in readings if each.kind is Kind.VOLTAGE and not each.aspect]
    return Measured(taken[-1].monotonic - begun, {str(each.point): each for each in taken})


def after_fixed_wait(
    work: Work, function: Function, point: str, *, around: float | None = None, limits: Limits | None = None
) -> Settled:
    """Wait, then take one reading for what it is."""
    work.waits.sleep(FIXED_WAIT)
    beside = look_beside(work, point)
    return Settled(read_once(work, function, point, around=around, limits=limits), None, looked(work, beside))


def differences(one: Measured, other: Measured) -> Iterator[tuple[str, bool]]:
    """Yield each rail that was judged otherwise, and whether it may be: it lies within U of a limit."""
    for name, first in one.readings.items():
        second = other.readings[name]
        if first.result is not second.result:
            yield name, near(first) or near(second)


def near(reading: Reading) -> bool:
    """Whether a reading lies within its uncertainty of one of its limits."""
    if reading.value is None or reading.limits is None or reading.uncertainty is None:
        return False
    ends = [float(end) for end in (reading.limits.low, reading.limits.high) if end is not None]
    return any(abs(reading.value - end) < reading.uncertainty for end in ends)


def main(units: int, begun: int) -> int:
    """Measure so many units both ways and print what came of it."""
    seconds = {True: 0.0, False: 0.0}
    failed = otherwise = wrong = 0
    for number in range(begun, begun + units):
        serial = f"MBL-{number:04}"
        quick, slow = measured(serial, fixed=False), measured(serial, fixed=True)
        seconds[False] += quick.seconds
        seconds[True] += slow.seconds
        failed += sum(each.result.value == "fail" for each in slow.readings.values())
        for name, permitted in differences(quick, slow):
            otherwise += 1
            wrong += not permitted
            print(f"{serial} {name}: {quick.readings[name].result} and {slow.readings[name].result}", permitted)
    share = seconds[False] / seconds[True]
    print(f"{units} units, {len(EXPECT) + 1} readings each, {failed} failed after fixed waits")
    quick_seconds, slow_seconds = seconds[False] / units, seconds[True] / units
    print(f"chosen {quick_seconds:.2f} s a unit, fixed {slow_seconds:.2f} s: {share:.3f} (bound {BOUND})")
    print(f"{otherwise} judged otherwise, {wrong} of them further than U from a limit")
    return int(share > BOUND or wrong > 0)


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[1:3]]
    sys.exit(main(*numbers, *(1000, 1)[len(numbers) :]))
