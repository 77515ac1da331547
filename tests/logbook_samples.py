"""Filled logbooks of the mooring buoy logger for tests: real files, written through LogbookRecord."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

from bringup.core.bench import SIMULATED_MAKER, Identity
from bringup.core.limits import Limits
from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, How, Kind, LimitsFrom, Result, StepOutcome
from bringup.logbook.record import LogbookRecord
from bringup.runner.records import AttemptStart, InstrumentInfo, SourceText

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
STEPS = (("inspect", "Before power"), ("resistance", ""), ("leads", ""), ("apply", ""), ("measure", "Rails"))
RESISTANCE, LEADS, APPLY, MEASURE = 1, 2, 3, 4
LIMITS_3V3 = Limits("V", Decimal("3.234"), Decimal("3.366"), Decimal("3.3"), "3.3 V ± 2 %")


def start(serial: str = "MBL-0001", *, at: datetime = NOON, simulated: bool = False) -> AttemptStart:
    """Return what is known when an attempt on that unit begins."""
    maker = SIMULATED_MAKER if simulated else "WEST DOCK"
    identity = Identity(maker, "DMM-1", "1001", "1.0", f"{maker},DMM-1,1001,1.0")
    return AttemptStart(
        serial=serial,
        procedure="First power-on",
        board="Mooring buoy logger",
        revision="B",
        bench="Corner bench",
        operator="ada",
        simulated=simulated,
        started=at,
        monotonic=100.0,
        tool_version="0.1.0",
        steps=STEPS,
        lot="L1",
        ambient=21.5,
        fixture="pogo bed 2",
        instruments=(
            InstrumentInfo(
                "meter",
                "TCPIP0::192.0.2.11::5025::SOCKET",
                "configure-and-read",
                identity,
                date(2027, 3, 1),
                simulated,
                by_hand=False,
            ),
            InstrumentInfo("supply", "", "", None, None, simulated=False, by_hand=True),
        ),
        sources=(
            SourceText("procedure", "procedures/first-power-on.yaml", "procedure: First power-on\n"),
            SourceText("board", "fixtures/boards/mooring-buoy-logger.yaml", "board: Mooring buoy logger\n"),
        ),
    )


def volts(value: float | None = 3.306, *, at: datetime = NOON, monotonic: float = 105.0) -> Reading:
    """Return a judged reading of 3V3."""
    result = Result.NO_VALUE if value is None else Result.PASS if LIMITS_3V3.accepts(value) else Result.FAIL
    return Reading(
        step=MEASURE,
        point="3V3",
        kind=Kind.VOLTAGE,
        value=value,
        unit="V",
        limits=LIMITS_3V3,
        limits_from=LimitsFrom.BOARD,
        result=result,
        at=at,
        monotonic=monotonic,
        instrument="meter",
        raw="" if value is None else f"{value:+.6E}",
        resolution=0.001,
        input_volts=24.01,
        input_amps=0.081,
    )


def ohms(point: str = "3V3", result: Result = Result.PASS, *, monotonic: float = 102.0) -> Reading:
    """Return a reading of resistance to ground."""
    limits = Limits("ohm", Decimal(200), text="> 200 Ω")
    value = 1470.0 if result is Result.PASS else 0.4
    return Reading(
        RESISTANCE, point, Kind.RESISTANCE, value, "ohm", limits, LimitsFrom.BOARD, result, NOON, monotonic, "meter", ""
    )


def add_attempt(
    record: LogbookRecord,
    begin: AttemptStart,
    readings: Sequence[Reading] = (),
    *,
    result: AttemptResult = AttemptResult.PASSED,
    cause: str = "",
    trip_at: float | None = None,
) -> str:
    """Write one attempt in which every step was done, with readings and maybe a trip in `apply`. Returns its id."""
    attempt = record.begin(begin)
    for index in range(len(STEPS)):
        record.step_begun(index, begin.started + timedelta(seconds=index), begin.monotonic + index)
        for reading in readings:
            if reading.step == index:
                record.reading(replace(reading, at=begin.started + timedelta(seconds=index)))
        if index == APPLY and trip_at is not None:
            record.event("trip", "VIN 0.8 A, above 0.22 A", at=begin.started, monotonic=trip_at, step=index)
        record.step_ended(
            index, StepOutcome.DONE, "pass", at=begin.started + timedelta(seconds=index, milliseconds=900)
        )
    ended = begin.started + timedelta(minutes=2)
    record.end(result, cause, at=ended, off_verified=True)
    return attempt


def filled_logbook(path: Path) -> dict[str, str]:
    """Write three real units and a simulated one. Returns attempt ids by a name.

    MBL-0001 passed; MBL-0002 failed at 3V3 and passed later; MBL-0003 failed by a trip after a corrected reading;
    a simulated MBL-0001 failed.
    """
    ids = {}
    low = replace(volts(2.91), result=Result.FAIL)
    typed = replace(volts(33.06), how=How.TYPED, raw="33.06", resolution=0.01, note="")
    right = replace(volts(3.306), how=How.TYPED, raw="3.306", replaces=typed.id, note="point slipped")
    with LogbookRecord.open(path, simulated=False) as record:
        ids["0001"] = add_attempt(record, start("MBL-0001"), [ohms(), volts()])
        ids["0002 first"] = add_attempt(
            record,
            start("MBL-0002", at=NOON + timedelta(hours=1)),
            [ohms(), low],
            result=AttemptResult.FAILED,
            cause="3V3 reads 2.910 V, below 3.234 V",
        )
        ids["0002 second"] = add_attempt(record, start("MBL-0002", at=NOON + timedelta(days=1)), [ohms(), volts(3.31)])
        ids["0003"] = add_attempt(
            record,
            start("MBL-0003", at=NOON + timedelta(days=2)),
            [typed, right],
            result=AttemptResult.FAILED,
            cause="a trip at VIN",
            trip_at=103.5,
        )
        ids["simulated"] = add_attempt(
            record,
            start("MBL-0001", at=NOON + timedelta(days=3), simulated=True),
            [ohms(), volts(3.9)],
            result=AttemptResult.FAILED,
            cause="3V3 reads 3.900 V, above 3.366 V",
        )
    return ids
