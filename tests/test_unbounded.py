"""A note of rails of which the board file does not say what damages them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bringup.core.preview import look_ahead
from bringup.core.unbounded import unbounded
from tests.fakes import BENCH, FIRST_POWER_ON, the_bench, the_procedure

BOARD = the_procedure(FIRST_POWER_ON).board


@pytest.mark.parametrize("names", [("3V3",), ("5V0", "3V3")])
def test_rails_without_damage_above_are_named_and_refuse_nothing(names: tuple[str, ...]) -> None:
    whole = {
        name: replace(rail, damage_above=rail.damage_above or BOARD.rails["3V3"].damage_above)
        for name, rail in BOARD.rails.items()
    }
    board = replace(BOARD, rails=whole | {name: replace(whole[name], damage_above=None) for name in names})

    said = unbounded(board)

    assert said.startswith(f"{' and '.join(names)} state{'s' if len(names) == 1 else ''} no `damage_above`")
    preview = look_ahead(replace(the_procedure(FIRST_POWER_ON), board=board), the_bench(BENCH))
    assert said in preview.not_covered
    assert not preview.refused
    assert unbounded(replace(BOARD, rails=whole)) == ""
