"""A mark for tests of what scipy computes: skipped, saying how to have it, where it is not installed."""

from __future__ import annotations

import pytest

from bringup.core.distributions import special

needs_scipy = pytest.mark.skipif(special() is None, reason="scipy is not installed: pip install '.[statistics]'")
