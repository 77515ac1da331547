"""`compare` and `spread`: what differs and by how much, what it looks like, and that real and simulated never mix."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from random import Random

import pytest

from bringup.commands import compare as command
from bringup.commands.main import main
from bringup.commands.spread_text import histogram_lines
from bringup.core.comparison import compare, nothing_shared
from bringup.core.limits import Limits, parse_limits
from bringup.core.patterns import patterns, shifted_run
from bringup.core.statistics_of_log import SLOPE
from bringup.core.taken import Point, Taken, one_of_each_unit
from bringup.core.words import Kind, Result
from bringup.errors import ExitCode
from bringup.logbook.record import LogbookRecord
from bringup.logbook.server_address import AnyLogbook
from tests.logbook_samples import NOON, add_attempt, filled_logbook, start, volts

RAILS = {"12V0": 12.0, "5V0": 5.0, "3V3": 3.3, "1V8": 1.8}
LIMITS = Limits("V", Decimal("3.234"), Decimal("3.366"), Decimal("3.3"), "3.3 V ± 2 %")
Run = Callable[..., tuple[int, str, str]]


def taken(value: float, *, rail: str = "3V3", serial: str = "MBL-0001", meter: str = "DMM-1") -> Taken:
    limits = LIMITS if rail == "3V3" else None
    failed = limits is not None and not limits.accepts(value)
    point = Point(rail, Kind.VOLTAGE, "", "measure", None)
    return Taken(point, serial, "a1", NOON, value, "V", limits, Result.FAIL if failed else Result.PASS, meter)


def side(values: Mapping[str, float]) -> dict[Point, list[Taken]]:
    made = [taken(value, rail=rail) for rail, value in values.items()]
    return {each.point: [each] for each in made}


def units(values: Sequence[float]) -> dict[Point, list[Taken]]:
    made = [taken(value, serial=f"MBL-{number:04}") for number, value in enumerate(values, 1)]
    return {made[0].point: made}


def test_a_difference_is_told_in_volts_percent_deviations_and_part_of_the_limits() -> None:
    # By hand: means 3.30 and 3.32; deviations 0.01 and 0.02 pool to sqrt((0.0002 + 0.0008) / 4) = 0.0158114, of four
    # degrees of freedom; of three units it would be no better known than to half of itself.
    (found,) = compare(units([3.29, 3.30, 3.31]), units([3.30, 3.32, 3.34]), {})

    assert found.difference == pytest.approx(0.02)
    assert found.percent == pytest.approx(100 * 0.02 / 3.3)
    assert found.deviations == pytest.approx(0.02 / 0.0158114, rel=1e-5)
    assert found.of_limits == pytest.approx(0.02 / 0.132)
    assert not found.crossed


def test_why_no_point_is_shared_is_said_where_it_is_the_board_state() -> None:
    def states(state: str | None, *rails: str) -> list[Point]:
        return [Point(rail, Kind.VOLTAGE, "", "measure", state) for rail in rails]

    one = states("blank", "VIN", "12V0", "5V0", "3V3", "1V8")

    assert nothing_shared(one, states("programmed", "3V3"), ("MBL-0001", "MBL-0002")) == (
        "3V3 voltage was read 'blank' of MBL-0001, 'programmed' of MBL-0002"
    )
    assert nothing_shared(one, states(None, "VIN", "12V0", "5V0", "3V3"), ("A", "B")) == (
        "VIN voltage, 12V0 voltage, 5V0 voltage and 1 more were read 'blank' of A, in no stated board state of B"
    )
    assert nothing_shared(one, states("programmed", "N12V"), ("A", "B")) == "", "other points altogether"


def test_two_attempts_in_other_board_states_are_said_to_be(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        for serial, state in (("MBL-0001", "blank"), ("MBL-0002", "programmed")):
            add_attempt(record, start(serial), [replace(volts(3.31), board_state=state)])

    assert main(["compare", "MBL-0001", "MBL-0002", "--logbook", str(path)]) == ExitCode.REFUSED
    said = " ".join(capsys.readouterr().err.split())
    assert "no point in common: 3V3 voltage was read 'blank' of MBL-0001, 'programmed' of MBL-0002" in said


def test_the_slope_of_several_units_is_told_by_the_hour_and_then_counted() -> None:
    def slopes(*values: float) -> dict[Point, list[Taken]]:
        point = Point("3V3", Kind.VOLTAGE, SLOPE, "log", None)
        (made,) = units(values).values()
        return {point: [replace(each, point=point, limits=None) for each in made]}

    (few,) = compare(slopes(0.002), slopes(0.001, 0.001), {})
    (many,) = compare(slopes(0.002), slopes(*[0.001, 0.002] * 4), {})

    assert command._row(few)[1:4] == ("2 mV/h", "1 mV/h (2)", "-1 mV/h")
    assert command._row(many)[2] == "1.5 mV/h ± 530 µV/h (8)"


def test_around_zero_there_is_no_percent() -> None:
    dead = replace(taken(3e-5), limits=parse_limits("-50 mV .. 50 mV", "V"))
    left = {dead.point: [dead]}
    (found,) = compare(left, {dead.point: [replace(dead, value=-1e-5)]}, {})

    assert found.percent is None
    assert found.difference == pytest.approx(-4e-5)
    assert found.of_limits == pytest.approx(4e-4)


def test_two_units_are_measured_by_the_spread_of_all_of_the_board() -> None:
    # By hand: 3.28, 3.29, 3.30, 3.31, 3.32 have the deviation sqrt(0.001 / 4) = 0.0158114.
    (found,) = compare(units([3.30]), units([3.32]), units([3.28, 3.29, 3.30, 3.31, 3.32]))
    (unknown,) = compare(units([3.30]), units([3.32]), units([3.28, 3.30, 3.30, 3.32]))
    (few,) = compare(units([3.29, 3.31]), units([3.30, 3.32, 3.31]), units([3.29, 3.30, 3.31, 3.32]))

    assert found.deviations == pytest.approx(0.02 / 0.0158114, rel=1e-5)
    assert unknown.deviations is None
    assert few.deviations is None


def test_what_crossed_a_limit_comes_first_then_what_takes_up_most_of_its_limits() -> None:
    found = compare(side({"12V0": 12.0, "3V3": 3.36, "1V8": 1.8}), side({"12V0": 13.2, "3V3": 3.37, "1V8": 1.801}), {})

    assert [each.point.rail for each in found] == ["3V3", "12V0", "1V8"]
    assert [each.crossed for each in found] == [True, False, False]


def test_other_meters_are_named_and_not_compared_below_what_they_may_differ_by() -> None:
    point = taken(3.3).point
    one = {point: [replace(taken(3.300), uncertainty=0.003)]}
    other = {point: [replace(taken(3.304, meter="DMM-2"), uncertainty=0.004)]}

    (near,) = compare(one, other, {})
    (far,) = compare(one, {point: [replace(other[point][0], value=3.306)]}, {})

    assert near.uncertainty == pytest.approx(0.005)  # 3 and 4 make 5
    assert (near.other_meter, near.below_accuracy, far.below_accuracy) == (True, True, False)


def seen(other: Mapping[str, float]) -> list[str]:
    return patterns(compare(side(RAILS), side(other), {}), {})


def test_one_ratio_at_all_rails_looks_like_the_meter() -> None:
    (text,) = seen({rail: 1.004 * value for rail, value in RAILS.items()})

    assert "all 4 rails differ by one ratio, 1.00400 (+0.40 %): looks like the meter" in text


def test_one_offset_at_all_rails_looks_like_leads_or_ground() -> None:
    (text,) = seen({rail: value - 0.012 for rail, value in RAILS.items()})

    assert "all 4 rails differ by one offset, -12 mV: looks like the leads, a contact or where ground" in text


def test_a_ratio_and_an_offset_are_not_told_apart_where_rails_are_alike() -> None:
    found = compare(side({"A": 3.3, "B": 3.4, "C": 3.5}), side({"A": 3.4, "B": 3.5, "C": 3.6}), {})

    assert "too alike to tell" in patterns(found, {})[0]


@pytest.mark.parametrize(
    "other",
    [
        {"12V0": 12.05, "5V0": 4.99, "3V3": 3.31, "1V8": 1.79},
        {**RAILS, "3V3": 3.5},
        {rail: 1.0001 * value for rail, value in RAILS.items()},
    ],
    ids=["scattered", "one rail", "as any two readings"],
)
def test_other_differences_are_no_pattern(other: dict[str, float]) -> None:
    assert seen(other) == []


def test_a_run_of_units_looks_like_a_reel_and_one_unit_like_workmanship() -> None:
    usual = [3.300, 3.301, 3.299, 3.302, 3.298, 3.300, 3.301, 3.299, 3.300, 3.302]
    reel = patterns([], units([*usual[:6], 3.25, 3.251, 3.252, *usual[6:]]))
    alone = patterns([], units([*usual[:4], 3.36, *usual[4:]]))

    assert len(reel) == 1
    assert reel[0].startswith(
        "3V3 voltage: MBL-0007 to MBL-0009, 3 in a row, read lower than the others: looks like a reel"
    )
    assert len(alone) == 1
    assert alone[0].startswith("3V3 voltage: MBL-0005 alone reads far higher than the others: looks like workmanship")
    assert patterns([], units(usual)) == []


def test_a_run_that_is_shifted_a_little_is_found_where_no_unit_alone_is_far_off() -> None:
    draw = Random(3)  # noqa: S311 - the same each time is wanted
    values = [draw.gauss(3.3, 0.002) for _ in range(60)]
    for place in range(20, 40):
        values[place] += 0.006
    found = shifted_run(values)

    assert found is not None
    assert (found[0], found[1]) == pytest.approx((20, 39), abs=1)
    assert found[2] == pytest.approx(0.006, abs=0.0015)
    (text,) = patterns([], units(values))
    assert text.startswith("3V3 voltage: MBL-0021 to MBL-004")
    assert "in a row, read higher than the others: looks like a reel" in text


def test_chance_alone_makes_hardly_a_run() -> None:
    draw = Random(5)  # noqa: S311 - the same each time is wanted
    series = [[draw.gauss(3.3, 0.002) for _ in range(50)] for _ in range(200)]

    assert sum(shifted_run(values) is not None for values in series) <= 2
    assert shifted_run([3.3] * 20) is shifted_run([3.3, 3.4] * 4) is None


def test_of_many_units_the_meters_errors_do_not_average_out() -> None:
    point = taken(3.3).point
    one = {point: [replace(taken(3.300, serial=f"A{n}"), uncertainty=0.003) for n in range(9)]}
    other = {point: [replace(taken(3.304, serial=f"B{n}", meter="DMM-2"), uncertainty=0.004) for n in range(9)]}

    (both,) = compare(one, other, {})
    (unknown,) = compare(one, {point: [*other[point], taken(3.304, meter="DMM-2")]}, {})

    assert both.uncertainty == pytest.approx(0.005)
    assert both.below_accuracy
    assert command._row(both)[1:] == (
        *("3.3 V ± 0 V (9)", "3.304 V ± 0 V (9)", "not told", "", "", ""),
        "different meters, which may differ by 5 mV",
    )
    (far,) = compare(one, {point: [replace(each, value=3.31) for each in other[point]]}, {})
    assert command._row(far)[3] == "+10 mV"
    assert "beyond the 5 mV of different meters" in command._row(far)[-1]
    assert unknown.uncertainty is None
    assert not unknown.below_accuracy


def test_of_each_unit_its_first_or_last_reading_counts() -> None:
    made = [taken(3.1), taken(3.3), taken(3.2, serial="MBL-0002")]
    (point,) = {each.point for each in made}

    assert [each.value for each in one_of_each_unit(made, "first")[point]] == [3.1, 3.2]
    assert [each.value for each in one_of_each_unit(made, "last")[point]] == [3.3, 3.2]


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory, engine: Callable[[Path], AnyLogbook]) -> AnyLogbook:
    made = tmp_path_factory.mktemp("compared") / "bringup.db"
    filled_logbook(made)
    with LogbookRecord.open(made, simulated=False) as record:
        add_attempt(record, replace(start("MBL-0010", at=NOON + timedelta(days=5)), lot="L2"), [volts(3.32)])
        add_attempt(record, replace(start("MBL-0011", at=NOON + timedelta(days=6)), lot="L2"), [volts(3.34)])
        add_attempt(record, replace(start("XYZ-1", at=NOON + timedelta(days=7)), board="Winch", lot="W1"), [volts(3.3)])
        add_attempt(record, start("MBL-0020", at=NOON + timedelta(days=8), simulated=True), [volts(3.31)])
    return engine(made)


@pytest.fixture
def run(path: AnyLogbook, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: str) -> tuple[int, str, str]:
        code = main([*arguments, "--logbook", str(path)])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return command


def one_line(text: str) -> str:
    return " ".join(text.split())


def test_two_units_are_compared_by_their_real_readings(run: Run) -> None:
    code, out, _ = run("compare", "MBL-0001", "MBL-0002", "--step", "measure")

    assert code == ExitCode.PASSED
    assert "A: MBL-0001, B: MBL-0002; the last reading of each point" in out
    row = [part.strip() for part in out.splitlines()[-1].split("  ") if part.strip()]
    assert row == ["3V3 voltage", "3.306 V", "3.31 V", "+4 mV", "+0.12", "+0.3", "3 %"]


def test_a_unit_of_both_kinds_is_compared_by_its_real_readings(run: Run) -> None:
    assert "SIMULATED" not in run("compare", "MBL-0001", "rest")[1]
    assert "SIMULATED" in run("compare", "MBL-0001", "MBL-0020")[1]


def test_a_unit_beside_the_rest_is_told_by_how_much_it_differs_whichever_is_named_first(run: Run) -> None:
    _, out, _ = run("compare", "MBL-0010", "rest", "--rail", "3V3", "--step", "measure")

    assert "A: the rest (4 units), B: MBL-0010; the last reading of each point; differences are B less A" in one_line(
        out
    )
    assert run("compare", "rest", "MBL-0010", "--rail", "3V3", "--step", "measure")[1] == out
    (found,) = json.loads(run("compare", "MBL-0010", "rest", "--step", "measure", "--json")[1])["differences"]
    assert found["difference"] == pytest.approx(found["b"]["mean"] - found["a"]["mean"])
    assert (found["a"]["n"], found["b"]["n"]) == (4, 1)


def test_before_and_after_are_two_attempts_and_a_crossed_limit_is_shouted(run: Run, path: AnyLogbook) -> None:
    ids = [each["id"] for each in json.loads(run("attempts", "--serial", "MBL-0002", "--json")[1])]

    code, out, _ = run("compare", ids[0][:8], f"attempt={ids[1]}", "--rail", "3V3", "--step", "measure")

    assert code == ExitCode.PASSED
    assert "OUT OF LIMITS on side A only: 3.3 V ± 2 %" in out


def test_lots_are_compared_by_their_distributions(run: Run) -> None:
    _, out, _ = run("compare", "lot=L1", "L2", "--step", "measure", "--json")
    told = json.loads(out)
    (found,) = told["differences"]

    assert told["a"]["units"] == ["MBL-0001", "MBL-0002", "MBL-0003"]
    assert told["b"]["units"] == ["MBL-0010", "MBL-0011"]
    assert (found["a"]["n"], found["b"]["n"], found["b"]["mean"]) == (3, 2, pytest.approx(3.33))
    assert told["simulated"] is False


@pytest.mark.parametrize(
    ("sides", "message"),
    [
        (("MBL-0099", "rest"), "no unit 'MBL-0099' is in this logbook"),
        (("lot=L9", "rest"), "no lot 'L9'"),
        (("rest", "rest"), "compare what with the rest?"),
        (("MBL-0001", "ffffffff"), "no attempt 'ffffffff'"),
        (("MBL-0002", "MBL-0020"), "simulated and real ones are never compared"),
        (("MBL-0001", "XYZ-1"), "units of several boards (Mooring buoy logger, Winch)"),
    ],
)
def test_what_cannot_be_compared_is_refused_with_words(run: Run, sides: tuple[str, str], message: str) -> None:
    code, out, err = run("compare", *sides)

    assert (code, out) == (ExitCode.REFUSED, "")
    assert message in err


def test_spread_draws_the_limits_and_gives_cpk_its_interval(run: Run) -> None:
    code, out, _ = run("spread", "3V3", "--board", "Mooring*", "--real")

    assert code == ExitCode.PASSED
    assert out.startswith("3V3 voltage, 5 units, each unit's first attempt\n")
    assert "lower limit 3.234 V" in out
    assert "upper limit 3.366 V" in out
    assert "1 of 5 out of them" in out
    assert "; nearer to the lower limit): all units together" in " ".join(out.split())
    assert "; nearer to the lower limit): between neighbours in build order" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80, "in a pipe, too"
    assert "within limits 4 of 5 (80.0 %; 95 %: 37.6 % to 96.4 % Wilson" in " ".join(out.split())
    assert "Few units: of 5 an index says little" in out
    assert out.index("2.91 V  MBL-0002  1 OUT OF LIMITS") < out.index("MBL-0010")


def test_a_computed_limit_is_drawn_in_six_digits() -> None:
    limits = Limits("V", Decimal("4.854544072"), Decimal("5.13569697"), None, "")

    drawn = "\n".join(histogram_lines([4.9, 5.0, 5.05], "V", limits))

    assert "lower limit 4.85454 V" in drawn
    assert "upper limit 5.1357 V" in drawn


def test_spread_and_compare_take_who_where_and_when(run: Run) -> None:
    asked = ("--operator", "ada", "--bench", "Corner*", "--until", "2030-01-01", "--real", "--board", "Mooring*")
    assert run("spread", "3V3", *asked)[1].startswith("3V3 voltage, 5 units")
    for asking in (("spread", "3V3"), ("compare", "MBL-0001", "MBL-0002")):
        code, _, err = run(*asking, "--operator", "bea")
        assert code == ExitCode.REFUSED
        assert "no operator 'bea' is in this logbook" in err


def test_spread_of_one_unit_has_no_capability(run: Run) -> None:
    told = json.loads(run("spread", "3V3", "--serial", "MBL-0002", "--last", "--json")[1])

    assert (told["n"], told["capability"], told["values"][0]["value"]) == (1, None, 3.31)
    assert (
        "No capability: a capability takes 2 values, there is 1."
        in run("spread", "3V3", "--serial", "MBL-0002", "--last")[1]
    )


def test_spread_of_two_boards_asks_for_one(run: Run) -> None:
    code, _, err = run("spread", "3V3")

    assert code == ExitCode.REFUSED
    assert "--board" in err


def test_spread_under_different_limits_gives_no_capability(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start("MBL-0001"), [volts(3.30)])
        wider = replace(volts(3.31), limits=parse_limits("3.3 V ± 3 %"))
        add_attempt(record, start("MBL-0002", at=NOON + timedelta(days=1)), [wider])

    assert main(["spread", "3V3", "--logbook", str(path)]) == ExitCode.PASSED
    out = capsys.readouterr().out
    assert "No capability: judged by different limits (3.3 V ± 2 %; 3.3 V ± 3 %)" in out
    assert "Cpk" not in out


def test_a_lot_of_two_boards_is_compared_with_the_rest_once_one_board_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = tmp_path / "two.db"
    filled_logbook(made)
    with LogbookRecord.open(made, simulated=False) as record:
        add_attempt(record, replace(start("XYZ-1", at=NOON + timedelta(days=5)), board="Winch", lot="L1"), [volts(3.3)])
        add_attempt(record, replace(start("MBL-0030", at=NOON + timedelta(days=6)), lot="L3"), [volts(3.31)])
    asked = ("compare", "lot=L1", "rest", "--logbook", str(made))

    assert main([*asked]) == ExitCode.REFUSED
    said = capsys.readouterr().err
    assert main([*asked, "--board", "Mooring buoy logger"]) == ExitCode.PASSED
    out = capsys.readouterr().out

    assert "(Mooring buoy logger, Winch)" in said
    assert "--board" in said
    assert "A: the rest, B: lot L1 (3 units); the last reading of each point" in out
    assert "No sd where fewer than 5 units say what one is." in out
    assert max(map(len, out.splitlines())) <= 80, "in a pipe, too"
    assert "±" not in "".join(line for line in out.splitlines() if line.startswith("3V3 voltage"))
