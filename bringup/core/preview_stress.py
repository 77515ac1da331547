"""What a preview knows of a board's power and stress, worked out from procedure and bench. Pure."""

from __future__ import annotations

from bringup.core.bench import Bench
from bringup.core.budget import CurrentBudget
from bringup.core.frozen import frozen
from bringup.core.margins import Junction, Margin, junctions, margins
from bringup.core.procedure import Procedure
from bringup.core.proposal import Proposal, budgets, proposals


@frozen
class Stress:
    """What a preview knows of a board's power and stress."""

    budgets: tuple[tuple[str | None, CurrentBudget], ...] = ()
    """Board state and budget, for both ends of the working range and nominal."""
    proposals: tuple[Proposal, ...] = ()
    margins: tuple[Margin, ...] = ()
    junctions: tuple[Junction, ...] = ()


def stress_of(procedure: Procedure, bench: Bench | None) -> Stress:
    """Return what is known."""
    return Stress(
        tuple(budgets(procedure.board)),
        tuple(proposals(procedure, bench)),
        tuple(margins(procedure)),
        tuple(junctions(procedure)),
    )
