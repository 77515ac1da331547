"""A person who walks away: questions wait with the supply watched, and where the procedure says so not for ever."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from bringup.commands.loading import load
from bringup.core.preview import look_ahead
from bringup.core.preview_text import text_of
from bringup.core.procedure import Dwell, Question, Step, TakePhoto
from bringup.core.quantity import parse_quantity
from bringup.core.safety import examine
from bringup.core.words import AttemptResult
from bringup.runner.earlier import CONTINUABLE
from bringup.runner.prompts import Answer
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.hand import Touching
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import BENCH, ROOT, SEEN, SimulatedBench, picked, simulated_bench, with_steps
from tests.probe_hand import held
from tests.sample_pictures import JPEG
from tests.test_photo_step import PhotosAtOnce, kept, later

APPLY = picked("apply").steps[0]
ASKED = Step(1, Question("Which colour is the status light?", ("green", "red"), ("green",)))
WITHIN = parse_quantity("10 s")


def left_alone(*steps: Step, powered: bool = True, within: bool = True, delay: float = math.inf) -> SimulatedBench:
    """Nobody answers the question about the light, or only so much later."""
    procedure = with_steps(*([APPLY] if powered else []), *steps)
    bench = simulated_bench(replace(procedure, answer_within=WITHIN if within else None), history=SEEN)
    script = [Scripted(Answer("green"), containing="status light", delay=delay)]
    bench.ask = SimulatedPerson(attended=True, clock=bench.clock, script=script)
    return bench


def due(bench: SimulatedBench) -> list[str]:
    return [told.text for told in bench.told if told.data.get("kind") == "due"]


def test_an_output_goes_off_where_nobody_answers_within_what_the_procedure_says() -> None:
    bench = left_alone(ASKED)

    outcome = bench.run()

    assert outcome.result is AttemptResult.CALLED_OFF
    assert outcome.result in CONTINUABLE
    assert outcome.cause == "nobody answered within 10 s: Which colour is the status light?"
    assert outcome.off_verified
    assert not bench.on()
    assert due(bench) == ["nobody has answered for 8 s: 2 s more, then every output goes off"]
    looks = [look.monotonic for batch in bench.record.batches for look in batch]
    assert max(later - earlier for earlier, later in pairwise(looks)) < 0.25, "the supply was watched all the time"


@pytest.mark.parametrize("delay", [7.0, 9.5])
def test_who_comes_back_in_time_goes_on(delay: float) -> None:
    bench = left_alone(ASKED, delay=delay)

    assert bench.run().result is AttemptResult.PASSED
    assert len(due(bench)) == (delay > 8.0)


def test_with_every_output_off_a_question_waits() -> None:
    bench = left_alone(replace(ASKED, index=0), powered=False, delay=3600.0)

    assert bench.run().result is AttemptResult.PASSED
    assert due(bench) == []


def test_without_a_word_of_it_a_question_waits_with_the_output_on() -> None:
    bench = left_alone(ASKED, within=False, delay=60.0)

    assert bench.run().result is AttemptResult.PASSED


def test_a_probe_that_is_not_put_down_is_not_waited_for_for_ever() -> None:
    def stays_in_the_air(_: str, now: float) -> Sequence[Touching]:
        return [Touching(now + 0.5, None)]

    bench = held("12V0", "3V3", courses={"3V3": stays_in_the_air}, agrees=lambda _: False)
    bench.procedure = replace(bench.procedure, answer_within=WITHIN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.CALLED_OFF
    assert outcome.cause == "nobody answered within 10 s: probe on TP4 (3V3)"
    assert outcome.off_verified


def photo(folder: Path, *, powered: bool, within: str | None = "20 s") -> tuple[SimulatedBench, AttemptOutcome]:
    took = TakePhoto("Top side", folder=str(folder), within=None if within is None else parse_quantity(within))
    bench = left_alone(
        Step(1, took, end_on_fail=False), Step(2, Dwell(parse_quantity("1 s"))), powered=powered, within=False
    )
    return bench, bench.run(photos=PhotosAtOnce())


def test_a_photo_that_nobody_takes_ends_the_attempt_where_an_output_is_on(tmp_path: Path) -> None:
    bench, outcome = photo(tmp_path, powered=True)

    assert outcome.result is AttemptResult.CALLED_OFF
    assert outcome.cause == "nobody answered within 20 s: take a photo of Top side"
    assert not bench.on()
    assert due(bench) == ["nobody has answered for 16 s: 4 s more"]


def test_with_outputs_off_the_step_has_no_photo_and_what_comes_after_it_is_done(tmp_path: Path) -> None:
    bench, outcome = photo(tmp_path, powered=False)

    assert outcome.result is AttemptResult.INCOMPLETE
    assert outcome.cause == "step 1 (photo): photo of Top side: nobody answered within 20 s: take a photo of Top side"
    assert [each[1].value for each in bench.record.ended_steps] == ["done", "done"]


def test_a_photo_that_comes_in_time_is_kept(tmp_path: Path) -> None:
    took = TakePhoto("Top side", folder=str(tmp_path), within=parse_quantity("20 s"))
    bench = left_alone(Step(1, took), powered=True)
    later(bench, 12.0, tmp_path / "b.jpg", JPEG)

    outcome = bench.run(photos=PhotosAtOnce())

    assert outcome.result is AttemptResult.CALLED_OFF, "answer_within of 10 s is shorter, and an output is on"
    bench = left_alone(Step(1, took), powered=True, within=False)
    later(bench, 12.0, tmp_path / "c.jpg", JPEG)
    assert bench.run(photos=PhotosAtOnce()).result is AttemptResult.PASSED
    assert kept(bench) == [("c.jpg", "Top side", "jpeg")]


def test_a_name_that_nobody_types_is_bounded_too() -> None:
    bench = left_alone(Step(1, TakePhoto("Top side", within=parse_quantity("20 s"))), within=False)
    bench.ask = SimulatedPerson(
        attended=True, clock=bench.clock, script=[Scripted(Answer(""), containing="which file", delay=math.inf)]
    )

    outcome = bench.run(photos=PhotosAtOnce())

    assert outcome.cause == "nobody answered within 20 s: Photo of Top side: which file? (l leaves the step out)"


def test_a_file_says_it_and_a_supply_by_hand_is_warned_of(tmp_path: Path) -> None:
    path = tmp_path / "asked.yaml"
    path.write_text(
        f"""procedure: Asked
board: {ROOT / "fixtures/boards/mooring-buoy-logger.yaml"}
answer_within: 10 min
steps:
  - photo: {{of: Top side, within: 5 min}}
  - apply: {{input: VIN, short_check: 1 V, then: [18 V, 24 V], current_limit: 400 mA}}
""",
        encoding="utf-8",
    )

    procedure, bench = load(path, BENCH)

    assert procedure.answer_within is not None
    assert procedure.answer_within.number == 600.0
    action = procedure.steps[0].action
    assert isinstance(action, TakePhoto)
    assert action.within is not None
    assert "outputs go off where nobody answers a question within 10 min" in text_of(look_ahead(procedure, bench))
    hand = load(path, ROOT / "fixtures/benches/handheld.yaml")[1]
    said = [each.message for each in examine(procedure, hand) if "answer_within" in each.message]
    assert said == ["`answer_within` switches nothing off on this bench: its supply is set by hand"]
