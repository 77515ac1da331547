"""What a rehearsal found, as text and as data."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from bringup.core.procedure import Procedure
from bringup.core.rehearsal import Came, Check, Energy, Fate, Rehearsal, Stress
from bringup.core.wording import folded, shown

SHOWS = {
    Check.RESISTANCE: "resistance: [{point}]",
    Check.VOLTAGE: "measure: [{point}]",
    Check.CURRENT: "a narrower `expect_current` of {point}",
}
NO_JOULES = 1e-6
"""No more than this is none: what an ohmmeter gives, or an output that is off (chosen, no source)."""
MOST_NAMED = 6
"""So many faults of one step are named in the overview; --json has all."""


def text_of(rehearsal: Rehearsal, procedure: Procedure, width: int | None) -> str:
    """Return the page for people."""
    lines = "\n".join(folded(line, width) for line in _lines(rehearsal, procedure))
    return f"{lines}\n"


def _lines(rehearsal: Rehearsal, procedure: Procedure) -> Iterator[str]:
    if rehearsal.false_alarms:
        yield from ("", f"SOUND UNITS BLAMED: {len(rehearsal.false_alarms)} of {len(rehearsal.sound)}")
        yield from (f"  {came.trial.name}: {came.result.value}: {came.cause}" for came in rehearsal.false_alarms)
    if missed := _of(rehearsal, Fate.MISSED):
        yield from ("", f"NOT CAUGHT: {len(missed)}. The attempt passed, though something is beyond its limits.")
        for came in missed:
            yield f"  {came.trial.name}{_stressed(came.stressed)}"
        if rehearsal.added:
            yield "  The fewest checks that show them:"
            yield from (f"    {_check(check, point)} shows {count}" for check, point, count in rehearsal.added)
    if late := _of(rehearsal, Fate.TOO_LATE):
        yield from ("", f"CAUGHT TOO LATE: {len(late)}. A point was above what damages it by then: look at these parts")
        yield "  before power, for no check of a rail comes before the power itself."
        yield from _alike((f"{_where(came, procedure)}{_harmed(came)}", came.trial.name) for came in late)
    if caught := _of(rehearsal, Fate.CAUGHT):
        yield from ("", f"Caught in time: {len(caught)}")
        yield from _alike((_where(came, procedure), came.trial.name) for came in sorted(caught, key=_order))
    if within := _of(rehearsal, Fate.WITHIN):
        yield from ("", f"Moves nothing beyond its limits, and passes: {len(within)}")
        yield f"  {'; '.join(came.trial.name for came in within)}"
    if fed := [(came.energy, came) for came in _of(rehearsal, Fate.CAUGHT, Fate.TOO_LATE) if came.energy is not None]:
        most, of = max(fed, key=lambda each: each[0].joules)
        much = f"{_energy(most)} ({of.trial.name}, {_where(of, procedure)})" if most.joules > NO_JOULES else "none"
        yield from ("", f"Most energy into a fault until it was caught: {much}.")
    yield from ("", _summary(rehearsal))


def _of(rehearsal: Rehearsal, *fates: Fate) -> list[Came]:
    return [came for came, one in rehearsal.faults if one in fates]


def _harmed(came: Came) -> str:
    """What a fault did before it was noticed: volts beyond a level, energy into one spot."""
    hot = came.energy is not None and came.energy.harmful
    more = f": {_energy(came.energy)} went into it" if hot and came.energy is not None else ""
    return f"{_stressed(came.stressed)}{more}"


def _energy(energy: Energy) -> str:
    return f"{shown(energy.joules, 'J', 3)}, up to {shown(energy.watts, 'W', 3)}"


def _order(came: Came) -> int:
    return -1 if came.step is None else came.step


def _alike(named: Iterable[tuple[str, str]]) -> Iterator[str]:
    """Yield one line for all that have the same to be said of them."""
    groups: dict[str, list[str]] = {}
    for what, name in named:
        groups.setdefault(what, []).append(name)
    for what, names in groups.items():
        more = f"; and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
        yield f"  {what}, {len(names)}: {'; '.join(names[:MOST_NAMED])}{more}"


def _summary(rehearsal: Rehearsal) -> str:
    blamed, sound = len(rehearsal.false_alarms), len(rehearsal.sound)
    end = f"{blamed} of {sound} sound units blamed."
    if rehearsal.coverage is None:
        return f"No single fault of this board shows in its limits. {end}"
    showing = len(rehearsal.faults) - rehearsal.count(Fate.WITHIN)
    noticed = showing - rehearsal.count(Fate.MISSED)
    return f"{noticed} of {showing} faults that show are caught ({rehearsal.coverage:.1%}). {end}"


def _check(check: Check, point: str) -> str:
    return SHOWS[check].format(point=point)


def _stressed(stressed: Sequence[Stress]) -> str:
    if not stressed:
        return ""
    said = (f"{one.point} comes to {shown(one.volts, 'V')} ({_allowed(one)})" for one in stressed)
    return ": " + ", ".join(said)


def _allowed(stress: Stress) -> str:
    return f"damaged above {shown(stress.allowed, 'V')}" if stress.allowed else "the wrong way round"


def _where(came: Came, procedure: Procedure) -> str:
    if came.step is None:
        return "before the first step"
    return f"step {came.step + 1} ({procedure.steps[came.step].kind})"


def as_data(rehearsal: Rehearsal, procedure: Procedure) -> dict[str, object]:
    """Return it as data. `step` counts from 1."""
    return {
        "procedure": procedure.name,
        "board": procedure.board.name,
        "revision": procedure.board.revision,
        "coverage": rehearsal.coverage,
        "faults": [{**_came(came), "fate": fate.value} for came, fate in rehearsal.faults],
        "sound": [_came(came) for came in rehearsal.sound],
        "checks_to_add": [
            {"check": check.value, "point": point, "shows": count} for check, point, count in rehearsal.added
        ],
    }


def _came(came: Came) -> dict[str, object]:
    fault = came.trial.fault
    return {
        "name": came.trial.name,
        "point": None if fault is None else fault.point,
        "fault": None if fault is None else fault.kind.value,
        "value": None if fault is None else fault.value,
        "result": came.result.value,
        "step": None if came.step is None else came.step + 1,
        "cause": came.cause,
        "stressed": [{"point": one.point, "volts": one.volts, "damage_above": one.allowed} for one in came.stressed],
        "energy": None if came.energy is None else {"joules": came.energy.joules, "most_watts": came.energy.watts},
        "simulated_seconds": round(came.seconds, 3),
    }
