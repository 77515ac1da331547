"""Attempts with a scanner: what it connects, what is still probed by hand, what a relay or a lost scanner does."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from bringup.core.bench import Bench, ScannerRole
from bringup.core.needs import examine_dialects
from bringup.core.procedure import Measure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.safety import examine
from bringup.core.unpowered import Resistance
from bringup.core.words import AttemptResult, Result
from bringup.errors import BenchError, BringupError, LinkError, LogbookError
from bringup.files.any_file import read_any
from bringup.runner.pending import Pending
from bringup.runner.roles import Routed
from bringup.runner.scpi_scanner import ScpiScanner
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.scanner_styles import SCANNER_STYLES
from bringup.simulation.styled_scanner import MeterWithCard, StyledScanner
from tests.fakes import (
    FIRST_POWER_ON,
    ROOT,
    SEEN,
    SimulatedBench,
    picked,
    simulated_bench,
    the_bench,
    the_dialect,
    the_procedure,
)
from tests.fakes import with_steps as doing
from tests.small_board import apply, procedure, sound
from tests.small_board import bench as small_bench

BESIDE = ROOT / "fixtures/benches/simulated-scanner.yaml"
CARD = ROOT / "fixtures/benches/simulated-scanner-card.yaml"
POINTS = ("VIN", "12V0", "5V0", "3V3", "1V8", "VREF", "N12V")
ALONE = picked("apply", "measure", "power_off")
both = pytest.mark.parametrize("path", [BESIDE, CARD], ids=["beside the meter", "in the meter"])


@dataclass
class Scanned:
    """A simulated bench with its scanner, and the relays themselves."""

    bench: SimulatedBench
    relays: StyledScanner
    link: MemoryLink

    def run(self, **changes: Any) -> Any:
        return self.bench.run(**changes)

    def asked(self) -> list[str]:
        """The questions that a person had to answer about the probe."""
        answered = [told.text for told in self.bench.told if told.kind == "prompt-answered"]
        return [text for text in answered if "robe" in text and "leads" not in text]

    def values(self) -> dict[str, Result | None]:
        readings = [one for one in self.bench.record.readings if one.kind == "voltage" and not one.aspect]
        return {str(one.point): one.result for one in readings}


def scanned(path: Path = BESIDE, *, without: tuple[str, ...] = (), of: Any = ALONE) -> Scanned:
    made = simulated_bench(of, bench_path=path, history=SEEN)
    role = made.bench.scanner
    assert role is not None
    role = replace(role, channels={name: each for name, each in role.channels.items() if name not in without})
    made.bench = replace(made.bench, scanner=role)
    wired = {channel: point for point, channel in role.channels.items()}
    relays = StyledScanner(made.world, SCANNER_STYLES[role.dialect], wired=wired, ground=role.ground)
    dialect = the_dialect(role.dialect, path)
    if role.in_meter:
        link = made.meter_link
        link._instrument = MeterWithCard(link._instrument, relays)
    else:
        link = MemoryLink("scanner (simulated)", relays, made.clock, dialect=dialect)
    made.changes["scanner"] = ScpiScanner(role, dialect, link)
    return Scanned(made, relays, link)


@both
def test_every_rail_is_read_and_nobody_holds_a_probe(path: Path) -> None:
    made = scanned(path)

    outcome = made.run()

    assert (outcome.result, outcome.cause) == (AttemptResult.PASSED, "")
    assert {made.values()[point] for point in POINTS} == {Result.PASS}
    assert made.asked() == []
    assert made.relays.tied == 0


@both
def test_every_relay_is_open_at_the_end(path: Path) -> None:
    made = scanned(path)
    made.run()

    assert made.relays.closed == set()


@both
def test_every_relay_that_is_needed_is_tried_before_power(path: Path) -> None:
    made = scanned(path)
    made.relays.stuck_open = {104}

    with pytest.raises(BenchError, match=r"connecting 3V3: channel 104 of the scanner did not close \(3V3\)"):
        made.run()
    assert not made.bench.record.started


def test_a_channel_that_does_not_exist_is_found_before_power() -> None:
    made = scanned()
    made.relays.channels = made.relays.channels - {105}

    with pytest.raises(BenchError, match="-222"):
        made.run()
    assert not made.bench.record.started


def _at_first_reading(made: Scanned, do: Any) -> None:
    """Do something as soon as a first volt was read at the board."""
    keep = made.bench.record.reading

    def reading(one: Any) -> None:
        keep(one)
        if one.kind == "voltage" and not one.aspect and one.point == "12V0":
            do()

    made.bench.record.reading = reading  # type: ignore[method-assign,assignment]


@both
def test_a_relay_that_does_not_close_leaves_its_point_without_a_value(path: Path) -> None:
    made = scanned(path)
    _at_first_reading(made, lambda: made.relays.stuck_open.add(104))

    outcome = made.run()

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "channel 104 of the scanner did not close (3V3)" in outcome.cause
    assert made.values()["3V3"] is Result.NO_VALUE
    assert made.values()["1V8"] is Result.PASS
    assert "scanner" in made.bench.record.kinds()


@both
def test_a_relay_that_does_not_open_ends_the_attempt_with_nothing_tied_to_it(path: Path) -> None:
    made = scanned(path)
    _at_first_reading(made, lambda: made.relays.stuck_closed.add(102))

    outcome = made.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "channel 102 of the scanner did not open (12V0): nothing may be connected beside it" in outcome.cause
    assert outcome.off_verified
    assert not made.bench.on()
    assert made.relays.tied == 0
    assert any("UNKNOWN state" in text for kind, text, _ in made.bench.record.events if kind == "scanner")


def test_a_scanner_that_is_lost_ends_the_attempt_outputs_off() -> None:
    made = scanned()
    _at_first_reading(made, lambda: setattr(made.link.troubles, "lost_at", made.bench.clock.monotonic()))

    outcome = made.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.cause.startswith("an instrument is lost: the scanner: ")
    assert (outcome.off_verified, made.bench.on()) == (True, False)


@pytest.mark.parametrize(
    "error",
    [LinkError("it is gone", instrument="scanner"), BenchError("scanner: another instrument answers")],
    ids=["nobody answers", "another one answers"],
)
def test_relays_that_cannot_be_opened_at_the_end_are_said_to_be_unknown_and_the_attempt_ends_as_it_would(
    error: BringupError,
) -> None:
    made = scanned()
    broken: Pending[Routed] = Pending(float("inf"))
    broken.fail(error)
    scanner = made.bench.changes["scanner"]
    _at_first_reading(made, lambda: setattr(scanner, "open_all", lambda: broken))

    outcome = made.run()

    assert outcome.result is AttemptResult.PASSED
    assert not made.bench.on()
    assert [text for kind, text, _ in made.bench.record.events if "UNKNOWN state" in text] == [
        f"the scanner's relays are in an UNKNOWN state: {error.message}. Switch it off before touching the board"
    ]


@pytest.mark.parametrize("ends", [KeyboardInterrupt(), LogbookError("the disk is full", "Make room.")])
def test_every_relay_is_open_however_it_ends(ends: BaseException) -> None:
    made = scanned()

    def end() -> None:
        raise ends

    _at_first_reading(made, end)

    assert made.run().result in (AttemptResult.CALLED_OFF, AttemptResult.BROKEN_OFF)
    assert ("close", 102) in made.relays.moved
    assert (made.relays.closed, made.bench.on()) == (set(), False)


def test_on_an_output_that_was_found_on_no_relay_is_tried() -> None:
    made = scanned(of=picked("measure"))
    made.bench.world.set_current_limit(1, 0.4, 0.0)
    made.bench.world.set_voltage(1, 24.0, 0.0)
    made.bench.world.switch(1, True, 0.0)
    before: list[tuple[str, int]] = []
    begin = made.bench.record.begin

    def begun(start: Any) -> str:
        before.extend(made.relays.moved)
        return begin(start)

    made.bench.record.begin = begun  # type: ignore[method-assign]
    made.run()

    assert made.bench.record.started
    assert before == []


def test_what_the_scanner_does_not_reach_is_probed_by_hand_with_every_relay_open() -> None:
    made = scanned(without=("5V0",))
    held: list[tuple[set[int], str | None]] = []
    hand = made.bench.world.hand

    def watched(point: str | None, now: float) -> None:
        held.append((set(made.relays.closed), point))
        hand(point, now)

    made.bench.world.hand = watched  # type: ignore[method-assign]

    assert made.run().result is AttemptResult.PASSED
    assert [point for _, point in held] == ["5V0"]
    assert all(not closed & set(made.relays.wired) for closed, _ in held)
    assert made.asked()[0].startswith("Take the meter's own probes off everything")


def test_free_leads_are_measured_by_hand_though_the_input_is_on_the_map() -> None:
    made = scanned(of=picked("leads"))
    made.bench.record.known = replace(SEEN, leads_seen=frozenset())

    assert made.run().result is AttemptResult.PASSED
    assert made.relays.moved == []


# what is refused before anything is opened


def _scanner(**changes: Any) -> Bench:
    role = ScannerRole("TCPIP0::192.0.2.12::5025::SOCKET", "state-by-channel", {"5V0": 101, "N12V": 102}, rating=60.0)
    return small_bench(probing_by_hand=True, scanner=replace(role, **changes))


def _messages(bench: Bench) -> list[str]:
    return [one.message for one in examine(sound(), bench) if one.refused and "scanner" in one.message]


def test_more_volts_than_the_rating_are_refused_with_the_step_that_applies_them() -> None:
    # 24 V at VIN, which a fault could put on a rail, against -12 V: 36 V between two contacts.
    findings = [one for one in examine(sound(), _scanner(rating=35.0)) if "scanner" in one.message]

    assert [(one.step, one.refused) for one in findings] == [(2, True)]
    assert findings[0].message == (
        "36 V may stand across a contact of the scanner (between VIN and N12V), which is rated for 35 V"
    )
    assert _messages(_scanner(rating=36.0)) == []


def test_stated_ac_counts_by_its_peak() -> None:
    procedure = sound()
    rails = dict(procedure.board.rails)
    rails["5V0"] = replace(rails["5V0"], ac=parse_quantity("25 V", "V"))
    given = replace(procedure, board=replace(procedure.board, rails=rails))

    (found,) = [one.message for one in examine(given, _scanner(rating=45.0)) if "scanner" in one.message]

    # 5.1 V less 25 V * sqrt(2) = 35.36 V is -30.26 V, against the 24 V at VIN: 54.26 V between two contacts.
    assert found.startswith("54.26 V may stand across a contact of the scanner (between VIN and 5V0)")
    assert not [one for one in examine(given, _scanner(rating=55.0)) if "scanner" in one.message]


def test_a_point_that_the_board_does_not_have_is_named_with_its_place_in_the_bench_file() -> None:
    bench = replace(_scanner(channels={"5V1": 101}, places={"5V1": (7, 14)}), path="corner.yaml")

    assert any(text.startswith("corner.yaml:7:14: the scanner's channel map names '5V1'") for text in _messages(bench))


@pytest.mark.parametrize(
    ("lacking", "says"),
    [(("close",), "'close'"), (("open",), "'open' or 'open_all'"), (("channel_state",), "'channel_state' or 'cl")],
)
def test_an_operation_that_is_lacking_is_found_with_the_step_that_needs_it(lacking: tuple[str, ...], says: str) -> None:
    dialect = the_dialect("state-by-channel", ".")
    cut = {name: one for name, one in dialect.operations.items() if name not in lacking}
    bench = replace(_scanner(), dialects={"scanner": replace(dialect, operations=cut)})

    found = list(examine_dialects(procedure(apply(), Measure(("5V0",))), bench))
    assert [(one.step, one.refused) for one in found] == [(1, True)]
    assert found[0].message.startswith(f"`measure` needs {says}")
    assert not list(examine_dialects(procedure(Measure(("VIN",))), bench))


def test_who_holds_a_probe_follows_from_the_map() -> None:
    bench = _scanner()

    assert [bench.probed_by_hand(point) for point in ("5V0", "12V0")] == [False, True]
    assert not replace(bench, probing_by_hand=False).probed_by_hand("12V0")


def test_the_shipped_benches_with_a_scanner_are_in_order() -> None:
    for path in (BESIDE, CARD):
        assert read_any(path).problems == ()
        assert [one for one in examine(the_procedure(FIRST_POWER_ON), the_bench(path)) if one.refused] == []


@both
def test_the_meter_is_in_volts_before_any_relay_closes_on_a_board_under_power(path: Path) -> None:
    made = scanned(path, of=picked("leads", "resistance", "apply", "measure", "power_off"))
    order: list[str] = []
    links = {id(link): link for link in (made.bench.meter_link, made.link)}
    for link in links.values():
        submit = link.submit

        def noted(messages: Any, *rest: Any, _submit: Any = submit, **named: Any) -> Any:
            order.extend(message.text for message in messages)
            return _submit(messages, *rest, **named)

        link.submit = noted  # type: ignore[method-assign]
    made.run()

    told, closed_in = "", []
    for text in order:
        if text.startswith("CONF:") or ("FUNC" in text and "?" not in text):
            told = text
        elif text.startswith("ROUT:CLOS ") and told:
            closed_in.append(told)
    assert any("RES" in text for text in order)
    assert closed_in
    assert all("VOLT" in told for told in closed_in)


def test_the_ohms_of_leads_held_by_hand_are_not_taken_off_what_the_scanner_connects() -> None:
    made = scanned(without=("5V0",), of=doing(Step(0, Resistance(("1V8", "5V0")))))
    made.bench.world._touching._own_ohms = 0.3

    readings = made.run().readings

    ohms = {each.point: each for each in readings if each.kind.value == "resistance" and not each.aspect}
    assert ohms["1V8"].value == pytest.approx(float(ohms["1V8"].raw))
    assert ohms["5V0"].value == pytest.approx(float(ohms["5V0"].raw) - 0.3, abs=0.01)
