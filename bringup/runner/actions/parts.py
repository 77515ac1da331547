"""Parts that the board house did not place: what became of each on this unit, and what a missing one holds back."""

from __future__ import annotations

from bringup.core.not_placed import NotPlaced, Unplaced
from bringup.core.placement import PART, Placed, designators, incomplete
from bringup.core.wording import listed
from bringup.errors import NotationError
from bringup.runner.endings import MissingEvidence
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.work import Work

ONE_BY_ONE = "asked one by one"
GO_ON, END = "go on: the attempt stays incomplete", "end here"
WAYS = tuple(Placed)


def ask_parts(work: Work, wanted: NotPlaced) -> None:
    """Find out what became of every part that was not placed, keep it, and hold back what misses one."""
    parts = _typed(work) if not wanted.path else _of_unit(work, wanted)
    known = work.history.parts
    became = _became(work, parts)
    for part in parts:
        said = became[part.part]
        text = f"{part} {said}" + (f" (before: {known[part.part]})" if known.get(part.part, said) != said else "")
        work.journal.event(PART, text, {"part": part.part, "is": said, "about": part.about, "why": part.why})
    work.lacking.parts.update({part: str(said) for part, said in became.items()})
    hold_back(work)
    missing = work.lacking.missing
    if not missing:
        return
    if not work.can_answer:
        raise MissingEvidence(f"{listed(missing)} missing, and nobody is here to say whether to go on")
    prompt = Prompt(PromptKind.CHOICE, _held_back(work, missing), choices=(GO_ON, END), suggestion=GO_ON)
    if work.waits.answer(prompt).text == END:
        raise MissingEvidence(f"{listed(missing)} missing: ended by the person")


def hold_back(work: Work) -> None:
    """Have nothing judged that depends on a part known to be missing, in this attempt or from an earlier one."""
    missing = work.lacking.missing
    work.lacking.known = incomplete(work.board, missing)
    work.lacking.shortfalls = [_held_back(work, missing, ask=False)] if missing else []


def _held_back(work: Work, missing: list[str], *, ask: bool = True) -> str:
    rails = list(work.lacking.known.rails)
    what = f"{listed(missing)} {'is' if len(missing) == 1 else 'are'} missing on {work.setup.serial}"
    then = f"{listed(rails)} not judged" if rails else "the board file names no rail that needs it (`parts`)"
    return f"{what}: {then}" + (". Go on all the same?" if ask else "")


def _of_unit(work: Work, wanted: NotPlaced) -> tuple[Unplaced, ...]:
    """Return the parts of the file that are about this unit, each once."""
    own = (part for part in wanted.parts if part.serial in ("", work.setup.serial))
    parts = tuple({part.part: part for part in own}.values())
    if not parts:
        work.journal.event(PART, f"{wanted.path} names no part for {work.setup.serial}")
    return parts


def _typed(work: Work) -> tuple[Unplaced, ...]:
    """Have the designators typed; Enter alone: everything was placed."""
    lines: tuple[str, ...] = ()
    asked = f"Parts that were not placed on {work.setup.serial}: designators such as C14 U3 R3-R6 (Enter alone: none)"
    while True:
        answer = work.waits.answer(Prompt(PromptKind.TEXT, asked, lines=lines, optional=True))
        try:
            parts = tuple(map(Unplaced, designators(answer.text)))
        except NotationError as error:
            lines = (error.message, error.what_to_do)
            continue
        if not parts:
            by = "the simulated bench" if answer.by_itself else "a person"
            work.journal.event(PART, "every part was placed", {"given by": by})
        return parts


def _became(work: Work, parts: tuple[Unplaced, ...]) -> dict[str, Placed]:
    """Ask what became of the parts: of all alike, or of each."""
    if not parts:
        return {}
    if not work.can_answer:
        unknown = [part.part for part in parts if part.part not in work.history.parts]
        if unknown:
            raise MissingEvidence(f"nobody is here to say what became of {listed(unknown)}, not placed by the house")
        return {part.part: Placed(work.history.parts[part.part]) for part in parts}
    if len(parts) > 1:
        text = f"{len(parts)} parts were not placed. What became of them on {work.setup.serial}?"
        choices = (ONE_BY_ONE, *(f"all {way}" for way in WAYS))
        prompt = Prompt(
            PromptKind.CHOICE, text, lines=tuple(map(str, parts)), choices=choices, suggestion=f"all {Placed.FITTED}"
        )
        said = work.waits.answer(prompt).text
        if said != ONE_BY_ONE:
            return dict.fromkeys((part.part for part in parts), Placed(said.removeprefix("all ")))
    return {part.part: _one(work, part) for part in parts}


def _one(work: Work, part: Unplaced) -> Placed:
    before = work.history.parts.get(part.part)
    text = f"{part} was not placed. On {work.setup.serial} it is" + (f" (last time: {before})" if before else "")
    prompt = Prompt(PromptKind.CHOICE, text, choices=WAYS, suggestion=before or Placed.FITTED)
    return Placed(work.waits.answer(prompt).text)
