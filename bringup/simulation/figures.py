"""Numbers as instruments write them, finite in resolution, and noise that is the same every time.

No random state: noise is drawn from a hash of who measures and when (Box-Muller on a BLAKE2 digest).
"""

from __future__ import annotations

import math
from hashlib import blake2b

OVER_RANGE = "+9.90000000E+37"
"""What stands for a value beyond the range (SCPI-1999 volume 1, 7.2.1.4), for both signs as many meters send it."""


def quantised(value: float, resolution: float) -> float:
    """Round to a whole number of steps of `resolution`."""
    return round(value / resolution) * resolution


def nr2(value: float, resolution: float) -> str:
    """Write with a decimal point and no digit finer than `resolution` (NR2), such as `24.000`."""
    places = max(0, _places(resolution))
    return f"{quantised(value, resolution) + 0.0:.{places}f}"


def nr3(value: float, resolution: float) -> str:
    """Write with an exponent and no digit finer than `resolution` (NR3), such as `+3.306012E+00`."""
    rounded = quantised(value, resolution)
    if rounded == 0:
        places = _places(resolution)
        return f"{0.0:+.{places}E}" if places > 0 else f"+0E{-places:+03d}"
    digits = math.floor(math.log10(abs(rounded)) + 1e-12) + _places(resolution)
    return f"{rounded:+.{max(0, digits)}E}"


def normal(*key: object) -> float:
    """Return a standard normal variate that depends on the key and on nothing else."""
    digest = blake2b("|".join(map(repr, key)).encode(), digest_size=16).digest()
    radius = (int.from_bytes(digest[:8], "big") + 1) / 2**64
    angle = int.from_bytes(digest[8:], "big") / 2**64
    return math.sqrt(-2.0 * math.log(radius)) * math.cos(2.0 * math.pi * angle)


def uniform(*key: object) -> float:
    """Return a variate between -1 and 1 that depends on the key and on nothing else."""
    digest = blake2b("|".join(map(repr, key)).encode(), digest_size=8).digest()
    return int.from_bytes(digest, "big") / 2**63 - 1.0


def _places(resolution: float) -> int:
    """Return the decimal place of a resolution: 3 for 0.001."""
    return -math.floor(math.log10(resolution) + 1e-9)
