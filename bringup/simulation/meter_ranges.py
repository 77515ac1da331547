"""What the simulated meter can do on each range: data of a 6.5-digit bench meter of the usual kind.

The figures are our own, of the size that such meters' data sheets give.
"""

from __future__ import annotations

import math

from bringup.core.frozen import frozen

LINE_PERIOD = 0.02
"""Seconds: the mains are at 50 Hz."""
OVER_RANGE_FROM = 1.2
"""Part of the range up to which it reads."""
UNDER_RANGE_BELOW = 0.1
"""Part of the range below which autorange goes down."""
TEN_MEGOHM = 1e7
HIGH_IMPEDANCE = 1e10
OPEN_CIRCUIT_VOLTS = 10.0
"""What the ohmmeter drives into nothing."""
NPLC_CHOICES = (0.02, 0.2, 1.0, 10.0, 100.0)
NPLC_PRESET = 10.0


@frozen
class Range:
    """One range. `noise` is RMS, part of the range, at 10 power-line cycles."""

    full_scale: float
    noise: float
    test_current: float = 0.0
    """Ohms only: what it sources, in amperes."""
    settling: float = 0.0
    """Seconds between choosing the point and integrating."""
    goes_high: bool = False
    """Volts only: whether the automatic input impedance is above 10 Gohm here."""


@frozen
class Function:
    """One thing the meter measures."""

    word: str
    """As CONFigure and FUNCtion name it, short form."""
    ranges: tuple[Range, ...]
    overload_bit: int
    """Its bit in the questionable register."""

    def pick(self, value: float) -> int:
        """Return the index of the smallest range whose full scale reaches `value`, the last one if none does."""
        for index, candidate in enumerate(self.ranges):
            if value <= candidate.full_scale * (1 + 1e-9):
                return index
        return len(self.ranges) - 1

    def hunt(self, index: int, value: float) -> int:
        """Return the range that autorange goes to when it finds `value` on range `index`; the same one if it stays."""
        last = len(self.ranges) - 1
        while index < last and abs(value) > OVER_RANGE_FROM * self.ranges[index].full_scale:
            index += 1
        while index > 0 and abs(value) < UNDER_RANGE_BELOW * self.ranges[index].full_scale:
            index -= 1
        return index


VOLTS = Function(
    "VOLT",
    (
        Range(0.1, 3e-6, goes_high=True),
        Range(1.0, 7e-7, goes_high=True),
        Range(10.0, 4e-7, goes_high=True),
        Range(100.0, 6e-7),
        Range(1000.0, 6e-7),
    ),
    1,
)
AC_VOLTS = Function(
    "VOLT:AC", (Range(0.1, 4e-5), Range(1.0, 4e-5), Range(10.0, 4e-5), Range(100.0, 4e-5), Range(750.0, 4e-5)), 1
)
"""True RMS of what lies beside the DC, which a capacitor keeps out."""
AMPS = Function("CURR", (Range(0.01, 2e-6), Range(0.1, 2e-6), Range(1.0, 3e-6), Range(3.0, 3e-6)), 2)
OHMS = Function(
    "RES",
    (
        Range(100.0, 3e-6, 1e-3, 0.002),
        Range(1e3, 2e-6, 1e-3, 0.002),
        Range(1e4, 2e-6, 1e-4, 0.002),
        Range(1e5, 2e-6, 1e-5, 0.003),
        Range(1e6, 2e-6, 5e-6, 0.015),
        Range(1e7, 4e-6, 5e-7, 0.1),
        Range(1e8, 2e-5, 5e-7, 0.1),
    ),
    512,
)
DEGREES = Function("TEMP", (Range(1000.0, 2e-6),), 4096)
FUNCTIONS = {function.word: function for function in (VOLTS, AC_VOLTS, AMPS, OHMS, DEGREES)}


def aperture(nplc: float) -> float:
    """Return the integration time in seconds."""
    return nplc * LINE_PERIOD


def resolution(span: Range, nplc: float) -> float:
    """Return the step of the last digit: 4.5 digits at the shortest integration, 6.5 from one line period on."""
    part = 1e-4 if nplc < NPLC_CHOICES[1] else 1e-5 if nplc < NPLC_CHOICES[2] else 1e-6
    return span.full_scale * part


def noise(span: Range, nplc: float) -> float:
    """Return the RMS noise of one reading. Below one line period, hum is not averaged out and adds its share."""
    own = span.full_scale * span.noise * math.sqrt(NPLC_PRESET / nplc)
    return own if nplc >= 1.0 else math.hypot(own, span.full_scale * 1e-5)
