"""The `bringup` command: finds the subcommand, turns every foreseeable error into a message and an exit code.

Subcommands live in modules of their own and are imported only when asked for, so that `--help` stays instant.
"""

from __future__ import annotations

import importlib
import sys
import traceback
from typing import Any

import click

from bringup import __version__
from bringup.commands.saying import say, say_what_click_found
from bringup.commands.streams import fill_closed
from bringup.errors import BringupError, ExitCode

COMMANDS: dict[str, str] = {
    "run": "an attempt on a unit, with a live view, everything logged",
    "check": "validate procedures, benches, boards, dialects; nothing is opened",
    "new": "asks for inputs and rails, writes a first board, procedure and bench file",
    "preview": "what a procedure would do, step by step, with limits and where they come from",
    "rehearse": "a procedure against the simulated board and every single fault of it",
    "bench": "who answers, errors waiting, calibration due; --find lists what can be found",
    "off": "every output of the bench off, now, whoever holds it",
    "simulate": "serve a simulated bench on loopback, for any SCPI client",
    "standing": "all units and where they stand",
    "history": "one unit's whole story",
    "attempts": "list attempts",
    "readings": "list readings",
    "compare": "two units, attempts, lots or revisions, or one against the rest",
    "spread": "one rail over all units: statistics, histogram, order in time, capability",
    "study": "how much of a rail's spread is the measuring: units x operators or benches x repeats",
    "report": "a page about a unit, an attempt or a lot, to print or send",
    "note": "a text into a unit's history",
    "rework": "what was changed on a unit, and which checks it makes due again",
    "observation": "something noticed on a unit; --design lists what is to change in the next revision",
    "photo": "a photo into a unit's history, and out again",
    "disposition": "a decision about a unit: waiver, quarantine, scrap, released",
    "withdraw": "takes back a rework, observation or note that was wrong; it is kept, struck out",
    "reference": "marks a unit or attempt that others are compared with",
    "browse": "the logbook as read-only pages; the bench in large letters while an attempt is going",
    "diagnose": "likely causes of what a unit's last attempt read",
    "publish": "what the logbook has to a PostgreSQL server, for several benches",
    "export": "readings or attempts into a file: CSV, Parquet, JSON lines, JUnit XML",
    "merge": "what other logbook files have more, into this one",
    "audit": "whether the logbook is as it was written",
}
"""Name -> one line for `--help`; the module of the same name in this package holds `command`."""

SECTIONS: dict[str, tuple[str, ...]] = {
    "Before real hardware": ("new", "check", "preview", "rehearse", "simulate"),
    "At the bench": ("bench", "run", "off"),
    "What was done to a unit": ("note", "rework", "observation", "photo", "disposition", "withdraw", "reference"),
    "Ask the logbook": (
        *("standing", "history", "attempts", "readings", "diagnose"),
        *("compare", "spread", "study", "report", "browse"),
    ),
    "The logbook elsewhere, and whether it is whole": ("export", "merge", "publish", "audit"),
}
"""Heading of the list that `--help` writes -> commands under it, each once, in the order of use."""


class LazyGroup(click.Group):
    """A group whose commands are imported when they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return every command, in the order of use."""
        del ctx
        return [name for names in SECTIONS.values() for name in names]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of that name and return its `command`."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"bringup.commands.{cmd_name}")
        command: click.Command = module.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that the first argument names; for a mistyped one say which was probably meant."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            from bringup.files.wording import nearest

            raise click.UsageError(f"No such command '{name}': {nearest(name, COMMANDS)}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the lists without importing anything."""
        del ctx
        for heading, names in SECTIONS.items():
            with formatter.section(heading):
                formatter.write_dl([(f"{name:<{max(map(len, COMMANDS))}}", COMMANDS[name]) for name in names])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="bringup")
def group() -> None:
    """Take newly assembled boards from never-powered to known-good, and keep every reading.

    Exit codes: 0 passed or done; 1 the unit failed or the attempt is incomplete; 2 a wrong command, file or
    bench, nothing was powered; 3 called off or broken off; 4 a bug in the tool, outputs off.
    """


def main(arguments: list[str] | None = None) -> int:
    """Run one command and return its exit code. Commands return an ExitCode (or None for done)."""
    fill_closed()
    try:
        outcome: Any = group.main(arguments, prog_name="bringup", standalone_mode=False)
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except click.ClickException as error:
        say_what_click_found(error)
        return ExitCode.REFUSED
    except click.Abort:
        say("\nStopped.", err=True)  # the terminal has echoed ^C after the question
        return ExitCode.STOPPED
    except BringupError as error:
        say(str(error), err=True)
        return error.exit_code
    except BrokenPipeError:
        # The reader of our output left (`bringup readings | head`): nothing to say to anybody.
        sys.stderr.close()
        return ExitCode.PASSED
    except Exception:  # noqa: BLE001 - the last line: whatever comes here is ours, and is shown whole
        say(traceback.format_exc(), err=True)
        say(
            "This is a bug in bringup, not a mistake of yours. If an attempt was running, its outputs were switched\n"
            "off first; look at the supply all the same. Please report the lines above with the files you used.",
            err=True,
        )
        return ExitCode.BUG
    return int(outcome) if isinstance(outcome, int) else ExitCode.PASSED
