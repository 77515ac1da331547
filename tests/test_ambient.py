"""`--ambient`: a temperature with its unit, at which a board can be tested."""

from __future__ import annotations

import pytest

from bringup.commands.ambient import ambient_of
from bringup.errors import CommandError


@pytest.mark.parametrize(("text", "degrees"), [("23 degC", 23.0), ("-40 degC", -40.0), (None, None)])
def test_a_temperature_is_read(text: str | None, degrees: float | None) -> None:
    assert ambient_of(text) == degrees


@pytest.mark.parametrize("text", ["-300 degC", "2300 degC"])
def test_a_temperature_at_which_nobody_works_is_refused(text: str) -> None:
    with pytest.raises(CommandError, match=r"lies outside -80 degC \.\. 200 degC"):
        ambient_of(text)


@pytest.mark.parametrize("text", ["23", "23 V"])
def test_without_its_unit_the_words_name_it(text: str) -> None:
    with pytest.raises(CommandError) as caught:
        ambient_of(text)

    assert "23 degC" in caught.value.what_to_do
