import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bringup.commands.main import main
from bringup.files.any_file import read_any
from bringup.files.field_docs import fields_of
from bringup.files.schema import schema_of
from bringup.files.source import KINDS

ROOT = Path(__file__).parent.parent
SOUND = ["procedures/first-power-on.yaml", "fixtures/boards/tide-gauge.yaml", "fixtures/benches/corner-bench.yaml"]


@pytest.fixture(autouse=True)
def _here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)


def test_sound_files_leave_with_0_and_a_line_each(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", *SOUND]) == 0

    assert capsys.readouterr().out.splitlines() == [
        "procedures/first-power-on.yaml: procedure 'First power-on', 7 steps: nothing wrong",
        "fixtures/boards/tide-gauge.yaml: board 'Tide gauge': nothing wrong",
        "fixtures/benches/corner-bench.yaml: bench 'Corner bench': nothing wrong",
    ]


def test_a_procedure_with_a_typo_is_not_said_to_be_safe(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mine.yaml"
    file.write_text(
        "procedure: First\nboard:\n  board: Lamp\n  inputs: {VIN: {voltage: 12 V, damage_above: 18 V}}\n"
        "  rails: {3V3: 3.3 V ± 2 %}\n"
        "steps:\n  - apply: {input: VIN, then: [22 V], current_limit: 100 mA}\n  - measure: [VIM]\n"
    )
    assert main(["check", str(file)]) == 2
    assert f"{file}: not examined for safety yet: correct these first" in capsys.readouterr().out

    file.write_text(file.read_text().replace("VIM", "VIN"))
    assert main(["check", str(file)]) == 2
    out = capsys.readouterr().out
    assert "not examined" not in out
    assert "above the 18 V that damage VIN" in out


def test_on_a_terminal_problems_are_folded_at_words(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main(["check", "fixtures/broken/probe-twice.yaml"]) == 2
    whole = capsys.readouterr().out
    monkeypatch.setenv("COLUMNS", "60")
    assert main(["check", "fixtures/broken/probe-twice.yaml"]) == 2
    narrow = capsys.readouterr().out

    assert narrow.split() == whole.split()
    assert max(map(len, whole.splitlines())) > 60
    assert all(len(line) <= 60 for line in narrow.splitlines() if not line.startswith("    "))


@pytest.mark.parametrize(
    "path",
    sorted(str(one.relative_to(ROOT)) for one in [*ROOT.glob("procedures/*"), *ROOT.glob("fixtures/b[eo]*/**/*.yaml")]),
)
def test_every_file_that_ships_checks(path: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", path]) == 0
    assert ": nothing wrong" in capsys.readouterr().out


def test_all_faults_of_all_files_are_told_and_a_shared_board_once(capsys: pytest.CaptureFixture[str]) -> None:
    files = [f"fixtures/broken/{name}.yaml" for name in ("board-file-broken", "probe-twice", "tag", "no-such-file")]

    assert main(["check", *files, SOUND[1]]) == 2

    lines = [line for line in capsys.readouterr().out.splitlines() if not line.startswith(" ")]
    assert [line.split(" ")[0].removeprefix("fixtures/broken/") for line in lines] == [
        "board-file-broken.yaml:4:15:",
        "probe-twice.yaml:4:37:",
        "board-file-broken.yaml:",
        "tag.yaml:3:8:",
        "no-such-file.yaml:",
        "fixtures/boards/tide-gauge.yaml:",
        "4",
    ]
    assert lines[-1] == "4 problems found"


def test_a_procedure_that_could_damage_the_board_is_refused_at_its_step(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "slow-ramp.yaml"
    path.write_text(
        f"procedure: Slow ramp\nboard: {ROOT}/fixtures/boards/mooring-buoy-logger.yaml\nsteps:\n"
        "  - dwell: 1 s\n"
        "  - apply: {input: VIN, short_check: 1 V, then: [15 V, 24 V, 40 V], current_limit: 400 mA}\n"
    )

    assert main(["check", str(path)]) == 2

    out = capsys.readouterr().out
    assert f"{path}:5:5: " in out
    assert "15 V" in out
    assert "33 V" in out


def test_a_bench_is_asked_too_where_it_is_given(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = tmp_path / "small.yaml"
    bench.write_text(
        "bench: Small bench\nmeter: by hand\n"
        "supply: {resource: 'TCPIP0::192.0.2.10::5025::SOCKET', dialect: single-output, ceiling: {voltage: 20 V}}\n"
    )

    assert main(["check", SOUND[0]]) == 0
    capsys.readouterr()
    assert main(["check", SOUND[0], "--bench", str(bench)]) == 2

    assert "procedures/first-power-on.yaml:14:5: " in capsys.readouterr().out


@pytest.mark.parametrize(
    ("supply", "words"),
    [
        ("dialect: select-by-number, outputs: {VIN: 7}", "input VIN is wired to output 7"),
        ("dialect: select-by-number, outputs: {VIN: 4}", "input VIN is wired to output 4"),
        ("dialect: own-words", "no simulated supply speaks the dialect `own-words`"),
    ],
)
@pytest.mark.parametrize("option", [[], ["--bench"]])
def test_a_simulated_bench_is_asked_whether_its_instruments_can_do_it(
    supply: str, words: str, option: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shipped = (ROOT / "bringup/instruments/dialects/single-output.yaml").read_text(encoding="utf-8")
    (tmp_path / "own-words.yaml").write_text(shipped.replace("dialect: single-output", "dialect: own-words"))
    bench = tmp_path / "bench.yaml"
    board = ROOT / "fixtures/boards/mooring-buoy-logger.yaml"
    bench.write_text(f"bench: Odd bench\nsimulate: {{board: {board}}}\nsupply: {{{supply}}}\n")

    assert main(["check", *option, str(bench)]) == 2

    assert f"{bench}:3:9: {words}" in capsys.readouterr().out


def test_a_bench_option_that_names_no_bench_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", SOUND[0], "--bench", SOUND[1]]) == 2

    assert "a board file, where --bench wants a bench file" in capsys.readouterr().out


def test_json_holds_every_problem_with_its_place(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--json", SOUND[1], "fixtures/broken/unknown-key.yaml"]) == 2

    data = json.loads(capsys.readouterr().out)
    assert data["ok"] is False
    sound, broken = data["files"]
    assert (sound["kind"], sound["name"], sound["problems"]) == ("board", "Tide gauge", [])
    assert broken["problems"] == [
        {
            "path": "fixtures/broken/unknown-key.yaml",
            "line": 3,
            "column": 28,
            "message": "unknown key 'prob' in the rail",
            "source": "  5V0: {expect: 5 V ± 5 %, prob: TP1}",
            "suggestion": "did you mean 'probe'?",
        }
    ]


def test_json_says_ok_where_all_is_well(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--json", *SOUND]) == 0

    data = json.loads(capsys.readouterr().out)
    assert data["ok"] is True
    assert [one["kind"] for one in data["files"]] == ["procedure", "board", "bench"]


@pytest.mark.parametrize("kind", KINDS)
def test_schema_and_fields_are_printed(kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--schema", kind]) == 0
    assert json.loads(capsys.readouterr().out) == schema_of(kind)
    assert main(["check", "--fields", kind, "--whole"]) == 0
    assert capsys.readouterr().out == fields_of(kind)


@pytest.mark.parametrize("kind", KINDS)
def test_the_fields_of_a_kind_begin_with_what_stands_at_its_top_and_name_its_parts(
    kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", "--fields", kind]) == 0

    lines = capsys.readouterr().out.splitlines()
    assert len(lines) < 50, "it fits a screen"
    assert lines[0] == f"### {kind}"
    named = [found[1] for line in lines if (found := re.match(r"- `([a-z_ ]+)`: ", line))]
    assert named
    for name in named:
        assert main(["check", "--fields", name]) == 0
        told = capsys.readouterr().out
        assert name in KINDS or told in fields_of(kind) + "\n"


def test_the_fields_of_one_action_are_shown_by_its_name(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--fields", "apply"]) == 0

    told = capsys.readouterr().out
    assert told.startswith("### apply step\n")
    assert told.count("###") == 1
    assert "| `current_limit` | of the supply |" in told


def test_the_meters_examples_are_of_a_meter(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--fields", "meter"]) == 0

    told = capsys.readouterr().out
    assert "`dialect: configure-and-read`" in told
    assert "SUPPLY" not in told


def test_a_part_that_there_is_not_is_refused_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--fields", "aply"]) == 2
    assert "did you mean 'apply'?" in capsys.readouterr().err


@pytest.mark.parametrize(
    "others",
    [["fixtures/broken/unknown-key.yaml"], ["--fields", "board"], ["--bench", "fixtures/benches/simulated.yaml"]],
)
def test_a_schema_is_printed_alone_so_that_no_file_seems_checked(
    others: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", "--schema", "board", *others]) == 2

    told = capsys.readouterr()
    assert (told.out, "check no file" in told.err) == ("", True)


def test_a_single_step_is_counted_as_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "one.yaml"
    path.write_text("procedure: One\nboard: {board: Lamp, rails: {5V0: 5 V ± 5 %}}\nsteps: [{dwell: 1 s}]\n")

    assert main(["check", str(path)]) == 0
    assert "procedure 'One', 1 step: nothing wrong" in capsys.readouterr().out


def test_a_check_of_nothing_is_a_wrong_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check"]) == 2
    assert "no file to check" in capsys.readouterr().err
    assert main(["check", "--schema", "boards"]) == 2


def test_checking_opens_nothing_and_loads_no_instrument_library() -> None:
    code = (
        "import sys; from bringup.commands.main import main; code = main(['check', *sys.argv[1:]]); "
        "heavy = {'pyvisa', 'serial', 'sqlite_utils', 'sqlite3', 'rich', 'numpy', 'socket'}; "
        "print(sorted(heavy & set(sys.modules)), code)"
    )
    done = subprocess.run([sys.executable, "-c", code, *SOUND], capture_output=True, text=True, check=True, timeout=120)

    assert done.stdout.splitlines()[-1] == "[] 0"


WORDS = """
board rails inputs from expect converter kind reference upper lower loads states default probe range voltage
procedure steps measure apply input then current_limit log what for every only_if step result name question
choices good bench supply meter resource dialect simulate faults outputs leave_alone role operations send query
VIN 5V0 3V3 buck linear 5_V 4k7 1_A 3.3_V_±_2_% -1_V 1_kV 230_V_AC open yes 0 1 99 '' ~ & * ! @ \x01 é
"""
words = st.sampled_from([word.replace("_", " ") if word[0] in "-0123456789" else word for word in WORDS.split()])
structures = st.recursive(
    words, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=4), max_leaves=12
)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.dictionaries(words, structures, min_size=1, max_size=5), st.sampled_from(KINDS))
def test_no_structure_makes_a_traceback(tmp_path: Path, structure: dict[str, object], kind: str) -> None:
    path = tmp_path / "any.yaml"
    path.write_text(json.dumps({kind: "any"} | structure, ensure_ascii=False), encoding="utf-8")

    read = read_any(path)

    assert (read.holds is None) == bool(read.problems)
    assert all(str(problem) for problem in read.problems)


SHIPPED_TEXTS = [(ROOT / name).read_text(encoding="utf-8") for name in SOUND] + [
    (ROOT / "bringup/instruments/dialects/select-by-number.yaml").read_text(encoding="utf-8"),
    (ROOT / "fixtures/benches/simulated.yaml").read_text(encoding="utf-8"),
]


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(SHIPPED_TEXTS), st.integers(0, 3000), st.integers(0, 30), st.text(max_size=4))
def test_no_damage_to_a_sound_file_makes_a_traceback(
    tmp_path: Path, text: str, at: int, removed: int, added: str
) -> None:
    path = tmp_path / "any.yaml"
    at %= len(text)
    path.write_bytes((text[:at] + added + text[at + removed :]).encode("utf-8", "surrogatepass"))

    read = read_any(path)

    assert (read.holds is None) == bool(read.problems)


def test_a_bench_among_the_files_is_the_bench_of_the_procedures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = tmp_path / "bench.yaml"
    bench.write_text("bench: Small\nsupply: {resource: by hand, ceiling: {voltage: 12 V}}\nmeter: by hand\n")

    assert main(["check", str(ROOT / "procedures/first-power-on-by-hand.yaml"), str(bench)]) == 2
    assert "12 V" in capsys.readouterr().out


def test_a_current_limit_in_megaamperes_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (ROOT / "procedures/first-power-on.yaml").read_text(encoding="utf-8")
    board = (ROOT / "fixtures/boards/mooring-buoy-logger.yaml").as_posix()
    procedure = tmp_path / "procedure.yaml"
    text = text.replace("../fixtures/boards/mooring-buoy-logger.yaml", board).replace("400 mA", "400 MA")
    procedure.write_text(text, encoding="utf-8")

    assert main(["check", str(procedure)]) == 2
    assert "Did you mean mA?" in capsys.readouterr().out


@pytest.mark.parametrize(("command", "wanted"), [("preview", "procedure"), ("run", "procedure")])
def test_a_file_of_another_kind_is_named_for_what_it_is(
    capsys: pytest.CaptureFixture[str], command: str, wanted: str
) -> None:
    bench = str(ROOT / "fixtures/benches/simulated.yaml")
    more = ["--serial", "MBL-0001", "--bench", str(ROOT / "procedures/first-power-on.yaml")] if command == "run" else []

    assert main([command, bench, *more]) == 2
    said = capsys.readouterr().err
    assert f"this is a bench file, where a {wanted} file is wanted (were two files given in the wrong order?)" in said
    assert ("this is a procedure file, where a bench file is wanted" in said) == (command == "run")


def test_a_procedure_that_holds_its_board_is_no_board_for_a_simulation(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine.yaml").write_text(
        "procedure: Mine\nboard: {board: Lamp, rails: {3V3: 3.3 V ± 2 %}}\nsteps: []\n", encoding="utf-8"
    )
    bench = tmp_path / "bench.yaml"
    bench.write_text("bench: Play\nsimulate: {board: mine.yaml}\n", encoding="utf-8")

    assert main(["check", str(bench)]) == 2
    said = capsys.readouterr().out
    assert "this is a procedure file, where a board file is wanted (put what stands under its `board:` into a" in said
    assert "unknown key" not in said


def test_fields_alone_names_every_part_that_can_be_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--fields"]) == 0

    told = capsys.readouterr().out.replace("\n ", "")
    named = [name.strip() for line in told.splitlines() for name in line.partition(":")[2].split(",")]
    assert {*KINDS, "apply", "rail", "supply"} <= set(named)
    for name in named:
        assert main(["check", "--fields", name]) == 0, name
