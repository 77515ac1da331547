"""`bringup diagnose SN`: likely causes of what a unit's last attempt read."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import asdict
from math import isfinite
from pathlib import Path

import click

from bringup.commands.asking import simulated_asked
from bringup.commands.before_opening import check_variant_of
from bringup.commands.common import asked_logbook_option, json_option, print_json
from bringup.commands.saying import columns, say
from bringup.commands.tables import SIMULATED, local_time, result_text
from bringup.core.as_built import board_as_built
from bringup.core.board import Board
from bringup.core.diagnosis import Diagnosis, diagnose
from bringup.core.diagnosis_text import LEAST_PROBABILITY, lines_of, look_at, resemblances, telling_apart
from bringup.core.evidence import evidence_of
from bringup.core.likeness import Cause
from bringup.core.other_units import compared
from bringup.core.wording import folded
from bringup.errors import CommandError, FileError
from bringup.logbook.explaining import to_explain
from bringup.logbook.reading import read
from bringup.logbook.server_address import AnyLogbook
from bringup.runner.records import SourceText


@click.command("diagnose")
@click.argument("serial", metavar="SN")
@asked_logbook_option
@click.option("--attempt", "beginning", metavar="ID", help="This attempt instead of the last; its beginning will do.")
@click.option(
    "--board",
    "board_file",
    metavar="FILE",
    type=click.Path(dir_okay=False, path_type=Path),
    default=None,
    help="This board file instead of the one that the attempt was made with.",
)
@click.option("--variant", metavar="NAME", default="", help="The unit's assembly variant, if not that of the attempt.")
@click.option("--real", "simulated", flag_value="real", help="The last attempt on the real unit.")
@click.option("--simulated", "simulated", flag_value="simulated", help="The last simulated one.")
@json_option
def command(
    serial: str,
    logbook: AnyLogbook,
    beginning: str | None,
    board_file: Path | None,
    variant: str,
    simulated: str | None,
    as_json: bool,
) -> None:
    """Rank what may be wrong with a unit: which single fault explains the readings of its last attempt best.

    Every single fault of the board, with some values fitted to the readings, and mistakes of measuring are weighed by
    how well they explain every reading, and by whether other units read so, too. It is a suggestion of where to look,
    not a finding.
    """
    asked = simulated_asked(simulated)
    found = read(logbook, lambda connection: to_explain(connection, serial, beginning, simulated=asked))
    last, whole = found.attempt, kept_board(found.sources, board_file)
    check_variant_of(variant or last.variant, whole, str(board_file or whole.name))
    board = board_as_built(whole, variant or last.variant)
    seen, *rest = (
        evidence_of(board, [(each.reading, each.step_kind) for each in readings])
        for readings in (found.readings, *found.others)
    )
    others = compared(seen, rest)
    result = diagnose(board, seen, others=others)
    if as_json:
        print_json({"serial": serial, "attempt": last.id, **as_data(board, result), "other_units": asdict(others)})
        return
    width = columns()
    head = f"{serial}, {last.procedure} of {local_time(last.started)}: {result_text(last)}"
    lines = [f"{head}  {SIMULATED}" if last.simulated else head]
    lines += [f"  {last.cause}"] if last.cause else []
    lines += [
        "",
        *lines_of(board, result, others),
        "",
        "A suggestion of where to look, from the board file: not a finding.",
    ]
    say("\n".join(folded(line, width) for line in lines))


def kept_board(texts: Sequence[SourceText], path: Path | None = None) -> Board:
    """Return the board as the attempt was made with, or that of a file. Raises FileError, CommandError."""
    from bringup.files.board_file import load_board
    from bringup.files.procedure_file import load_procedure

    if path is not None:
        return load_board(path)
    by_kind = {text.kind: text for text in texts}
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / "kept.yaml"
        source = by_kind.get("board") or by_kind.get("procedure")
        if source is None:
            raise CommandError("the logbook holds no board file of this attempt", "Give one with --board FILE.")
        kept.write_text(source.text, encoding="utf-8")
        try:
            return load_board(kept) if source.kind == "board" else load_procedure(kept).board
        except FileError as error:
            raise CommandError(
                f"the board file as it was kept, {source.path}, cannot be read by this version: {error.message}",
                "Give one that can with --board FILE.",
            ) from error


def as_data(board: Board, result: Diagnosis) -> dict[str, object]:
    """Return the causes as data, those of at least a hundredth."""
    named = [cause for cause in result.causes if cause.probability >= LEAST_PROBABILITY]
    following = result.next
    return {
        "causes": [_cause(board, cause) for cause in named],
        "resemblances": [] if not named else list(resemblances(board, named[0])),
        "next": None
        if following is None
        else {
            "what": following.seen.value,
            "point": following.point,
            "predictions": [value if isfinite(value) else None for value in following.predictions],
        },
    }


def _cause(board: Board, cause: Cause) -> dict[str, object]:
    return {
        "probability": round(cause.probability, 4),
        "explains_every_reading": cause.fits,
        "faults": [
            {
                "name": suspect.name,
                "point": None if suspect.fault is None else suspect.fault.point,
                "fault": None if suspect.fault is None else (suspect.way or suspect.fault.kind).value,
                "value": None if suspect.fault is None else suspect.fault.value,
                "look_at": None if suspect.fault is None else look_at(suspect),
            }
            for suspect in cause.suspects
        ],
        "tell_apart": list(telling_apart(board, cause)),
        "readings": [
            {
                "what": each.evidence.seen.value,
                "point": each.evidence.point,
                "read": each.evidence.value,
                "predicted": each.predicted if isfinite(each.predicted) else None,
                "distance": round(each.distance, 2),
            }
            for each in cause.readings
        ],
    }
