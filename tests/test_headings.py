"""What a step without a title is called."""

from __future__ import annotations

import pytest

from bringup.core.procedure import Dwell, Measure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.unpowered import Resistance
from bringup.runner.headings import heading
from tests.fakes import FIRST_POWER_ON, the_procedure


def test_a_step_without_a_title_says_what_it_does() -> None:
    assert [heading(step) for step in the_procedure(FIRST_POWER_ON).steps] == [
        "Before power",
        "resistance to ground of VIN, 12V0, 5V0, 3V3, 1V8, VREF, N12V",
        "volts at the free leads of VIN",
        "apply VIN: 1 V, 18 V, 24 V",
        "measure VIN, 12V0, 5V0, 3V3, 1V8, VREF, N12V",
        "log VIN current for 5 s",
        "power off",
    ]


@pytest.mark.parametrize(
    ("step", "text"),
    [
        (Step(0, Measure(tuple("ABCDEFGHI"))), "measure A, B, C, D, E, F, G, H ..."),
        (Step(0, Resistance(("A",)), title="Shorts"), "Shorts"),
        (Step(0, Dwell(parse_quantity("90 s"))), "dwell 1 min 30 s"),
    ],
)
def test_a_title_counts_and_long_lists_are_cut(step: Step, text: str) -> None:
    assert heading(step) == text
