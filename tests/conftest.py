"""Order of the suite: what waits for wall time begins first, so that the rest fills the processors meanwhile."""

from __future__ import annotations

import pytest

WAITING = ("test_readme", "test_run_command", "test_terminal_session")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the tests of the modules in WAITING first, in that order; everything else keeps its place."""
    place = {name: number for number, name in enumerate(WAITING)}
    items.sort(key=lambda item: place.get(item.path.stem, len(WAITING)))
