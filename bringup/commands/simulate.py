"""`bringup simulate`: serves the simulated instruments of a bench on loopback sockets until it is stopped."""

from __future__ import annotations

import json
import os
import re
import signal
import sys
import threading
from pathlib import Path

import click

from bringup.commands.common import bench_option, find_bench, json_option
from bringup.commands.reaching import dialect_of, roles_of
from bringup.commands.saying import say
from bringup.core.board import Board
from bringup.errors import BenchError, CommandError, ExitCode


@click.command()
@bench_option
@click.option(
    "--serial", metavar="SN", default=None, help="The unit on the bench: its component values follow from it."
)
@click.option(
    "--over",
    type=click.Choice(("socket", "hislip", "serial")),
    default="socket",
    show_default=True,
    help="What the instruments are reached over; serial is a pseudo-terminal.",
)
@json_option
@click.option("--pace", type=click.FloatRange(0.0, 100.0), default=1.0, hidden=True, help="Stretch instruments' times.")
@click.option("--until-stdin-closes", is_flag=True, hidden=True, help="Stop when whoever started this is gone.")
def command(
    bench: Path | None, serial: str | None, over: str, as_json: bool, pace: float, until_stdin_closes: bool
) -> ExitCode:
    """Serve a simulated bench on loopback until stopped, for any SCPI client; print the resource strings.

    Every instrument also takes commands of our own, with which a client moves the probe and the leads:
    SIMulate:PROBe "3V3"|NONE, SIMulate:LEADs BOARD|FREE|OFF, SIMulate:UNIT "SN", SIMulate:STATe "programmed",
    SIMulate:POINt? "3V3" (true volts), SIMulate:OUTPut? 1.
    """
    from bringup.files.bench_file import load_bench
    from bringup.files.board_file import load_board
    from bringup.simulation.bench import build
    from bringup.simulation.manners import speech_of
    from bringup.simulation.server import InstrumentServer

    path = find_bench(bench)
    described = load_bench(path)
    if described.simulate is None:
        raise CommandError(f"{path} is not a simulated bench", "Give a bench file that has `simulate:`.")
    board = load_board(described.simulate.board_path)
    stop = _stop_event(until_stdin_closes=until_stdin_closes)
    made = build(described, board, _checked(serial, board), pace=pace)
    served = made.instruments()
    if not served and not made.lines:
        raise BenchError(f"{path} leaves nothing to simulate", "Its supply and its meter are both played by hand.")
    spoken = {role: speech_of(dialect_of(described, role)) for role in served if role in roles_of(described)}
    carriers = dict.fromkeys((*served, *made.lines), over)
    with InstrumentServer(served, over=carriers, speech=spoken, lines=made.lines) as server:
        resources = server.resources()
        say(json.dumps(resources) if as_json else "\n".join(f"{role} {text}" for role, text in resources.items()))
        sys.stdout.flush()
        # In slices: the board goes on in time though nobody asks (a trip happens when it is due, and hours of a board
        # that keeps restarting need not be made up at the next question); and on Windows Ctrl-C ends no endless wait.
        while not stop.wait(0.5):
            with server.world:
                made.world.is_on(1, server.now())
    return ExitCode.PASSED


def _checked(serial: str | None, board: Board) -> str:
    """Return the serial number to simulate, which must be one of this board's if it is given."""
    if serial is None:
        return ""
    if board.serial_pattern and re.fullmatch(board.serial_pattern, serial) is None:
        raise CommandError(
            f"{serial!r} is no serial number of {board.name}", f"The board file wants {board.serial_pattern}."
        )
    return serial


def _stop_event(*, until_stdin_closes: bool) -> threading.Event:
    """Return what is set when it is time to stop: a signal, or the end of standard input.

    Whoever starts this for itself (standard input) keeps it until it is done with the outputs: what the terminal
    sends to everybody in it (Ctrl-C, Ctrl-Z, its loss) is then that one's business alone.
    """
    stop = threading.Event()
    for name in ("SIGTERM", "SIGINT", "SIGHUP", "SIGBREAK", "SIGTSTP"):
        if (number := getattr(signal, name, None)) is None:
            continue
        if until_stdin_closes and name != "SIGTERM":
            signal.signal(number, signal.SIG_IGN)
        elif name != "SIGTSTP":
            signal.signal(number, lambda *_: stop.set())

    def watch() -> None:
        # os.read holds no lock of Python's stdin object, which would be in the way when the process ends.
        while os.read(0, 4096):
            pass
        stop.set()

    if until_stdin_closes:
        threading.Thread(target=watch, name="standard input", daemon=True).start()
    return stop
