"""Decision rules and probabilities of conformance, against the documents that they come from."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.commands.main import main
from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.decision import DecisionRule, RuleKind, conformance, decide, room
from bringup.core.expectation import rule_of
from bringup.core.foreseen import foreseen
from bringup.core.limits import Limits, judge, parse_limits
from bringup.core.procedure import Measure, Step
from bringup.core.safety import examine
from bringup.core.safety_decisions import examine_decisions
from bringup.core.wording import probability_text
from bringup.core.words import AttemptResult, Kind, Result
from bringup.files.bench_file import load_bench
from bringup.files.board_file import load_board
from bringup.files.procedure_file import load_procedure
from tests.fakes import ROOT, SEEN, SimulatedBench, picked, simulated_bench
from tests.needs_scipy import needs_scipy
from tests.small_board import procedure, small_board, with_rail

GUARD, NON_BINARY = DecisionRule(RuleKind.GUARD_BAND), DecisionRule(RuleKind.NON_BINARY)
AT_MOST_TEN = Limits("V", high=Decimal(10))
BENCH = load_bench(ROOT / "fixtures/benches/simulated.yaml")


class TestConformance:
    def test_one_limit(self) -> None:
        # JCGM 106:2012, example of a Zener diode's breakdown voltage (from memory, redone with scipy): y = -5.47 V,
        # u = 0.05 V, upper limit -5.40 V: Phi(1.4) = 0.92.
        found = conformance(-5.47, Limits("V", high=Decimal("-5.40")), 0.05)

        assert round(found, 2) == 0.92
        assert found == pytest.approx(0.9192433408, abs=1e-9)

    def test_two_limits(self) -> None:
        # JCGM 106:2012, example of an oil's viscosity (from memory, redone with scipy): y = 13.6, u = 1.8, limits 12.5
        # and 16.3: Phi(1.5) - Phi(-0.6) = 0.66.
        found = conformance(13.6, Limits("", low=Decimal("12.5"), high=Decimal("16.3")), 1.8)

        assert round(found, 2) == 0.66
        assert found == pytest.approx(0.6626297865, abs=1e-9)

    @pytest.mark.parametrize(
        ("z", "share"), [(0.841621, 0.80), (1.281552, 0.90), (1.644854, 0.95), (2.326348, 0.99), (3.090232, 0.999)]
    )
    def test_a_limit_so_many_standard_uncertainties_away(self, z: float, share: float) -> None:
        # JCGM 106:2012 table 1 (from memory; z to six digits by scipy).
        assert conformance(10.0 - z, AT_MOST_TEN, 1.0) == pytest.approx(share, abs=1e-6)

    def test_with_no_uncertainty_it_is_certain(self) -> None:
        assert (conformance(10.0, AT_MOST_TEN, 0.0), conformance(10.1, AT_MOST_TEN, 0.0)) == (1.0, 0.0)

    @given(st.floats(-1e6, 1e6), st.floats(1e-9, 1e6), st.one_of(st.just(math.inf), st.floats(0.5, 1e9)))
    def test_it_is_a_probability(self, value: float, standard: float, degrees: float) -> None:
        assert 0.0 <= conformance(value, parse_limits("-1 V .. 2 V"), standard, degrees) <= 1.0

    @pytest.mark.parametrize("degrees", [1.0, 9e4, 1.1e5, math.inf])
    def test_a_limit_beyond_all_reach_leaves_it_certain(self, degrees: float) -> None:
        far = Limits("V", low=Decimal("-1e200"), high=Decimal("1e200"))
        assert conformance(0.0, far, 1.0, degrees) == 1.0
        assert conformance(1e300, far, 1.0, degrees) == 0.0

    @pytest.mark.parametrize(
        ("share", "text"),
        [
            (0.0, "less than 0.1 %"), (1e-20, "less than 0.1 %"), (0.0021, "0.21 %"), (0.5, "50 %"),
            (0.9987, "99.9 %"), (0.99951, "more than 99.9 %"), (1.0, "more than 99.9 %"),
        ],
    )  # fmt: skip
    def test_it_is_told_as_no_surer_than_it_is(self, share: float, text: str) -> None:
        assert probability_text(share) == text

    @pytest.mark.parametrize(
        ("degrees", "t", "within"),
        [(1, 12.706, 0.95), (4, 2.776, 0.95), (4, 4.604, 0.99), (10, 2.228, 0.95), (20, 2.133, 0.9545)],
    )
    def test_with_few_degrees_of_freedom_it_is_student_s(self, degrees: float, t: float, within: float) -> None:
        # JCGM 100:2008 table G.2 (from memory, redone with scipy): t within which 95 %, 95.45 % or 99 % lie.
        limits = Limits("V", low=Decimal(repr(-t)), high=Decimal(repr(t)))
        assert conformance(0.0, limits, 1.0, degrees) == pytest.approx(within, abs=3e-5)
        assert conformance(0.0, limits, 1.0) > within + 0.003, "which the normal distribution overrates"

    @needs_scipy
    @pytest.mark.parametrize("degrees", [1.0, 2.5, 4.0, 18.99874, 1e3, 9e4, 1.1e5, math.inf])
    @pytest.mark.parametrize("value", [-3.0, -1.0, 0.3, 2.0, 2.4, 9.0])
    def test_it_agrees_with_an_independent_library(self, value: float, degrees: float) -> None:
        from scipy.stats import t

        independent = t.cdf((2.0 - value) / 0.7, degrees) - t.cdf((-1.0 - value) / 0.7, degrees)
        assert conformance(value, parse_limits("-1 V .. 2 V"), 0.7, degrees) == pytest.approx(independent, abs=1e-9)


class TestRules:
    # ILAC-G8:09/2019 4.2.3 and its figure (seen): TL 10, w = U = 0.5; the intervals share their ends there, the milder
    # name is ours. Probabilities with u = 0.25, by scipy.
    @pytest.mark.parametrize(
        ("value", "result", "probability"),
        [
            (9.0, Result.PASS, 0.9999683288),
            (9.5, Result.PASS, 0.9772498681),
            (9.8, Result.CONDITIONAL_PASS, 0.7881446014),
            (10.0, Result.CONDITIONAL_PASS, 0.5),
            (10.2, Result.CONDITIONAL_FAIL, 0.2118553986),
            (10.5, Result.CONDITIONAL_FAIL, 0.0227501319),
            (11.0, Result.FAIL, 3.1671e-05),
        ],
    )
    def test_the_non_binary_one(self, value: float, result: Result, probability: float) -> None:
        assert decide(value, AT_MOST_TEN, 0.5, NON_BINARY) is result
        assert conformance(value, AT_MOST_TEN, 0.25) == pytest.approx(probability, abs=1e-9)

    @pytest.mark.parametrize(
        ("r", "value", "result"),
        [
            # ILAC-G8:09/2019 4.2.2 (seen): accepted below TL - w. At TL - U false acceptance is at most 2.275 %.
            ("1", 9.5, Result.PASS), ("1", 9.51, Result.FAIL), ("1", 10.0, Result.FAIL),
            ("0.83", 9.585, Result.PASS), ("0.83", 9.586, Result.FAIL),
            ("2", 9.0, Result.PASS), ("2", 9.1, Result.FAIL),
        ],
    )  # fmt: skip
    def test_a_guard_band_narrows_the_limits(self, r: str, value: float, result: Result) -> None:
        assert decide(value, AT_MOST_TEN, 0.5, DecisionRule(RuleKind.GUARD_BAND, Decimal(r))) is result

    def test_ends_are_compared_in_decimal(self) -> None:
        # In binary 3.366 - 0.0001 is not 3.3659.
        limits = parse_limits("3.3 V ± 2 %")

        assert decide(3.3659, limits, 0.0001, GUARD) is Result.PASS
        assert decide(3.2341, limits, 0.0001, GUARD) is Result.PASS
        assert decide(3.2340, limits, 0.0001, GUARD) is Result.FAIL

    def test_what_is_not_known_is_not_judged(self) -> None:
        assert decide(9.0, AT_MOST_TEN, None, GUARD) is Result.NOT_JUDGED
        assert decide(9.0, AT_MOST_TEN, math.nan, GUARD) is Result.NOT_JUDGED
        assert decide(None, AT_MOST_TEN, 0.1, GUARD) is Result.NO_VALUE
        assert decide(math.nan, AT_MOST_TEN, 0.1, GUARD) is Result.NO_VALUE
        assert decide(9.0, None, 0.1, GUARD) is Result.RECORDED

    @given(st.floats(-20, 20), st.floats(0, 5))
    def test_simple_acceptance_knows_no_uncertainty(self, value: float, wide: float) -> None:
        limits = parse_limits("-5 V .. 10 V")

        assert decide(value, limits, wide, DecisionRule()) is judge(value, limits)
        accepted = decide(value, limits, wide, NON_BINARY) in (Result.PASS, Result.CONDITIONAL_PASS)
        assert accepted == (judge(value, limits) is Result.PASS)

    def test_a_guard_band_may_leave_no_room(self) -> None:
        limits = parse_limits("3.3 V ± 1 mV")

        assert room(limits, 0.001, GUARD)
        assert not room(limits, 0.0011, GUARD)
        assert room(AT_MOST_TEN, 5.0, GUARD)


def test_the_step_decides_before_the_point_and_the_point_before_the_board() -> None:
    board = with_rail("5V0", decision_rule=NON_BINARY)
    board = replace(board, decision_rule=GUARD)

    assert rule_of(Step(0, Measure(("5V0",))), "5V0", board) is NON_BINARY
    assert rule_of(Step(0, Measure(("12V0",))), "12V0", board) is GUARD
    assert rule_of(Step(0, Measure(("5V0",)), decision_rule=DecisionRule()), "5V0", board).simple


BOARD_FILE = """\
board: Buoy lamp
decision_rule: {rule: guard band, r: 0.83}
inputs: {VIN: {voltage: 12 V, decision_rule: non-binary}}
rails:
  3V3: {expect: 3.3 V ± 2 %, decision_rule: simple acceptance}
  5V0: 5 V ± 2 %
"""


def test_a_board_file_states_rules(tmp_path: Path) -> None:
    path = tmp_path / "lamp.yaml"
    path.write_text(BOARD_FILE, encoding="utf-8")
    board = load_board(path)

    assert board.decision_rule == DecisionRule(RuleKind.GUARD_BAND, Decimal("0.83"))
    assert str(board.decision_rule) == "guard band, w = 0.83 U"
    assert board.inputs["VIN"].decision_rule == NON_BINARY
    assert (board.rails["3V3"].decision_rule, board.rails["5V0"].decision_rule) == (DecisionRule(), None)


def test_a_step_states_a_rule(tmp_path: Path) -> None:
    (tmp_path / "lamp.yaml").write_text(BOARD_FILE, encoding="utf-8")
    path = tmp_path / "procedure.yaml"
    text = "procedure: P\nboard: lamp.yaml\nsteps:\n  - measure: {points: [5V0], decision_rule: non-binary}\n"
    path.write_text(text, encoding="utf-8")

    assert load_procedure(path).steps[0].decision_rule == NON_BINARY


def measuring(rule: DecisionRule, **expect: str) -> SimulatedBench:
    """The demo procedure with that rule for its board, and limits of its own for some rails."""
    given = picked("apply", "measure", "power_off")
    stated = {name: parse_limits(text) for name, text in expect.items()}
    steps = tuple(replace(step, expect=stated) if isinstance(step.action, Measure) else step for step in given.steps)
    board = replace(given.board, decision_rule=rule)
    return simulated_bench(replace(given, steps=steps, board=board), history=SEEN)


class TestAttempts:
    # The simulated unit's 3V3 reads 3.3007 V with U near 180 uV; VREF 2.5 V with 155 uV.
    def run(self, rule: DecisionRule, **expect: str) -> tuple[AttemptResult, dict[str, Result], str]:
        outcome = measuring(rule, **expect).run()
        volts = {str(r.point): r for r in outcome.readings if r.kind is Kind.VOLTAGE and not r.aspect}
        assert volts["3V3"].conformance is not None
        return outcome.result, {name: each.result for name, each in volts.items()}, volts["3V3"].decision_rule

    def test_simple_acceptance_is_the_default(self) -> None:
        result, volts, rule = self.run(DecisionRule(), **{"3V3": "3.2 V .. 3.3008 V"})

        assert (result, volts["3V3"], rule) == (AttemptResult.PASSED, Result.PASS, "simple acceptance")

    def test_within_the_guard_band_it_fails(self) -> None:
        result, volts, rule = self.run(GUARD, **{"3V3": "3.2 V .. 3.3008 V"})

        assert (result, volts["3V3"], rule) == (AttemptResult.FAILED, Result.FAIL, "guard band, w = 1 U")
        assert volts["12V0"] is Result.PASS

    def test_a_value_within_its_limits_that_fails_by_the_guard_band_says_so(self) -> None:
        outcome = measuring(GUARD, **{"3V3": "3.2 V .. 3.3008 V"}).run()

        said = r"3V3 voltage 3\.30\d+ V, wanted 3\.2 V \.\. 3\.3008 V less the guard band, w = 1 U, U 1\d\d µV"
        assert re.search(said, outcome.cause), outcome.cause

    def test_conditional_results_are_on_the_side_of_their_value(self) -> None:
        result, volts, rule = self.run(NON_BINARY, **{"3V3": "3.2 V .. 3.3008 V"})
        assert (result, volts["3V3"], rule) == (AttemptResult.PASSED, Result.CONDITIONAL_PASS, "non-binary, w = 1 U")

        result, volts, _ = self.run(NON_BINARY, **{"3V3": "3.2 V .. 3.3006 V"})
        assert (result, volts["3V3"]) == (AttemptResult.FAILED, Result.CONDITIONAL_FAIL)

    def test_without_an_uncertainty_it_is_not_judged_and_the_attempt_incomplete(self) -> None:
        bench = measuring(GUARD)
        assert bench.bench.meter is not None
        bench.bench = replace(bench.bench, meter=replace(bench.bench.meter, accuracy=None))
        outcome = bench.run()

        board = next(each for each in outcome.readings if each.aspect == "at the board")
        assert board.result is Result.NOT_JUDGED
        assert board.note == "the decision rule needs its uncertainty: no accuracy of the meter is stated"
        assert outcome.result is AttemptResult.INCOMPLETE

    def test_the_band_of_the_power_budget_is_accepted_simply(self) -> None:
        bench = measuring(GUARD)
        assert bench.bench.supply is not None
        bench.bench = replace(bench.bench, supply=replace(bench.bench.supply, current_accuracy=None))
        currents = {each.aspect: each for each in bench.run().readings if each.kind is Kind.CURRENT}

        ramp, final = currents["18 V"], currents["24 V"]
        assert (ramp.result, ramp.decision_rule) == (Result.PASS, "simple acceptance")
        assert (final.result, final.decision_rule) == (Result.NOT_JUDGED, "guard band, w = 1 U"), "by `expect_current`"


def findings(bench: Bench, board: Board) -> list[tuple[str, bool]]:
    given = procedure(Measure(("12V0", "5V0")), board=board)
    found = list(examine_decisions(given, bench))
    assert set(found) <= set(examine(given, bench)), "the examination leaves none of them out"
    return [(finding.message, finding.refused) for finding in found]


class TestBeforehand:
    def test_ratios_follow_from_limits_and_accuracy(self) -> None:
        (twelve, five) = foreseen(procedure(Measure(("12V0", "5V0"))), BENCH)

        # By hand, 5 V ± 2 % on the 10 V range: a = 150 uV + 50 uV; U = 2 a / sqrt 3 = 231 uV; 100 mV over that: 433:1.
        assert five.ratio == pytest.approx(0.1 / (2 * 200e-6 / math.sqrt(3)), rel=1e-9)
        # 12 V on the 100 V range: a = 360 uV + 600 uV; half of 11.66003 .. 12.34887 V over it.
        assert twelve.ratio == pytest.approx(0.34442 / (2 * 960e-6 / math.sqrt(3)), rel=2e-3)

    def test_what_is_under_four_to_one_is_warned_of_once(self) -> None:
        board = with_rail("5V0", expect=parse_limits("5 V ± 0.5 mV"))
        closer = replace(board.rails["12V0"], expect=parse_limits("12 V ± 1 mV"))
        board = replace(board, rails={**board.rails, "12V0": closer})

        assert findings(BENCH, board) == [
            ("test uncertainty ratio under 4:1: 12V0 voltage 0.9:1 and 5V0 voltage 2.2:1", False)
        ]
        assert findings(BENCH, small_board()) == []

    def test_a_rule_without_an_accuracy_is_refused(self) -> None:
        assert BENCH.meter is not None
        bench = replace(BENCH, meter=replace(BENCH.meter, accuracy=None))

        said = findings(bench, replace(small_board(), decision_rule=GUARD))
        assert len(said) == 2
        message, refused = said[0]
        assert refused
        assert message == (
            "the decision rule (guard band, w = 1 U) needs the uncertainty of 12V0 voltage, which is not known: the "
            "bench file states no accuracy of the meter for it"
        )

    def test_a_guard_band_that_leaves_nothing_is_refused(self) -> None:
        board = replace(with_rail("5V0", expect=parse_limits("5 V ± 0.1 mV")), decision_rule=GUARD)

        said = "nothing could pass: 5V0 voltage has limits of 5 V ± 0.1 mV, and U is 230 µV"
        assert (said, True) in findings(BENCH, board)

    def test_with_four_results_there_is_room_for_a_conditional_pass(self) -> None:
        board = replace(with_rail("5V0", expect=parse_limits("5 V ± 0.1 mV")), decision_rule=NON_BINARY)

        said = "nothing could pass but conditionally: 5V0 voltage has limits of 5 V ± 0.1 mV, and U is 230 µV"
        assert (said, False) in findings(BENCH, board)
        assert decide(5.0, parse_limits("5 V ± 0.1 mV"), 230e-6, NON_BINARY) is Result.CONDITIONAL_PASS

    def test_preview_lists_them(self, capsys: pytest.CaptureFixture[str]) -> None:
        first, simulated = ROOT / "procedures/first-power-on.yaml", ROOT / "fixtures/benches/simulated.yaml"

        assert main(["preview", str(first), "--bench", str(simulated)]) == 0
        page = capsys.readouterr().out
        row = next(line for line in page.splitlines() if line.split()[:2] == ["VREF", "voltage"])
        assert row.split() == ["VREF", "voltage", "2.5", "V", "±", "0.2", "%", "±", "140", "µV", "35:1"]
