"""A long attempt in short: ten simulated minutes at five samples a second keep nothing, and can be read meanwhile."""

from __future__ import annotations

import sqlite3
import statistics
from contextlib import closing
from pathlib import Path

import pytest

from bringup.core.words import AttemptResult
from tests.soaking import MIB, soak

MINUTES = 10
SAMPLES_A_MINUTE = 300


@pytest.fixture(scope="module")
def logbook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("soak") / "bringup.db"


def test_ten_minutes_at_five_samples_a_second_keep_nothing_in_memory(logbook: Path) -> None:
    found = soak(logbook, MINUTES, trace=False, sync=False)

    assert found.outcome is not None
    assert found.outcome.result is AttemptResult.PASSED
    assert found.growth("blocks") < 1000, "one piece kept of every sample would be 2,100; the view's queue breathes"
    assert found.growth("resident") < 5 * MIB

    # Another connection saw every sample as it came.
    seen = [mark.samples for mark in found.marks]
    assert seen == [SAMPLES_A_MINUTE * (minute + 1) + seen[0] - SAMPLES_A_MINUTE for minute in range(MINUTES)]
    assert seen[0] > SAMPLES_A_MINUTE - 20
    assert found.listed > 1000

    # The logbook grows evenly, and what is written ahead is folded in while the attempt goes on.
    assert found.worst_bend() < 0.1
    assert max(mark.ahead for mark in found.marks) < 6 * MIB

    with closing(sqlite3.connect(logbook)) as connection:
        values = [row[0] for row in connection.execute("SELECT value FROM samples")]
    summed = {reading.aspect: reading.value for reading in found.outcome.readings if reading.step == 1}
    assert len(values) == MINUTES * SAMPLES_A_MINUTE + 1
    assert summed == {
        "minimum": min(values),
        "maximum": max(values),
        "mean": statistics.mean(values),
        "standard deviation": pytest.approx(statistics.stdev(values), rel=1e-15),
        "peak to peak": max(values) - min(values),
        "slope per hour": 0.0,
    }
