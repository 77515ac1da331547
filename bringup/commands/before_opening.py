"""What `run` refuses before an instrument is opened: from the files, the command line and the terminal alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.calibration import calibration, day_at, days
from bringup.core.finding import Finding
from bringup.core.needs import powered_together
from bringup.core.procedure import Procedure
from bringup.core.safety_lines import lines_of
from bringup.core.wording import listed
from bringup.errors import CommandError, SafetyRefused


def check_before_opening(
    procedure: Procedure, bench: Bench, *, serial: str, variant: str = "", unattended: bool = False
) -> None:
    """Refuse what can be refused from the files and the command line alone."""
    from bringup.commands.programs import examine_programs
    from bringup.core.as_built import as_examined
    from bringup.core.board import check_serial

    check_serial(serial, procedure.board.serial_pattern)
    check_variant(variant, procedure)
    check_one_switch(procedure, bench)
    examined, on = as_examined(procedure, bench, variant)
    assert on is not None, "a bench stays one"
    refuse_findings(examined, on, *examine_programs(procedure))
    check_somebody(procedure, bench.listening_to(lines_of(procedure)), unattended=unattended)


def refuse_findings(procedure: Procedure, bench: Bench, *more: Finding) -> None:
    """Refuse what the examination of procedure and bench refuses, and `more`. Raises SafetyRefused."""
    from bringup.core.safety import examine

    refused = [finding for finding in (*examine(procedure, bench, warnings=False), *more) if finding.refused]
    if refused:
        raise SafetyRefused(
            "\n".join(
                f"{place(procedure, finding.step)}{finding.message}\n  {finding.what_to_do}" for finding in refused
            ),
            "Nothing was opened and nothing was powered.",
        )


def today() -> date:
    """Return the date where the person is."""
    return day_at(datetime.now(UTC))


def check_calibration(bench: Bench, on: date) -> None:
    """Refuse a bench that is to be refused with an overdue instrument. Raises SafetyRefused."""
    from bringup.commands.reaching import roles_of

    if not bench.calibration.refuse:
        return
    due = {name: role.calibration_due for name, role in roles_of(bench).items()}
    late = [
        f"the {name}'s calibration was due {day.isoformat()}, {days((on - day).days)} ago"
        for name, day in due.items()
        if day is not None and calibration(day, on) == "overdue"
    ]
    if late:
        raise SafetyRefused(
            f"{bench.path}: {'; '.join(late)}, and the bench file says `overdue: refuse`",
            "Have it calibrated and state the new date, or use another instrument. "
            "Nothing was opened and nothing was powered.",
        )


def check_variant(variant: str, procedure: Procedure) -> None:
    """Refuse a variant that the board file does not name, and none where steps depend on it: they would be left out."""
    board = procedure.board
    if variant or any(rail.variants for rail in board.rails.values()):
        check_variant_of(variant, board, board.path or procedure.path)
    depend = [str(step.index + 1) for step in procedure.steps if step.only_if is not None and step.only_if.variant]
    if depend and not variant:
        raise CommandError(
            f"no variant is given, and it decides what is done in step {listed(depend)}",
            f"Give the unit's with --variant: {', '.join(board.variants)}.",
        )


def check_variant_of(variant: str, board: Board, path: str) -> None:
    """Refuse a variant that the board, read from `path`, does not name, and none where it decides which rails exist."""
    if not variant and any(rail.variants for rail in board.rails.values()):
        raise CommandError(
            "no variant is given, and it decides which rails there are",
            f"Give the unit's with --variant: {', '.join(board.variants)}.",
        )
    if not variant or variant in board.variants:
        return
    if not board.variants:
        raise CommandError(
            f"--variant {variant}: the board file names no variants of {board.name}",
            f"Leave --variant out, or name them in {path}: variants: [{variant}].",
        )
    raise CommandError(f"the board has no variant {variant!r}", f"It has: {', '.join(board.variants)}.")


def check_somebody(procedure: Procedure, bench: Bench, *, unattended: bool) -> None:
    """Refuse a real bench where nobody is and nothing permits that, before any of its instruments is contacted.

    An instrument on loopback may be simulated, which only its identity tells: the runner refuses that one. It also
    knows what else must hold of the unit.
    """
    from bringup.commands.at_terminal import at_a_terminal

    real = "; ".join(bench.surely_real())
    if not real or (at_a_terminal() and not unattended):
        return
    missing = [] if unattended else ["`--unattended` was not given"]
    if not procedure.unattended_after_first_power:
        missing.append("the procedure does not say `unattended: after first power`")
    if any(role is not None and role.by_hand for role in (bench.supply, bench.meter)):
        missing.append("somebody has to set or read an instrument by hand")
    if missing:
        raise SafetyRefused(
            f"nobody is at this bench, and it is a real one ({real}): {'; '.join(missing)}",
            "Run it from a terminal with a person at the bench. Nothing was opened and nothing was powered.",
        )


def check_one_switch(procedure: Procedure, bench: Bench) -> None:
    """Refuse a supply whose one switch serves several inputs of the board: each would be powered with the others."""
    from bringup.commands.reaching import dialect_of

    for role in bench.supplies:
        if role.by_hand or not (
            fed := powered_together(procedure, replace(bench, supply=role), dialect_of(bench, role.name))
        ):
            continue
        raise SafetyRefused(
            f"{bench.path}: with the dialect {role.dialect} one switch serves every output of the {role.name}, and the "
            f"bench file gives outputs to {' and '.join(fed)}: they would all be powered at once",
            "Use a supply that switches each output by itself, or give only one input an "
            "output. Nothing was opened and nothing was powered.",
        )


def place(procedure: Procedure, step: int | None) -> str:
    """Return 'file:line:column: ' of a step, or of the procedure as a whole."""
    if step is None:
        return f"{procedure.path}: "
    where = procedure.steps[step]
    return f"{procedure.path}:{where.line}:{where.column}: "
