"""Nothing that came from outside is obeyed by a terminal: in both views, in tables, in JSON, in complaints."""

from __future__ import annotations

import io
import json
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.commands.main import main
from bringup.commands.saying import say
from bringup.commands.tables import format_table
from bringup.core.harmless import harmless, harmless_json, harmless_lines
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.protocols import Told
from bringup.terminal.live import LiveView
from bringup.terminal.person import Person
from bringup.terminal.plain import PlainView

HOSTILE = "\x1b]0;hello\x07\x9b31m\x7f\u202e\u2028[bold]x[/bold]\ud800"
KINDS = (
    "attempt-begun",
    "step-begun",
    "step-ended",
    "sample",
    "going",
    "prompt-answered",
    "event",
    "trip",
    "power",
    "off-unknown",
    "attempt-ended",
    "something new",
)


class Terminal(io.StringIO):
    """A stream that says what it can write, as a terminal does."""

    encoding = "utf-8"


hostile_text = st.text(
    st.one_of(st.characters(), st.sampled_from("\x00\x07\x08\x0b\x0c\r\x1b\x7f\x85\x90\x9b\x9d\u200b\u202e\u2028[]/")),
    max_size=40,
)


@st.composite
def told(draw: st.DrawFn) -> Told:
    """Something told, of any kind, with hostile text wherever there is text."""
    keys = ("serial", "outcome", "why", "answer", "kind", "unit", "result", "on")
    data: dict[str, object] = {key: draw(hostile_text) for key in draw(st.sets(st.sampled_from(keys)))}
    if draw(st.booleans()):
        data["outcome"] = "not reached"
    data["off_verified"] = draw(st.sampled_from([None, True, False]))
    return Told(draw(st.sampled_from(KINDS)), draw(hostile_text), step=draw(st.integers(0, 9)), data=data)


def obeyed(text: str) -> list[str]:
    """What a terminal would obey, or not show, in the text; line feeds are ours."""
    return [each for each in text if each != "\n" and unicodedata.category(each) in {"Cc", "Cf", "Cs", "Zl", "Zp"}]


@given(hostile_text)
def test_harmless_text_holds_nothing_to_obey_and_the_rest_as_it_came(text: str) -> None:
    assert not obeyed(harmless(text))
    assert "\n" not in harmless(text)
    assert harmless_lines(text).count("\n") == text.count("\n")
    kept = "".join(each for each in text if each.isalnum())
    assert harmless(kept) == kept


@settings(max_examples=30)
@given(st.lists(told(), max_size=8), hostile_text)
def test_no_control_character_of_what_is_told_reaches_a_plain_terminal(things: list[Told], question: str) -> None:
    stream = Terminal()
    person = Person(wake=lambda: None)
    view = PlainView(stream, person)
    view._leave.set()  # so that no time passes between the strokes of its bell

    for one in things:
        view.tell(one)
    view._show_told()
    person.ask(Prompt(PromptKind.CHECKLIST, question, lines=(question, question)))
    view._draw_question()

    # The bell is ours.
    assert not obeyed(stream.getvalue().replace("\a", "")), stream.getvalue()


@settings(max_examples=40)
@given(st.lists(told(), max_size=4), hostile_text)
def test_no_control_character_of_what_is_told_reaches_the_live_screen(things: list[Told], question: str) -> None:
    from rich.console import Console

    person = Person(wake=lambda: None)
    view = LiveView(Terminal(), person)
    person.ask(Prompt(PromptKind.CHOICE, question, choices=(question, question)))
    stream = io.StringIO()
    view._console = console = Console(file=stream, width=80, markup=False, _environ={})

    for one in things:
        for line in view.scene.take(one):
            view._put(line)
        console.print(view._status())

    assert not obeyed(stream.getvalue()), stream.getvalue()


def test_markup_in_a_reply_is_text() -> None:
    stream = Terminal()
    view = LiveView(stream)
    view.start()
    view.tell(Told("event", "meter: [red]hot[/red] [link=http://nowhere]x[/link] :smile:"))
    view.close()

    assert "meter: [red]hot[/red] [link=http://nowhere]x[/link] :smile:" in stream.getvalue()


def test_a_table_keeps_its_columns_whatever_its_cells_hold() -> None:
    lines = format_table(("serial", "cause"), [("MBL-0001", "\x1b[2Jgone\nsecond"), ("MBL-0002", "ok")])

    assert lines == ["serial    cause", r"MBL-0001  \x1b[2Jgone\nsecond", "MBL-0002  ok"]


def test_what_a_command_says_is_harmless(capsys: pytest.CaptureFixture[str]) -> None:
    say(f"first {HOSTILE}\nsecond")

    said = capsys.readouterr().out
    assert not obeyed(said)
    assert said.startswith(r"first \x1b]0;hello\x07\x9b31m\x7f\u202e\u2028[bold]x[/bold]\ud800")
    assert said.endswith("\nsecond\n")


@given(hostile_text, hostile_text)
def test_json_is_harmless_and_means_the_same(key: str, value: str) -> None:
    data = {key: [value, 1.5, None]}

    text = harmless_json(json.dumps(data, indent=2, ensure_ascii=False))

    assert not obeyed(text)
    assert json.loads(text) == json.loads(json.dumps(data))


@pytest.mark.skipif(sys.platform == "win32", reason="no such file names there")
def test_a_file_name_full_of_escapes_is_shown_not_obeyed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "evil\x1b]0;x\x07.yaml"
    path.write_text("procedure: \x1b[2J\n", encoding="utf-8")

    assert main(["check", str(path)]) == 2
    assert main(["check", str(path) + "\x9b1mnot there"]) == 2
    assert main(["run", str(path), "--serial", "\x1b[31m", "--no-such\x1b[0m"]) == 2

    said = "".join(capsys.readouterr())
    assert not obeyed(said)
    assert r"evil\x1b]0;x\x07.yaml" in said


def test_every_command_prints_by_the_one_way_out() -> None:
    """`say` and `print_json` make text harmless; click.echo by itself does not."""
    folder = Path(__file__).parent.parent / "bringup/commands"
    found = {path.name for path in folder.glob("*.py") if "click.echo(" in path.read_text(encoding="utf-8")}

    assert found == {"saying.py", "common.py", "output.py"}
