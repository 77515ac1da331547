"""Uncertainty against published examples, each with its source beside it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.accuracy import Accuracy, parse_accuracy, parse_specified
from bringup.core.bench import Bench, MeterRole
from bringup.core.board import Board
from bringup.core.limits import parse_limits
from bringup.core.moments import deviation_of
from bringup.core.reading import Reading
from bringup.core.reading_uncertainty import Taken, uncertainty_of
from bringup.core.specification import Conditions, Row, Specification, specified
from bringup.core.student import coverage_factor, normal_below, t_within
from bringup.core.uncertainty import (
    LOADING,
    Contribution,
    NotKnown,
    Uncertainty,
    combined,
    in_words,
    of_digit,
    propagated,
    rectangular,
)
from bringup.core.words import How, Kind, LimitsFrom, Result
from bringup.errors import NotationError
from bringup.logbook.filters import Filters
from bringup.logbook.queries import readings
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.terminal.readings import reading_line
from tests.fakes import SEEN, picked, simulated_bench
from tests.logbook_samples import add_attempt, ohms, start
from tests.small_board import q, small_board, with_rail

SHARES = (0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973)


class TestStudent:
    # JCGM 100:2008 table G.2 (from memory; redone with scipy 1.17.1).
    @pytest.mark.parametrize(
        ("degrees", "factors"),
        [
            (1, (1.837, 6.314, 12.706, 13.968, 63.657, 235.784)),
            (4, (1.142, 2.132, 2.776, 2.869, 4.604, 6.620)),
            (10, (1.053, 1.812, 2.228, 2.284, 3.169, 3.957)),
            (20, (1.026, 1.725, 2.086, 2.133, 2.845, 3.422)),
        ],
    )
    def test_factors_are_those_of_the_table(self, degrees: float, factors: tuple[float, ...]) -> None:
        found = [coverage_factor(share, degrees) for share in SHARES]

        assert found == pytest.approx(factors, abs=5.1e-4)

    def test_with_infinitely_many_degrees_of_freedom_it_is_the_normal_distribution(self) -> None:
        assert coverage_factor(math.erf(math.sqrt(2)), math.inf) == pytest.approx(2.0, rel=1e-12)
        for many in (1e7, 1e12, 1e300):
            assert coverage_factor(0.95, many) == pytest.approx(coverage_factor(0.95, math.inf), rel=1e-6)
        assert coverage_factor(0.95, 99_999) == pytest.approx(coverage_factor(0.95, 100_001), rel=1e-9)
        assert normal_below(1.959963984540054) == pytest.approx(0.975, rel=1e-12)

    def test_one_and_two_degrees_of_freedom_have_closed_forms(self) -> None:
        # v = 1: tan(pi p / 2); v = 2: p sqrt(2 / (1 - p^2)). By algebra from the density.
        for share in SHARES:
            assert coverage_factor(share, 1) == pytest.approx(math.tan(math.pi * share / 2), rel=1e-10)
            assert coverage_factor(share, 2) == pytest.approx(share * math.sqrt(2 / (1 - share**2)), rel=1e-10)

    def test_degrees_need_not_be_whole(self) -> None:
        special = pytest.importorskip("scipy.special", reason="scipy is not installed: nothing to compare with")
        for degrees in (0.7, 3.3, 18.99874, 250.5):
            for share in SHARES:
                expected = special.stdtrit(degrees, (1 + share) / 2)
                assert coverage_factor(share, degrees) == pytest.approx(float(expected), rel=1e-9)
                assert t_within(float(expected), degrees) == pytest.approx(share, rel=1e-10)

    @pytest.mark.parametrize(("share", "degrees"), [(1.0, 5.0), (0.0, 5.0), (0.95, 0.0), (0.95, math.nan)])
    def test_what_there_is_not_is_refused(self, share: float, degrees: float) -> None:
        with pytest.raises(ValueError, match="no coverage factor"):
            coverage_factor(share, degrees)


class TestPublishedExamples:
    def test_a_voltmeters_specification(self) -> None:
        # JCGM 100:2008 4.3.7 example 2 and 5.1.5 (from memory, arithmetic confirmed): 0.928571 V on the 1 V range, type
        # A 12 uV, specification 14e-6 of reading + 2e-6 of range: a = 15 uV, u = 8.7 uV, combined 15 uV, 16e-6 of it.
        row = Row("dc volts", Decimal(1), parse_specified("14 ppm of reading + 2 ppm of range"))
        limit = Specification((row,)).limit("dc volts", Decimal("0.928571"), Conditions()).limit
        assert limit is not None
        both = combined([rectangular("specification", float(limit)), Contribution("repeats", 12e-6)])

        assert float(limit) == pytest.approx(14.999994e-6, rel=1e-9)
        assert both.contributions[0].standard == pytest.approx(8.66025e-6, rel=1e-5)
        assert both.standard == pytest.approx(14.7986e-6, rel=1e-5)
        assert both.standard / 0.928571 == pytest.approx(1.59370e-5, rel=1e-5)

    def test_effective_degrees_of_freedom_of_a_product(self) -> None:
        # JCGM 100:2008 G.4.1 (from memory, arithmetic confirmed): 0.25, 0.57, 0.82 % with 9, 4, 14 degrees of freedom:
        # 1.03 %, 19.0, t95 2.09, U 2.2 %. Cut off to 18 degrees the factor would be 2.10.
        found = combined(
            [Contribution("a", 0.25, 9), Contribution("b", 0.57, 4), Contribution("c", 0.82, 14)], coverage=0.95
        )

        assert found.standard == pytest.approx(1.029466, rel=1e-6)
        assert found.degrees == pytest.approx(18.99874, rel=1e-6)
        assert round(found.factor, 2) == 2.09
        assert round(found.expanded, 1) == 2.2

    def test_the_end_gauge(self) -> None:
        # JCGM 100:2008 H.1 (from memory, table H.1 and H.1.6): in nm 25 (18), 9.7 (25.6), 2.9 (50) and 16.6 (2) with
        # their degrees of freedom, first order: u_c 32 nm, 16 degrees of freedom, t99 2.92, U99 93 nm.
        found = combined(
            [
                Contribution("standard", 25.0, 18.0),
                Contribution("comparator", math.hypot(5.8, 3.9, 6.7), 25.6),
                Contribution("expansion", 2.9, 50.0),
                Contribution("temperature", 16.6, 2.0),
            ],
            coverage=0.99,
        )

        assert found.contributions[1].standard == pytest.approx(9.7, abs=0.05)
        assert round(found.standard) == 32
        assert int(found.degrees) == 16
        assert coverage_factor(0.99, 16) == pytest.approx(2.92, abs=0.005)
        assert round(coverage_factor(0.99, 16) * 32) == 93

    def test_the_means_of_repeats(self) -> None:
        # JCGM 100:2008 H.2, table H.2 (second-hand): V 4.9990, u 0.0032; I 19.6610 mA, u 0.0095; phi 1.04446, u
        # 0.00075; unrounded 0.00320936131, 0.00947100839, 0.000752063827 (redone with GTC 1.5.1).
        volts = [5.007, 4.994, 5.005, 4.990, 4.999]
        amps = [19.663, 19.639, 19.640, 19.685, 19.678]
        angle = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]

        found = [deviation_of(values) / math.sqrt(5) for values in (volts, amps, angle)]
        assert found == pytest.approx([0.00320936131, 0.00947100839, 0.000752063827], rel=1e-8)

    def test_a_function_of_readings(self) -> None:
        # JCGM 100:2008 H.2 (second-hand; redone with GTC 1.5.1): R = V cos phi / I is 127.732 ohm. Its correlations
        # left out, as for readings by different instruments, u(R) is 0.19454 ohm.
        volts, amps, phi = 4.999, 19.661e-3, 1.04446
        standards = (0.00320936131, 0.00947100839e-3, 0.000752063827)

        assert volts * math.cos(phi) / amps == pytest.approx(127.73216993, rel=1e-9)
        found = propagated(lambda v, i, p: v * math.cos(p) / i, (volts, amps, phi), standards)
        assert found == pytest.approx(0.19454, abs=5e-6)

    def test_a_product_has_the_root_sum_square_of_its_parts(self) -> None:
        # By algebra: relative standard uncertainties 3 % and 4 % make 5 %.
        assert propagated(lambda a, b: a * b, (2.0, 10.0), (0.06, 0.4)) == pytest.approx(1.0, rel=1e-9)
        assert propagated(lambda a, b: a + b, (0.0, 0.0), (3.0, 4.0)) == pytest.approx(5.0, rel=1e-9)
        assert propagated(lambda a: a, (0.0,), (0.0,)) == 0.0


class TestRepeats:
    def test_readings_all_alike_leave_the_resolution(self) -> None:
        found = combined([Contribution("repeats", 0.0, 4.0), of_digit(0.001)])

        assert found.standard == pytest.approx(0.001 / math.sqrt(12))
        assert math.isinf(found.degrees)
        assert in_words(found) == "resolution 100 %"

    def test_nothing_known_is_no_uncertainty_of_zero(self) -> None:
        with pytest.raises(ValueError, match="nothing is known"):
            combined([])


class TestNotation:
    @pytest.mark.parametrize(
        ("text", "value", "full_scale", "digit", "limit"),
        [
            # Agilent 34401A user's guide, chapter 1, page 21: 5 V on the 10 V range, 100 uV + 50 uV.
            ("± (0.0020 % of reading + 0.0005 % of range)", "5", "10", "0.00001", "0.00015"),
            ("0.0020 % rdg + 0.0005 % rng", "5", "10", "0.00001", "0.00015"),
            # The same page: 0.0004 % of the 10 V range, whatever is read.
            ("0.0004 % of range", "10", "10", "0.00001", "0.00004"),
            ("0.0004 % of range", "0.1", "10", "0.00001", "0.00004"),
            # Agilent 34410A user's guide, page 136 (its copy prints mV for what is uV): 0.0015 % of 10, 1 and 0.1 V.
            ("0.0015 % of reading", "10", "10", "0.00001", "0.00015"),
            ("0.0015 % of reading", "1", "1", "0.000001", "0.000015"),
            ("0.0015 % of reading", "0.1", "0.1", "0.0000001", "0.0000015"),
            # gvda-instrument.com, multimeter-error-69432302: 2 V on the 2 V range, 0.5 % + 3 counts of 1 mV: 13 mV.
            ("±(0.5 % + 3 counts)", "2", "2", "0.001", "0.013"),
            ("0.5 % of reading + 3 digits", "2", "2", "0.001", "0.013"),
            ("14 ppm of reading + 2 ppm of range", "1", "1", "0.000001", "0.000016"),
            ("0.05 % + 10 mV", "2", "10", "0.001", "0.011"),
        ],
    )
    def test_makers_spellings_give_their_limits(
        self, text: str, value: str, full_scale: str, digit: str, limit: str
    ) -> None:
        found = parse_specified(text).on(Decimal(value), Decimal(full_scale), Decimal(digit))

        assert found == Decimal(limit)
        assert parse_specified(str(parse_specified(text))) == parse_specified(text)

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("0.0035 % + 0.0005 %", "gives % twice"),
            ("0.1 % of range + 1 % of range", "gives range twice"),
            ("0.1 % of kinds", "."),
            ("0.5 % + 5 mA", "neither percent nor volts"),
            ("-1 % of reading", "below zero"),
            ("0 % of reading", "no instrument is exact"),
            ("nan %", "."),
        ],
    )
    def test_what_is_no_accuracy_is_refused(self, text: str, says: str) -> None:
        with pytest.raises(NotationError, match=says):
            parse_specified(text)

    @pytest.mark.parametrize("text", ["0.0035 % of reading + 0.0005 % of range", "0.5 % + 3 counts"])
    def test_an_accuracy_of_a_range_without_one_is_refused(self, text: str) -> None:
        with pytest.raises(NotationError, match="nothing says of which range") as refused:
            parse_accuracy(text)
        assert "each entry with its range" in refused.value.what_to_do


def row(error: str, full_scale: str | None = "10", **changes: object) -> Row:
    scale = None if full_scale is None else Decimal(full_scale)
    return Row("dc volts", scale, parse_specified(error), **changes)  # type: ignore[arg-type]


TABLE = Specification(
    (
        row("0.01 % of reading", "1"),
        row("0.002 % of reading", days=90),
        row("0.004 % of reading", days=365, temperature=parse_limits("18 degC .. 28 degC"),
            per_degree=parse_specified("0.0005 % of reading")),
        row("0.1 % of reading", "100", temperature=parse_limits("18 degC .. 28 degC")),
    )
)  # fmt: skip


class TestLookingUp:
    @pytest.mark.parametrize(
        ("value", "under", "limit"),
        [
            ("5", Conditions(days=30), "0.0001"),
            ("5", Conditions(days=91), "0.0002"),
            ("5", Conditions(days=91, ambient=Decimal(30)), "0.00025"),
            ("5", Conditions(), "0.0002"),
            ("0.5", Conditions(), "0.00005"),
            ("0.5", Conditions(full_scale=Decimal(10), days=1), "0.00001"),
            ("11", Conditions(days=1), "0.011"),
            ("-5", Conditions(days=30), "0.0001"),
        ],
    )
    def test_range_time_and_temperature_decide(self, value: str, under: Conditions, limit: str) -> None:
        assert TABLE.limit("dc volts", Decimal(value), under).limit == Decimal(limit)

    def test_what_was_assumed_is_told(self) -> None:
        assert TABLE.limit("dc volts", Decimal(5), Conditions()).assumed == (
            "calibrated within 365 days", "at 18 °C .. 28 °C",
        )  # fmt: skip

    @pytest.mark.parametrize(
        ("function", "value", "under", "says"),
        [
            ("ohms", "5", Conditions(), "no accuracy of ohms"),
            ("dc volts", "5", Conditions(full_scale=Decimal(1000)), "no accuracy of dc volts on the 1 kV range"),
            ("dc volts", "500", Conditions(), "500 V is beyond every range"),
            ("dc volts", "5", Conditions(days=400), "up to 365 days after calibration, and that is 400 days ago"),
            ("dc volts", "50", Conditions(ambient=Decimal(40)), "stated for 18 °C .. 28 °C only, and it is 40 °C"),
        ],
    )
    def test_what_it_does_not_say_is_said(self, function: str, value: str, under: Conditions, says: str) -> None:
        found = TABLE.limit(function, Decimal(value), under)

        assert found.limit is None
        assert says in found.why

    def test_a_plain_accuracy_holds_on_any_range(self) -> None:
        table = specified(parse_accuracy("0.5 % + 20 mV"), "dc volts")

        assert table is not None
        assert table.limit("dc volts", Decimal(100), Conditions(full_scale=Decimal(1000))).limit == Decimal("0.52")
        assert specified(None, "dc volts") is None


class TestReadings:
    def test_volts_and_current_have_an_uncertainty_where_an_accuracy_is_stated(self) -> None:
        bench = simulated_bench(picked("apply", "measure", "power_off"), history=SEEN)
        readings = bench.run().readings
        rail = next(each for each in readings if each.point == "3V3" and each.kind is Kind.VOLTAGE)
        current = next(each for each in readings if each.kind is Kind.CURRENT)

        # By hand: 0.003 % of 3.3 V and 0.0005 % of 10 V: a = 149 uV; a / sqrt 3 = 86 uV, twice that 172 uV. The digit
        # of 10 uV (2.9 uV) and the scatter of a few readings add less than a fifth.
        assert rail.value is not None
        assert rail.uncertainty is not None
        limit = 3e-5 * rail.value + 5e-5
        assert 1.0 < rail.uncertainty / (2 * limit / math.sqrt(3)) < 1.2
        assert rail.coverage_factor is not None
        assert 2.0 <= rail.coverage_factor < 2.2
        assert rail.uncertainty_from.startswith("specification 9")
        # 0.2 % of 64 mA and 2 mA, two more digits of 0.1 mA: about 2.13 mA / sqrt 3, twice.
        assert current.value is not None
        assert current.uncertainty == pytest.approx(2 * (2e-3 + 2e-3 * current.value) / math.sqrt(3), rel=0.02)

    def test_without_an_accuracy_nothing_is_made_up(self) -> None:
        reading = taken_on(replace(CORNER, meter=replace(METER, accuracy=None)))

        assert reading is None

    def test_why_it_is_not_known_is_said(self) -> None:
        late = replace(METER, accuracy=TABLE, calibrated=date(2025, 1, 1))
        soon = replace(METER, accuracy=TABLE, calibrated=date(2027, 1, 1))

        for meter, says in ((late, "up to 365 days after calibration"), (soon, "yet to come")):
            found = taken_on(replace(CORNER, meter=meter))
            assert isinstance(found, NotKnown)
            assert says in found.why

    @pytest.mark.parametrize(
        ("scatter", "named", "standard"),
        [(40e-6, "integration noise", 120e-6), (150e-6, "repeats", 150e-6)],
        ids=["a few that happen to agree", "a point that scatters by itself"],
    )
    def test_what_a_meter_is_known_to_scatter_holds_where_a_few_readings_show_less(
        self, scatter: float, named: str, standard: float
    ) -> None:
        # By hand: a pooled estimate beside one of 2 degrees of freedom (JCGM 100:2008, 4.2.4, from memory).
        found = uncertainty_of(READING, CORNER, small_board(), Taken(repeats=(scatter, 2), noise=120e-6))
        assert isinstance(found, Uncertainty)
        by_name = {part.name: part for part in found.contributions}
        assert ("repeats" in by_name) is (named == "repeats")
        assert by_name[named].standard == standard
        assert by_name[named].degrees == (2.0 if named == "repeats" else math.inf)

    def test_a_meter_loads_a_point_that_is_not_stiff(self) -> None:
        # By hand: 5 V from 100 kohm into 10 Mohm is up to 50 mV low: 50 mV / sqrt 3.
        known = with_rail("5V0", source_resistance=q("100 kΩ"))
        found = taken_on(CORNER, board=known)

        assert isinstance(found, Uncertainty)
        loading = next(part for part in found.contributions if part.name == LOADING)
        assert loading.standard == pytest.approx(0.05 / math.sqrt(3))
        assert in_words(found) == "loading 100 %"

    def test_a_handheld_meters_counts_count_for_what_a_person_types(self) -> None:
        # By hand: 0.5 % of 5.02 V and 3 counts of 10 mV: 55.1 mV; with half a digit, each over sqrt 3.
        table = Specification((Row("dc volts", Decimal(40), parse_specified("0.5 % + 3 counts"), Decimal("0.01")),))
        bench = replace(CORNER, meter=MeterRole(None, accuracy=table))
        typed = replace(READING, value=5.02, resolution=0.01, raw="5.02", how=How.TYPED)

        found = uncertainty_of(typed, bench, small_board(), Taken())
        assert isinstance(found, Uncertainty)
        assert found.expanded == pytest.approx(2 * math.hypot(0.0551, 0.005) / math.sqrt(3), rel=1e-9)

    def test_leads_that_nobody_measured_count_in_ohms(self) -> None:
        ohms = Specification((Row("ohms", Decimal(1000), Accuracy(Decimal("0.01"), unit="ohm")),))
        bench = replace(CORNER, meter=replace(METER, accuracy=ohms))
        reading = replace(READING, kind=Kind.RESISTANCE, value=100.0, unit="ohm", resolution=None)

        unknown, measured = (
            uncertainty_of(reading, bench, small_board(), Taken(lead_ohms=leads)) for leads in (None, 0.21)
        )
        assert isinstance(unknown, Uncertainty)
        assert isinstance(measured, Uncertainty)
        # 0.2 ohm of leads or 0.05 ohm of contacts beside 0.01 % of 100 ohm (of 100.21 ohm shown), each over sqrt 3.
        assert unknown.standard == pytest.approx(math.hypot(0.2, 0.01) / math.sqrt(3), rel=1e-6)
        assert measured.standard == pytest.approx(math.hypot(0.05, 0.010021) / math.sqrt(3), rel=1e-6)

    def test_the_logbook_gives_it_back(self, tmp_path: Path) -> None:
        path = tmp_path / "book.db"
        known = replace(
            ohms(),
            uncertainty=0.5,
            coverage_factor=2.1,
            degrees_of_freedom=18.9,
            uncertainty_from="specification 100 %",
        )
        with LogbookRecord.open(path, simulated=False) as record:
            add_attempt(record, start("MBL-0001"), [known])

        (logged,) = read(path, lambda connection: readings(connection, Filters()))
        data = logged.as_json()
        assert (data["uncertainty"], data["coverage_factor"]) == (0.5, 2.1)
        assert (data["degrees_of_freedom"], data["uncertainty_from"]) == (18.9, "specification 100 %")

    def test_it_is_shown_beside_the_value_where_there_is_room(self) -> None:
        sure = replace(READING, uncertainty=0.000142)
        plain, line = reading_line(READING).text, reading_line(sure).text

        assert "5.0000 V ± 140 µV" in line
        assert line.index("├") == plain.index("├"), "the columns stay"
        crowded = reading_line(replace(sure, point="a rail with a long name of its own")).text
        assert "±" not in crowded.partition("├")[0]


METER = MeterRole("TCPIP0::192.0.2.11::5025::SOCKET", "configure-and-read", accuracy=TABLE)
CORNER = Bench("Corner bench", None, METER)
READING = Reading(
    step=0, point="5V0", kind=Kind.VOLTAGE, value=5.0, unit="V", limits=parse_limits("5 V ± 2 %"),
    limits_from=LimitsFrom.BOARD, result=Result.PASS, at=datetime(2026, 11, 28, 12, tzinfo=UTC), monotonic=1.0,
    instrument="meter", raw="5.0000", resolution=1e-4,
)  # fmt: skip


def taken_on(bench: Bench, board: Board | None = None) -> Uncertainty | NotKnown | None:
    return uncertainty_of(READING, bench, small_board() if board is None else board, Taken())


@given(st.text("0123456789.%+±() ofreadinguVmppcts-e,kKNa", max_size=40))
def test_any_text_is_an_accuracy_or_refused_in_words(text: str) -> None:
    try:
        found = parse_specified(text)
    except NotationError:
        return
    assert found.on(Decimal(1), Decimal(10), Decimal("0.001")) > 0
    assert parse_specified(str(found)) == found
