"""The crossed study that logged attempts make up: units that every appraiser measured, as often each. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bringup.core.frozen import frozen
from bringup.core.taken import Taken
from bringup.errors import NoStatistic

LEAST = 2


@frozen
class Crossed:
    """Unit -> appraiser -> the first `repeats` values, and what could not be used."""

    cells: dict[str, dict[str, list[float]]]
    repeats: int
    lacking: tuple[tuple[str, tuple[str, ...]], ...]
    """Units left out, with the appraisers that did not measure them twice."""
    spare: int
    """Readings left out because another cell has fewer."""


def crossed(groups: Mapping[str, Sequence[Taken]]) -> Crossed:
    """Return the largest study that readings by appraiser hold, each attempt a repeat, in the order done.

    Raises NoStatistic where fewer than two units were measured twice by each of two appraisers, naming what lacks.
    """
    units = dict.fromkeys(each.serial for of in groups.values() for each in of)
    every = {
        serial: {name: [each.value for each in of if each.serial == serial] for name, of in groups.items()}
        for serial in units
    }
    lacking = {
        serial: tuple(name for name, values in of.items() if len(values) < LEAST) for serial, of in every.items()
    }
    whole = {serial: of for serial, of in every.items() if not lacking[serial]}
    if len(groups) < LEAST or len(whole) < LEAST:
        raise NoStatistic(_why(groups, lacking), "Measure what lacks, or narrow the study with the options.")
    repeats = min(len(values) for of in whole.values() for values in of.values())
    spare = sum(len(values) - repeats for of in whole.values() for values in of.values())
    cells = {serial: {name: values[:repeats] for name, values in of.items()} for serial, of in whole.items()}
    return Crossed(cells, repeats, tuple((serial, names) for serial, names in lacking.items() if names), spare)


def _why(groups: Mapping[str, Sequence[Taken]], lacking: Mapping[str, tuple[str, ...]]) -> str:
    text = "a study takes 2 units that were each measured twice by each of 2 appraisers"
    if len(groups) < LEAST:
        return f"{text}; these were all measured by one: {', '.join(groups)}"
    nearest = sorted((serial for serial, names in lacking.items() if names), key=lambda serial: len(lacking[serial]))
    missing = "; ".join(f"{serial} by {', '.join(lacking[serial])}" for serial in nearest[:3])
    return f"{text}; not measured twice: {missing}{' ...' if len(nearest) > 3 else ''}"  # noqa: PLR2004 - as above
