"""`bringup off` on a bench with several supplies: each is seen to at the same time, so that none waits for another.

A program that holds several of them is asked once, for it switches off whatever it holds; its answer goes for each of
them. Every supply has a guardian of its own, which is asked for that supply alone.
"""

from __future__ import annotations

import threading
from concurrent.futures import Future, ThreadPoolExecutor

from bringup.commands.off import outputs_off, unknown
from bringup.core.bench import Bench, SupplyRole
from bringup.errors import BringupError
from bringup.host.control import Outcome, ask_holder_off


class AskedOnce:
    """Asks whoever holds a lock to switch off, each process once; who asks it again gets the same answer."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._answers: dict[int, Future[Outcome | None]] = {}

    def __call__(self, process: int, name: str, within: float) -> Outcome | None:
        """Return what it says. Raises BringupError."""
        if not process:  # it has not said yet who it is: the next one that has not may be another
            return ask_holder_off(name, within)
        with self._lock:
            answer = self._answers.get(process)
            ours = answer is None
            if answer is None:
                answer = self._answers[process] = Future()
        if ours:
            try:
                answer.set_result(ask_holder_off(name, within))
            except BaseException as error:  # noqa: BLE001 - raised below, and for whoever waits for the same answer
                answer.set_exception(error)
        return answer.result()


def every_supply_off(bench: Bench) -> tuple[dict[str, bool | None], bool]:
    """Switch every supply off: what became of each (as off.outputs_off), and whether a holder did the load."""
    ask = AskedOnce()

    def one(role: SupplyRole) -> tuple[bool | None, bool]:
        try:
            return outputs_off(bench, role, ask)
        except BringupError as error:
            unknown(error.message, role.name)
        except Exception as error:  # noqa: BLE001 - the others are seen to meanwhile; the person must hear of this one
            unknown(f"{type(error).__name__}: {error}", role.name)
        return False, False

    with ThreadPoolExecutor(len(bench.supplies)) as beside:
        done = list(beside.map(one, bench.supplies))
    outcomes = {role.name: verified for role, (verified, _) in zip(bench.supplies, done, strict=True)}
    # The load goes with the first supply: its holder or its guardian has it.
    return outcomes, done[0][1]


def together(outcomes: dict[str, bool | None]) -> bool | None:
    """Return whether all are off; None where there was nothing to switch off at any of them."""
    if False in outcomes.values():
        return False
    return True if True in outcomes.values() else None
