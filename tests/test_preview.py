from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.core.bench import Bench
from bringup.core.dialect import Dialect, Operation
from bringup.core.preview import look_ahead
from bringup.core.preview_data import data_of
from bringup.core.preview_text import text_of
from bringup.core.procedure import Dwell, Inspect, Measure, OnlyIf, Procedure, Question, Step
from bringup.core.timing import discharge_time, seconds_of
from bringup.core.wording import duration, limit_times, limits_text, listed, shown
from tests.fakes import BENCH, FIRST_POWER_ON, the_bench, the_procedure
from tests.small_board import (
    apply,
    bench,
    by_hand_bench,
    lim,
    log,
    procedure,
    q,
    simulated_bench,
    small_board,
    sound,
    tiny_board,
    with_converter,
    with_input,
)

ROOT = Path(__file__).parent.parent
FIRST_POWER = str(ROOT / "procedures" / "first-power-on.yaml")
SIMULATED = str(ROOT / "fixtures" / "benches" / "simulated.yaml")


def page(given: Procedure, on: Bench | None = None, dialect: Dialect | None = None) -> str:
    return text_of(look_ahead(given, on, {} if dialect is None else {"supply": dialect}))


def test_the_page_shows_every_step_with_its_limits_and_where_they_come_from() -> None:
    # The computed numbers are those of test_budget and test_expectation; the page rounds them.
    expected = """\
First power-on: Mooring buoy logger, revision B
unattended: never
bench: Corner bench (supply, meter, fixed wiring)
board state at the start: blank

  1  resistance to ground, everything off, supply leads off the input  [about 4.5 s; a person takes
    the leads off the board]
     12V0  at TP2  > 200 Ω  stated in the board file
     5V0   at TP3           recorded only
     N12V  at TP4           recorded only

  2  volts at the free ends of the leads of VIN, board unconnected  [about 1.6 s; a person takes the
    leads off the board and puts the meter on them]
     output 1, 24 V, current limit 50 mA
     over-voltage protection 26.4 V: between the 24 V needed and 33 V, which damages VIN
     must read 23.52 V .. 24.48 V (a rule of the tool); a negative value: leads reversed

  3  power VIN  [about 2.9 s]
     output 1, current limit 400 mA
     over-voltage protection 26.4 V: between the 24 V needed and 33 V, which damages VIN
     trips above 236 mA once started up: twice the expected maximum
                  volts  expected current     from                     power
     short check  1 V    <= 5.42 mA           computed from the board  417 µW
     ramp         18 V   63.6 mA .. 118.1 mA  computed from the board  1.64 W
     final        24 V   60 mA .. 110 mA      stated in the procedure  1.74 W
     in current limit for 200 ms at most at each voltage
     coming up at 18 V takes up to 430 mA, as if all soft starts coincided
     coming up at 24 V takes up to 327 mA, as if all soft starts coincided
     charging keeps the supply in current limit for up to 10 ms, which is in order
     a current that misses its limits, below that level and past the short check: 12V0, 5V0 and N12V
       are read first, in this order, until one is wrong, for 5 s at most; then it goes off

  4  measure volts  [about 1.8 s]
     12V0  at TP2  11.66 V .. 12.349 V    computed from the board
     5V0   at TP3  5 V ± 2 %              stated in the board file
     N12V  at TP4  -12.34 V .. -11.668 V  computed from the board

  5  power off, verified  [about 500 ms]

Power budget (typical figures; coming up as if all soft starts coincided):
  VIN  blank         18 V  90.8 mA  1.64 W  coming up 430 mA
  VIN  blank         24 V  72.5 mA  1.74 W  coming up 327 mA
  VIN  blank         30 V  62.5 mA  1.88 W  coming up 266 mA
  VIN  asleep        18 V  74.2 mA  1.34 W  coming up 413 mA
  VIN  asleep        24 V  60 mA    1.44 W  coming up 314 mA
  VIN  asleep        30 V  52.5 mA  1.58 W  coming up 256 mA
  VIN  transmitting  18 V  224 mA   4.04 W  coming up 563 mA
  VIN  transmitting  24 V  173 mA   4.14 W  coming up 427 mA
  VIN  transmitting  30 V  143 mA   4.28 W  coming up 346 mA

Proposed for VIN, by the board file: current limit 650 mA (coming up takes 430 mA at 18 V, and half
  as much again); limit_time 200 ms; over-voltage level 26.4 V (between the 24 V needed and 33 V,
  which damages VIN)

Heat in converters, at most, in any state over the working range:
  5V0  1.26 W  its thermal resistance is not stated

How computed limits came about:
  12V0: 12 V nominal; worst case of 0.8 V ± 1 % × (1 + 140 kΩ ± 1 % / 10 kΩ ± 1 %)
      worst case 11.66 V .. 12.349 V, root-sum-square 11.801 V .. 12.199 V; judged by the former
  N12V: -12 V nominal; worst case of 1.2 V ± 1 % × (1 + 180 kΩ ± 1 % / 20 kΩ ± 1 %)
      worst case -12.34 V .. -11.668 V, root-sum-square -12.194 V .. -11.806 V; judged by the former

Time: about 11.3 s of instruments and stated waits; what a person does in 2 of 5 steps comes on top.

Not covered on this bench:
  - the supply reaches no communication watchdog: if this computer loses power, the output stays as
    it is
  - a rail is watched only while the meter is on it: between readings nothing sees it rise or
    collapse
  - 5V0 states no `damage_above` in the board file: too high a voltage fails a reading there, but
    cuts no power

Nothing speaks against it.
"""

    assert page(sound(power=apply(expect_current=lim("60 mA .. 110 mA"))), bench()) == expected


def test_no_line_is_wider_than_the_page() -> None:
    long = Inspect(("Every polarised part matches the silkscreen, " * 6,))
    pages = [
        page(sound(long, board=board), on) for board in (small_board(), tiny_board()) for on in (None, by_hand_bench())
    ]

    assert max(len(line) for text in pages for line in text.splitlines()) <= 100


def test_without_a_bench_what_depends_on_it_is_left_open() -> None:
    text = page(sound())

    assert "bench: none named; outputs, ceilings, instruments and probing are left open" in text
    assert "output 1" not in text
    assert "past the short check, on a bench whose meter needs nobody's hands: 12V0" in " ".join(text.split())
    assert "Not covered on this bench" not in text


def test_a_bench_by_hand_says_that_nothing_trips() -> None:
    text = page(sound(), by_hand_bench())

    assert "bench: Kitchen table (supply by hand, meter by hand, probing by hand)" in text
    assert "nothing trips by itself: switch off by hand above 236 mA" in text
    assert "over-voltage protection out of this bench's reach (it would be 26.4 V)" in text
    said = " ".join(text.split())
    assert "the supply is set by hand: no protection of it is set or seen, nothing trips, no watchdog acts" in said
    assert "a reading is what the person typed, and no rail is watched" in said
    assert "the meter is read by hand" in text
    assert "a current that misses its limits" not in text


def test_what_the_dialect_cannot_reach_is_said() -> None:
    poor = Dialect("bare-supply", "supply", {"set_voltage": Operation(send=("VOLT {value}",))})
    text = page(sound(), bench(), poor)

    assert "the dialect bare-supply reaches no over-voltage protection" in text
    assert "the dialect bare-supply reaches no over-current protection" in text
    assert "the dialect bare-supply cannot ask whether the supply is in current limit" in text
    assert "out of this bench's reach" in text


def test_what_the_dialect_reaches_is_not_complained_about() -> None:
    rich = Dialect(
        "full-supply",
        "supply",
        {
            "set_over_voltage": Operation(send=("VOLT:PROT {value}",)),
            "set_over_current": Operation(send=("CURR:PROT {value}",)),
            "mode": Operation(query="STAT:QUES:COND?"),
            "switch": Operation(query="OUTP?"),
            "error": Operation(query="SYST:ERR?"),
        },
    )
    found = look_ahead(sound(), bench(), {"supply": rich})

    assert [gap.split(":")[0] for gap in found.not_covered] == [
        "the dialect full-supply cannot ask what tripped",
        "the dialect full-supply reaches no communication watchdog",
        "a rail is watched only while the meter is on it",
        "5V0 states no `damage_above` in the board file",
    ]
    assert not found.out_of_reach


@pytest.mark.parametrize(
    ("role", "says"),
    [
        ({}, "the output stays on for 5 s, until the supply's own watchdog acts"),
        ({"watchdog": None}, "communication watchdog is not used, as the bench file says: if this computer loses"),
        ({"leave_alone": (2, 3)}, "is not used, for it would switch off output 2 and output 3 too: if this computer"),
    ],
)
def test_what_becomes_of_the_output_when_the_computer_loses_power_is_said(role: dict[str, object], says: str) -> None:
    on = bench()
    assert on.supply is not None
    dog = Dialect("dog", "supply", {"watchdog_state": Operation(send=("WDOG {on}",))})
    on = replace(on, supply=replace(on.supply, **role))  # type: ignore[arg-type]
    found = look_ahead(sound(), on, {"supply": dog})

    assert [gap for gap in found.not_covered if says in gap]


def test_a_simulated_bench_is_called_that() -> None:
    assert "bench: Simulated bench (supply, meter, probing by hand, SIMULATED)" in page(sound(), simulated_bench())


def test_what_is_read_after_a_missed_current_depends_on_the_step_and_on_whose_hands_probe() -> None:
    given = sound()
    steps = tuple(replace(step, end_on_fail=step.kind != "apply") for step in given.steps)
    text = " ".join(page(replace(given, steps=steps), bench()).split())
    assert "then it goes off (at the last voltage the step goes on instead)" in text
    assert "a current that misses" not in page(sound(), simulated_bench())


def test_a_tiny_board_is_previewed_with_what_is_not_known() -> None:
    text = page(sound(power=apply("5 V"), board=tiny_board()))

    assert "recorded only" in text
    assert "the expected current is not known: the board file does not say what feeds 5V0 and 3V3" in text
    assert "trips above 400 mA once started up: the current limit: the expected current is not known" in text


def test_titles_conditions_cautions_and_states_are_shown() -> None:
    careful = Step(
        0,
        Measure(("12V0",)),
        title="Hot rails",
        cautions=("the heat sink is hot",),
        only_if=OnlyIf(attended=True, step=1, result="pass"),
        board_state="asleep",
        end_on_fail=False,
    )
    asked = Question("Is the lamp lit?", choices=("yes", "no"), good=("yes",))
    text = page(sound(careful, asked))

    assert "  4  Hot rails: measure volts" in text
    assert "     CAUTION: the heat sink is hot" in text
    assert "     only if a person is here and step 2 had the result pass" in text
    assert "     from here on the board is asleep" in text
    assert "     a failure here does not end the attempt" in text
    assert "     one of yes and no (good: yes)" in text


def test_dangerous_voltage_is_a_caution_of_every_step_that_meets_it() -> None:
    # 1.2 V * (1 + 980 / 20) = 60 V, below ground
    board = with_converter("N12V", upper=lim("980 kΩ ± 1 %"))
    rails = tuple(replace(rail, damage_above=None) for rail in board.rails.values())
    steps = look_ahead(sound(board=small_board(rails=rails), power=apply(limit="1 A")), None).steps

    warned = [step.step.kind for step in steps if any("dangerous voltage" in caution for caution in step.cautions)]
    assert warned == ["apply", "measure"]


def test_refusals_and_warnings_stand_at_the_end_with_their_place() -> None:
    wrong = Step(0, apply("16 V", "24 V"), line=12)
    text = page(procedure(wrong))

    assert "  REFUSED, step 1 (line 12): the ramp rests at 16 V" in text
    assert "  warning, step 1 (line 12): no `leads` step for VIN" in text
    assert text.endswith("REFUSED: it cannot be run like this.\n")


def test_unknown_names_give_findings_and_no_steps() -> None:
    found = look_ahead(procedure(Measure(("9V0",))), None)

    assert found.steps == ()
    assert found.refused
    assert "'9V0' is no input or rail of the board" in text_of(found)


class TestTime:
    def test_stated_waits_count_in_full(self) -> None:
        assert seconds_of(Step(0, Dwell(q("90 s"))), small_board(), None) == 90.0
        assert seconds_of(Step(0, log("VIN current", lasting="2 min")), small_board(), None) == 120.0

    def test_readings_by_hand_are_a_persons_time(self) -> None:
        measured = Step(0, Measure(("12V0", "5V0")))

        assert seconds_of(measured, small_board(), by_hand_bench()) == 0.0
        assert seconds_of(measured, small_board(), bench()) == pytest.approx(1.2)

    def test_holding_and_charging_lengthen_a_power_up(self) -> None:
        plain = seconds_of(Step(0, apply()), small_board(), None)
        held = seconds_of(Step(0, apply(hold=q("10 s"))), small_board(), None)

        assert held == pytest.approx(plain + 30.0)  # three voltages

    def test_discharging_follows_from_resistance_and_capacitance(self) -> None:
        # 5 kohm * 200 uF * ln(24 / 1) = 1 s * 3.178
        board = with_input(unpowered_resistance=q("5 kΩ"))

        assert discharge_time(board, "VIN", 1.0) == pytest.approx(3.17805, rel=1e-5)
        assert discharge_time(small_board(), "VIN", 1.0) == 0.0


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.2, "200 ms"),
        (4.24, "4.2 s"),
        (59.96, "60 s"),
        (90, "1 min 30 s"),
        (120, "2 min"),
        (3900, "1 h 5 min"),
        (7200, "2 h"),
    ],
)
def test_times_are_written_as_people_plan_with_them(seconds: float, text: str) -> None:
    assert duration(seconds) == text


def test_numbers_are_written_with_the_digits_that_matter() -> None:
    assert shown(0.0908333, "A", 3) == "90.8 mA"
    assert limits_text(lim("3.3 V ± 2 %")) == "3.3 V ± 2 %"
    assert limits_text(replace(lim("3.2315364356 V .. 3.4066381818 V"), text="")) == "3.232 V .. 3.407 V"
    assert limits_text(None) == ""
    assert [listed(names) for names in ((), ("A",), ("A", "B"), ("A", "B", "C"))] == ["", "A", "A and B", "A, B and C"]


class TestData:
    def test_it_is_json_and_says_the_same(self) -> None:
        data = json.loads(json.dumps(data_of(look_ahead(sound(), bench())), allow_nan=False))
        power = data["steps"][2]["apply"]

        assert (data["refused"], data["bench"]) == (False, "Corner bench")
        assert [stage["volts"] for stage in power["stages"]] == [1.0, 18.0, 24.0]
        assert power["stages"][2]["expected_amps"] == pytest.approx(0.0725)
        assert power["stages"][2]["expected_watts"] == pytest.approx(1.74)
        assert data["steps"][3]["readings"][1] == {
            "point": "5V0",
            "probe": "TP3",
            "unit": "V",
            "low": 4.9,
            "high": 5.1,
            "nominal": 5.0,
            "limits_from": "stated in the board file",
        }

    def test_findings_count_steps_from_one_as_people_do(self) -> None:
        data = data_of(look_ahead(procedure(apply("16 V", "24 V")), None))

        assert data["refused"] is True
        findings = data["findings"]
        assert isinstance(findings, list)
        assert findings[0]["step"] == 1


class TestCommand:
    @pytest.fixture(autouse=True)
    def _no_bench_of_the_user(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        monkeypatch.delenv("BRINGUP_BENCH", raising=False)
        monkeypatch.setenv("BRINGUP_CONFIG", str(tmp_path / "none.yaml"))

    def test_the_shipped_procedure_on_the_shipped_bench_is_in_order(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["preview", FIRST_POWER, "--bench", SIMULATED]) == 0
        out = capsys.readouterr().out
        assert "bench: Simulated bench (supply, meter, fixed wiring, SIMULATED)" in out
        assert "Nothing speaks against it." in out

    def test_no_bench_is_asked_for(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["preview", FIRST_POWER]) == 0
        assert "bench: none named" in capsys.readouterr().out

    def test_the_bench_of_the_users_configuration_is_taken(
        self, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
    ) -> None:
        (tmp_path / "bringup.yaml").write_text(f"bench: {SIMULATED}\n", encoding="utf-8")
        monkeypatch.setenv("BRINGUP_CONFIG", str(tmp_path / "bringup.yaml"))

        assert main(["preview", FIRST_POWER, "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["bench"] == "Simulated bench"

    def test_a_refused_procedure_ends_with_exit_code_2(
        self, capsys: pytest.CaptureFixture[str], tmp_path: Path
    ) -> None:
        text = Path(FIRST_POWER).read_text(encoding="utf-8")
        board = (ROOT / "fixtures" / "boards" / "mooring-buoy-logger.yaml").as_posix()
        text = text.replace("../fixtures/boards/mooring-buoy-logger.yaml", board).replace(
            "[18 V, 24 V]", "[16 V, 24 V]"
        )
        (tmp_path / "resting.yaml").write_text(text, encoding="utf-8")

        assert main(["preview", str(tmp_path / "resting.yaml")]) == 2
        assert "the ramp rests at 16 V" in capsys.readouterr().out

    def test_faults_of_both_files_are_told_together(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        for name in ("procedure", "bench"):
            (tmp_path / f"{name}.yaml").write_text(f"{name}: X\nnonsense: 1\n", encoding="utf-8")

        assert main(["preview", str(tmp_path / "procedure.yaml"), "--bench", str(tmp_path / "bench.yaml")]) == 2
        err = capsys.readouterr().err
        assert "procedure.yaml:2:1" in err
        assert "bench.yaml:2:1" in err


@pytest.mark.parametrize(
    ("stages", "text"),
    [
        ([(1.0, 0.2), (18.0, 0.2)], "in current limit for 200 ms at most at each voltage"),
        ([(24.0, 0.2)], "in current limit for 200 ms at most"),
        ([(1.0, 0.2), (18.0, 1.5)], "in current limit for at most 200 ms at 1 V and 1.5 s at 18 V"),
    ],
)
def test_how_long_current_limit_may_last_is_said_in_a_line_of_its_own(
    stages: list[tuple[float, float]], text: str
) -> None:
    assert limit_times(stages) == text


def test_the_table_of_an_apply_fits_into_80_columns() -> None:
    page = text_of(look_ahead(the_procedure(FIRST_POWER_ON), the_bench(BENCH)), 80)

    header = next(index for index, line in enumerate(page.splitlines()) if "expected current" in line)
    stages = page.splitlines()[header + 1 : header + 4]
    assert [row.split()[0] for row in stages] == ["short", "ramp", "final"]


def test_a_narrow_page_breaks_lines_at_words_and_never_within_a_cell() -> None:
    given = sound(power=apply(expect_current=lim("60 mA .. 110 mA")))
    wide, narrow = (text_of(look_ahead(given, bench()), width) for width in (100, 72))

    assert all(len(line) <= 72 for line in narrow.splitlines())
    assert narrow.split() == wide.split()
    assert "200\n" not in narrow
    assert "\u00a0" not in narrow


def test_the_command_writes_for_the_width_of_the_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for stated, width in (("120", 120), ("", 80)):
        monkeypatch.setenv("COLUMNS", stated)
        main(["preview", FIRST_POWER, "--bench", SIMULATED])
        longest = max(map(len, capsys.readouterr().out.splitlines()))
        assert width - 20 < longest <= width


def test_a_configuration_that_cannot_be_looked_at_is_said(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BRINGUP_CONFIG", "/tmp/" + "x" * 5000)

    assert main(["bench"]) == 2
    assert "the configuration file cannot be looked at" in capsys.readouterr().err
