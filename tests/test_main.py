"""The command group: exit codes, errors as words, help."""

from __future__ import annotations

import os
import subprocess
import sys

import click
import pytest

from bringup.commands import main as commands
from bringup.commands.main import COMMANDS, LazyGroup, main
from bringup.errors import BringupError, ExitCode, LinkError


def failing(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    """Make every command raise this."""

    @click.command()
    def command() -> None:
        raise error

    monkeypatch.setattr(LazyGroup, "get_command", lambda *_: command)


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_has_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([name, "--help"]) == ExitCode.PASSED
    assert "Usage: bringup" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        ("bringup hist", ["plain,history"]),
        ("bringup run --lo", ["plain,--logbook", "plain,--lot"]),
        ("bringup check --schema pro", ["plain,procedure"]),
        ("bringup run pro", ["file,pro"]),
    ],
)
def test_a_shell_completes_commands_options_choices_and_files(words: str, offered: list[str]) -> None:
    asked = {"_BRINGUP_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": str(words.count(" "))}
    command = [sys.executable, "-c", "import sys; sys.argv = ['bringup']; from bringup.__main__ import entry; entry()"]

    done = subprocess.run(command, env=os.environ | asked, capture_output=True, text=True, check=False)

    assert done.stdout.splitlines() == offered, done.stderr


def test_an_unknown_command_is_a_wrong_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure-everything"]) == ExitCode.REFUSED
    assert "No such command 'measure-everything': known: run, check," in capsys.readouterr().err


@pytest.mark.parametrize(("typed", "meant"), [("runn", "run"), ("READINGS", "readings"), ("standings", "standing")])
def test_a_mistyped_command_is_told_which_one_was_meant(
    capsys: pytest.CaptureFixture[str], typed: str, meant: str
) -> None:
    assert main([typed]) == ExitCode.REFUSED
    assert f"No such command '{typed}': did you mean '{meant}'?" in capsys.readouterr().err


def test_a_missing_option_is_a_wrong_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", "procedure.yaml"]) == ExitCode.REFUSED
    assert "--serial" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (
            BringupError("no bench is named", "Give --bench FILE."),
            ExitCode.REFUSED,
            "no bench is named\n  Give --bench",
        ),
        (LinkError("the meter is silent", instrument="meter"), ExitCode.STOPPED, "the meter is silent"),
        (KeyboardInterrupt(), ExitCode.STOPPED, "Stopped."),
        (ZeroDivisionError("division by zero"), ExitCode.BUG, "This is a bug in bringup"),
    ],
    ids=["foreseeable", "a lost instrument", "Ctrl-C", "a bug"],
)
def test_an_error_becomes_words_and_an_exit_code(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], error: BaseException, code: int, words: str
) -> None:
    failing(monkeypatch, error)

    assert main(["run"]) == code
    said = capsys.readouterr().err
    assert words in said
    assert ("Traceback" in said) == (code == ExitCode.BUG)


def test_the_list_of_commands_says_in_a_line_what_each_does(capsys: pytest.CaptureFixture[str]) -> None:
    main(["--help"])

    said = " ".join(capsys.readouterr().out.split())
    for name, line in commands.COMMANDS.items():
        assert f"{name} {line}" in said


def test_every_command_stands_in_one_section_of_the_list() -> None:
    listed = [name for names in commands.SECTIONS.values() for name in names]

    assert sorted(listed) == sorted(COMMANDS)


def test_looking_for_garbage_is_put_off_at_the_start_and_usual_in_an_attempt() -> None:
    program = (
        "import gc; usual = gc.get_threshold()\n"
        "from bringup.commands.collecting import as_usual, put_off\n"
        "as_usual(); assert gc.get_threshold() == usual and not gc.get_freeze_count(), 'nothing was put off'\n"
        "put_off(); assert gc.get_threshold()[0] > 10 * usual[0] and gc.isenabled()\n"
        "as_usual(); assert gc.get_threshold() == usual and gc.get_freeze_count() and gc.isenabled()\n"
    )

    subprocess.run([sys.executable, "-c", program], check=True, timeout=30)
