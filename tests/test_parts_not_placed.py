"""Parts that the board house did not place: from its file or typed, accounted for; what a missing one holds back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.not_placed import NotPlaced, Unplaced
from bringup.core.placement import Incomplete, Placed, designators, held_back, incomplete, loosened
from bringup.core.procedure import Inspect, Measure, Step
from bringup.core.safety import examine
from bringup.core.unpowered import Resistance
from bringup.core.words import AttemptResult, Kind, Result
from bringup.errors import FileError, NotationError
from bringup.files.parts_csv import read_parts
from bringup.files.procedure_file import load_procedure
from bringup.logbook.record import LogbookRecord
from bringup.runner.actions.parts import END, ONE_BY_ONE
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.records import UnitHistory
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps
from tests.logbook_samples import start, volts

HOUSE = NotPlaced(
    "house.csv", (Unplaced("U5", "regulator", "out of stock"), Unplaced("R9"), Unplaced("C1", serial="X"))
)
PARTS = {"5V0": ("U4", "L2"), "3V3": ("U5",)}


def inspecting(
    wanted: NotPlaced, *steps: Step, faults: Sequence[Fault] = (), history: UnitHistory | None = None
) -> SimulatedBench:
    """A bench whose board names the parts of two rails, and whose first step asks for parts."""
    procedure = with_steps(Step(0, Inspect((), wanted)), *steps)
    board = procedure.board
    rails = {name: replace(rail, parts=PARTS.get(name, ())) for name, rail in board.rails.items()}
    procedure = replace(procedure, board=replace(board, rails=rails))
    return simulated_bench(procedure, faults=faults, history=history)


def person(bench: SimulatedBench, *answers: str) -> SimulatedPerson:
    script = [Scripted(Answer(answer), kind=PromptKind.CHOICE) for answer in answers]
    return SimulatedPerson(attended=True, clock=bench.clock, script=script)


def written(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_bytes(text.encode(encoding))
    return path


# reading the file


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_parts_are_found_whatever_the_delimiter_and_encoding(tmp_path: Path, delimiter: str, encoding: str) -> None:
    rows = [["Pos", "Ref. Des.", "Value", "Remark"], ["1", '"C14, C15"', "22 µF", "no stock"], ["2", "u3", "", ""]]
    text = "House 12\r\n\r\n" + "\r\n".join(delimiter.join(row) for row in rows) + "\r\n"

    parts = read_parts(written(tmp_path / "house.csv", text, encoding))

    assert [str(part) for part in parts] == ["C14 (22 µF: no stock)", "C15 (22 µF: no stock)", "U3"]


def test_every_row_that_cannot_be_read_is_told_with_its_line(tmp_path: Path) -> None:
    file = written(tmp_path / "house.csv", "Designator,Reason\nC14,none\nfoo bar,none\n,lost\n\nR5-R3,\n")

    with pytest.raises(FileError) as raised:
        read_parts(file)

    assert [(problem.line, problem.message) for problem in raised.value.problems] == [
        (3, "'foo' is no designator of a part"),
        (4, "a row without a part"),
        (6, "'R5-R3' is no run of parts"),
    ]


@pytest.mark.parametrize(
    ("raw", "line", "message"),
    [
        (b"Menge,Wert\n3,22\n", 1, "no column for the parts was found"),
        (b"Part,Why\nC1,kein B\xfcgel\n", 2, "neither UTF-8 nor UTF-16: byte 0xFC"),
        (b'Part,Why\nC1,"no end\n', 2, "not to be read as CSV"),
        (b"Part\n\n", 1, "no part stands below the headers"),
        (b"Part\nC1\0\n", 2, "a byte of zero"),
    ],
)
def test_a_file_that_is_no_list_of_parts_says_what_to_do(tmp_path: Path, raw: bytes, line: int, message: str) -> None:
    file = tmp_path / "house.csv"
    file.write_bytes(raw)

    with pytest.raises(FileError) as raised:
        read_parts(file)

    (problem,) = raised.value.problems
    assert problem.line == line
    assert problem.message.startswith(message)


def test_the_procedure_reads_the_file_beside_it_and_its_faults_stand_at_its_own_lines(tmp_path: Path) -> None:
    procedure = tmp_path / "p.yaml"
    procedure.write_text(
        "procedure: Look\nboard: {board: Lamp, rails: {3V3: 3.3 V ± 2 %}}\nsteps:\n"
        "  - inspect: {confirm: [No bridges], parts_not_placed: house.csv}\n",
        encoding="utf-8",
    )
    with pytest.raises(FileError) as raised:
        load_procedure(procedure)
    assert f"p.yaml:4:56: the file {tmp_path / 'house.csv'}: cannot be read: No such file" in str(
        raised.value.problems[0]
    )
    written(tmp_path / "house.csv", "RefDes\nC14\n??\n")
    with pytest.raises(FileError) as raised:
        load_procedure(procedure)
    assert str(raised.value.problems[0]).startswith(f"{tmp_path / 'house.csv'}:3:1: '??' is no designator")

    written(tmp_path / "house.csv", "RefDes\nC14\n")
    action = load_procedure(procedure).steps[0].action

    assert isinstance(action, Inspect)
    assert action.not_placed == NotPlaced("house.csv", (Unplaced("C14"),), str(tmp_path / "house.csv"))


@given(st.lists(st.tuples(st.sampled_from("CRULD"), st.integers(1, 999)), min_size=1, max_size=9))
def test_designators_are_read_whatever_stands_between_them(named: list[tuple[str, int]]) -> None:
    parts = [f"{letter}{number}" for letter, number in named]

    for between in (", ", ";", " ", " / "):
        assert designators(between.join(parts)) == tuple(dict.fromkeys(parts))


def test_a_run_of_designators_is_all_of_them_and_nonsense_is_refused() -> None:
    assert designators("r3 - R6, c1..c2") == ("R3", "R4", "R5", "R6", "C1", "C2")
    for text in ("R1-C3", "R1-R900", "14", "C", "the big one"):
        with pytest.raises(NotationError):
            designators(text)


# at the bench


def test_each_part_is_accounted_for_and_kept() -> None:
    bench = inspecting(HOUSE)

    outcome = bench.run(ask=person(bench, ONE_BY_ONE, Placed.FITTED, Placed.LEFT))

    assert outcome.result is AttemptResult.PASSED
    kept = [(text, data["is"]) for kind, text, data in bench.record.events if kind == "part"]
    assert kept == [
        ("U5 (regulator: out of stock) fitted by hand since", "fitted by hand since"),
        ("R9 left out on purpose (variant)", "left out on purpose (variant)"),
    ]


def test_what_misses_a_part_is_measured_and_never_passes() -> None:
    measure = Step(1, Measure(("5V0", "3V3")))
    bench = inspecting(
        HOUSE, *picked("apply").steps, measure, faults=[Fault("3V3", FaultKind.NOT_FITTED)], history=SEEN
    )

    outcome = bench.run(ask=person(bench, ONE_BY_ONE, Placed.MISSING, Placed.FITTED))

    assert (outcome.result, outcome.cause) == (
        AttemptResult.INCOMPLETE,
        "U5 is missing on MBL-0001: 3V3 not judged",
    )
    rails = {each.point: each for each in outcome.readings if each.step == 2}
    assert (rails["3V3"].result, rails["5V0"].result) == (Result.NOT_JUDGED, Result.PASS)
    assert rails["3V3"].note == "known to be incomplete: U5 is missing"
    amps = [each for each in outcome.readings if each.point == "VIN" and each.kind is Kind.CURRENT]
    assert {each.result for each in amps} == {Result.NOT_JUDGED}
    assert all(each.limits is not None and each.limits.low is None for each in amps)


def test_a_short_on_a_rail_that_misses_a_part_fails_all_the_same() -> None:
    ohms = Step(1, Resistance(("3V3", "5V0")))
    bench = inspecting(HOUSE, ohms, faults=[Fault("3V3", FaultKind.SHORTED_THROUGH, 2.0)])

    outcome = bench.run(ask=person(bench, "all missing"))

    assert outcome.result is AttemptResult.FAILED
    assert "3V3 resistance" in outcome.cause


def test_a_rail_that_misses_a_part_and_is_not_shorted_lets_the_gate_open() -> None:
    ohms = Step(1, Resistance(("VIN", "12V0", "5V0", "3V3", "1V8", "VREF", "N12V")))
    bench = inspecting(HOUSE, ohms, *picked("leads", "apply").steps)

    outcome = bench.run(ask=person(bench, "all missing"))

    assert "override" not in bench.record.kinds()
    assert outcome.result is AttemptResult.INCOMPLETE


def test_the_person_may_end_at_a_missing_part() -> None:
    bench = inspecting(HOUSE, *picked("apply").steps, history=SEEN)

    outcome = bench.run(ask=person(bench, "all missing", END))

    assert (outcome.result, outcome.cause) == (AttemptResult.INCOMPLETE, "U5 and R9 missing: ended by the person")
    assert outcome.off_verified is None


def test_typed_designators_are_asked_again_until_they_can_be_read() -> None:
    bench = inspecting(NotPlaced())
    script = [
        Scripted(Answer("the big one"), kind=PromptKind.TEXT),
        Scripted(Answer("u4"), kind=PromptKind.TEXT, containing="'the' is no designator"),
        Scripted(Answer(Placed.MISSING), kind=PromptKind.CHOICE, containing="U4 was not placed"),
    ]

    outcome = bench.run(ask=SimulatedPerson(attended=True, clock=bench.clock, script=script))

    assert outcome.cause == "U4 is missing on MBL-0001: 5V0, 3V3, 1V8 and VREF not judged"


def test_a_part_missing_in_an_earlier_attempt_holds_back_until_it_is_said_to_be_fitted() -> None:
    history = replace(SEEN, parts={"U5": Placed.MISSING})
    measure = (*picked("apply").steps, Step(1, Measure(("3V3",))))
    later = simulated_bench(inspecting(HOUSE, *measure).procedure, history=history)
    steps = with_steps(*measure).steps
    unasked = simulated_bench(replace(later.procedure, steps=steps), history=history)

    assert unasked.run().cause == "U5 is missing on MBL-0001: 3V3 not judged"
    assert later.run(ask=person(later, f"all {Placed.FITTED}")).result is AttemptResult.PASSED


def test_the_logbook_knows_what_was_said_of_a_part_last(tmp_path: Path) -> None:
    with LogbookRecord.open(tmp_path / "book.db", simulated=False) as record:
        for said in (Placed.MISSING, Placed.FITTED):
            begun = start("MBL-0001")
            record.begin(begun)
            for part in ("U5", "R9") if said is Placed.MISSING else ("U5",):
                data = {"part": part, "is": said}
                record.event("part", f"{part} {said}", at=begun.started, monotonic=101.0, data=data)
            record.event("part", "every part was placed", at=begun.started, monotonic=102.0)
            record.end(AttemptResult.PASSED, "", at=begun.started, off_verified=None)

        assert record.history("MBL-0001").parts == {"U5": Placed.FITTED, "R9": Placed.MISSING}
        assert record.history("MBL-0002").parts == {}


# what follows


def test_what_a_missing_part_feeds_is_incomplete_too() -> None:
    board = inspecting(HOUSE).board

    lacking = incomplete(board, ["u4", "L2"])

    assert lacking.rails["5V0"] == "U4 and L2 are missing"
    assert lacking.rails["3V3"] == "U4 and L2 are missing at 5V0"
    assert "12V0" not in lacking.rails
    assert set(lacking.inputs) == {"VIN"}


def test_only_too_much_current_is_still_judged_where_something_is_missing() -> None:
    lacking = Incomplete({"3V3": "U5 is missing"}, {"VIN": "U5 is missing at 3V3"})
    band = parse_limits("60 mA .. 110 mA")

    loose = loosened(lacking, "VIN", Kind.CURRENT, band)

    assert loose is not None
    assert (loose.low, loose.high) == (None, band.high)
    assert loosened(lacking, "3V3", Kind.VOLTAGE, parse_limits("3.3 V ± 2 %")) is None
    too_much = replace(volts(), point="VIN", kind=Kind.CURRENT, unit="A", limits=loose, result=Result.FAIL)
    assert held_back(too_much, lacking) == too_much
    hardly = replace(too_much, result=Result.CONDITIONAL_FAIL)
    assert held_back(hardly, lacking) == hardly
    assert held_back(replace(volts(None)), lacking).result is Result.NO_VALUE


def test_a_list_of_which_no_rail_names_a_part_is_pointed_out() -> None:
    bench = inspecting(NotPlaced("house.csv", (Unplaced("C99"),)))

    assert any("names any of the 1 parts of house.csv" in found.message for found in examine(bench.procedure, None))
    known = inspecting(HOUSE)
    assert not any("parts" in found.message for found in examine(known.procedure, None))


def test_a_line_longer_than_any_cell_may_be_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="not to be read as CSV: field larger than field limit"):
        read_parts(written(tmp_path / "house.csv", "x" * 140_000, "utf-8"))
