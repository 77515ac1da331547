"""What `run` refuses before an instrument is opened: from the files, the command line and the terminal alone."""

from __future__ import annotations

from bringup.core.bench import Bench
from bringup.core.needs import powered_together
from bringup.core.procedure import Procedure
from bringup.errors import CommandError, SafetyRefused


def check_before_opening(
    procedure: Procedure, bench: Bench, *, serial: str, variant: str = "", unattended: bool = False
) -> None:
    """Refuse what can be refused from the files and the command line alone."""
    from bringup.commands.programs import examine_programs
    from bringup.core.board import check_serial
    from bringup.core.safety import examine

    check_serial(serial, procedure.board.serial_pattern)
    check_variant(variant, procedure)
    check_one_switch(procedure, bench)
    found = (*examine(procedure, bench), *examine_programs(procedure))
    refused = [finding for finding in found if finding.refused]
    if refused:
        raise SafetyRefused(
            "\n".join(
                f"{place(procedure, finding.step)}{finding.message}\n  {finding.what_to_do}" for finding in refused
            ),
            "Nothing was opened and nothing was powered.",
        )
    check_somebody(procedure, bench, unattended=unattended)


def check_variant(variant: str, procedure: Procedure) -> None:
    """Refuse a variant that the board file does not name."""
    board = procedure.board
    if not variant or variant in board.variants:
        return
    if not board.variants:
        raise CommandError(
            f"--variant {variant}: the board file names no variants of {board.name}",
            f"Leave --variant out, or name them in {board.path or procedure.path}: variants: [{variant}].",
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

    if bench.supply is None or bench.supply.by_hand:
        return
    fed = powered_together(procedure, bench, dialect_of(bench, "supply"))
    if not fed:
        return
    raise SafetyRefused(
        f"{bench.path}: with the dialect {bench.supply.dialect} one switch serves every output of the supply, and the "
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
