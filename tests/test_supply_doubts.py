"""Where a supply's style makes it doubtful what an output is: general switches, trips told once, registers, models."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bringup.core.bench import SupplyRole
from bringup.core.dialect import Dialect
from bringup.errors import BenchError
from bringup.files.dialect_file import find_dialect
from bringup.instruments.opening import result, wire_of
from bringup.runner.records import LinkFault
from bringup.runner.roles import Protection
from bringup.runner.scpi_supply import ScpiSupply
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.memory_link import MemoryLink
from bringup.simulation.style import Asked, Style, Told
from bringup.simulation.styled_supply import StyledSupply
from bringup.simulation.supply_levels import Rating
from tests.fake_instrument import FakeWorld
from tests.fake_link import Answer, FakeLink
from tests.link_helpers import WIRE, linked
from tests.scripted_server import IDENTITY, ScriptedServer
from tests.test_supply_styles import Bench, attached, make

MASTER = replace(find_dialect("select-and-master", "."), outputs=3, variants=())


def scripted(
    dialect: Dialect, answers: dict[str, Answer], identity: str = "MAKER,MODEL,SN1,1.0", **role: Any
) -> tuple[ScpiSupply, FakeLink]:
    link = FakeLink(answers, identity)
    return ScpiSupply(SupplyRole(None, dialect.name, **{"outputs": {"VIN": 1}, **role}), dialect, link), link


def test_before_the_general_switch_goes_on_every_other_output_is_off_and_verified() -> None:
    it, link = scripted(MASTER, {"INST:NSEL?": ["2", "3", "1", "1"], "OUTP:SEL?": ["0", "0", "1"], "OUTP:GEN?": "1"})
    done = it.switch(1, True).value()

    told = [text for text in link.sent if "?" not in text]
    assert told == [
        *("INST:NSEL 2", "OUTP:SEL OFF", "INST:NSEL 3", "OUTP:SEL OFF"),
        *("INST:NSEL 1", "OUTP:SEL ON", "INST:NSEL 1", "OUTP:GEN ON"),
    ]
    assert (done.on, done.faultless) == (True, True), done


def test_an_output_that_stays_on_keeps_the_general_switch_off() -> None:
    it, link = scripted(MASTER, {"INST:NSEL?": "2", "OUTP:SEL?": "1"})
    done = it.switch(1, True).value()

    assert not done.faultless
    assert "output 2 was to be off before power comes on, and the supply says that it is on" in done.troubles[0].text
    assert "OUTP:GEN ON" not in link.sent
    assert "OUTP:SEL ON" not in link.sent


@pytest.mark.parametrize(
    ("own", "general", "on"), [("1", "1", True), ("1", "0", False), ("0", "1", False), ("1", "?", None)]
)
def test_power_is_there_only_when_both_switches_are_on(own: str, general: str, on: bool | None) -> None:
    it, _ = scripted(MASTER, {"OUTP:SEL?": own, "OUTP:GEN?": general})

    assert it.poll(1).value().on is on
    assert it.settings(1).value().on is on


@pytest.mark.parametrize(
    ("own", "general", "on"), [("0", "0", False), ("1", "0", True), ("0", "1", True), ("?", "0", None)]
)
def test_off_is_both_switches_off_and_said_by_both(own: str, general: str, on: bool | None) -> None:
    it, link = scripted(MASTER, {"OUTP:SEL?": own, "OUTP:GEN?": general})

    assert it.switch(1, False).value().on is on
    assert it.all_off().value().on is on
    assert link.sent[0] == "OUTP:GEN OFF"


def test_an_output_that_is_to_be_left_alone_rules_out_a_general_switch() -> None:
    with pytest.raises(BenchError, match="outputs 3 left alone, but with the dialect select-and-master one switch"):
        scripted(MASTER, {}, leave_alone=(3,))


def test_one_message_for_all_outputs_is_not_used_where_one_is_to_be_left_alone() -> None:
    letters = find_dialect("letter-and-number", ".")
    it, link = scripted(letters, {"OP1?": "0", "EER?": "0", "QER?": "0"}, leave_alone=(2,))

    assert it.all_off().value().on is False
    assert link.sent == ["OP1 0", "EER?", "QER?", "OP1?"]
    refused = it.clear_trip(1).value()
    assert not refused.faultless
    assert "also of those to be left alone" in refused.troubles[0].text
    assert "TRIPRST" not in link.sent


def test_two_registers_are_asked_for_errors_until_both_are_clear() -> None:
    letters = find_dialect("letter-and-number", ".")
    it, link = scripted(letters, {"EER?": ["100", "0"], "QER?": ["1", "0"], "V1?": "V1 5.000"})
    done = it.set_voltage(1, 99.0).value()

    assert [error.code for error in done.troubles[0].errors] == [100, 1]
    assert link.batches == [["V1 99.000", "EER?", "QER?", "V1?"], ["EER?", "QER?"]]


def test_what_attaching_cleared_is_kept_and_the_trip_remembered() -> None:
    bench = attached("letter-and-number")
    bench.done(bench.supply.set_protection(1, Protection.OVER_VOLTAGE, 6.0))
    bench.done(bench.supply.set_voltage(1, 12.0))
    bench.done(bench.supply.switch(1, True))

    letters = find_dialect("letter-and-number", ".")
    again = ScpiSupply(SupplyRole(None, letters.name, {"VIN": 1}), letters, bench.link)
    found = bench.done(again.attach())
    assert [trouble.sent for trouble in found.troubles] == ["LSR1?"]
    assert found.troubles[0].text.endswith("(over-voltage has tripped)")
    assert bench.done(again.poll(1)).tripped == "over-voltage"


def test_the_alarms_of_one_whose_error_queue_clears_them_are_asked_first() -> None:
    bench = attached("lock-first")
    sent = bench.link.sent

    assert sent.index("STAT:QUES:COND?") < sent.index("SYST:ERR?")
    before = len(sent)
    bench.done(bench.supply.set_voltage(1, 5.0))
    assert sent[before:] == ["VOLT 5.00", "STAT:QUES:COND?", "SYST:ERR?", "VOLT?"]


def test_without_its_lock_nothing_is_set() -> None:
    world, clock = FakeWorld(), SimulatedClock()
    dialect = replace(find_dialect("lock-first", "."), opening={})
    bench = make("lock-first")
    link = MemoryLink("unlocked", bench.link._instrument, clock, dialect=dialect)
    it = ScpiSupply(SupplyRole(None, dialect.name, {"VIN": 1}), dialect, link)
    done = Bench("unlocked", world, clock, link, it).done(it.set_voltage(1, 5.0))

    assert not done.faultless
    assert bench.world.outputs[1].volts == 0.0


def test_an_addressed_line_hears_nobody_else() -> None:
    dialect = find_dialect("addressed-line", ".")
    bench = make("addressed-line")
    link = MemoryLink("elsewhere", bench.link._instrument, bench.clock, dialect=dialect, address=7)
    it = ScpiSupply(SupplyRole(None, dialect.name, {"VIN": 1}), dialect, link)

    with pytest.raises(BenchError, match="does not answer"):
        Bench("elsewhere", bench.world, bench.clock, link, it).done(it.attach())


def test_errors_that_mean_nothing_are_noted_and_no_fault() -> None:
    one = find_dialect("single-output", ".")
    setting = replace(one.operations["set_voltage"], ignore_errors=(-103,))
    it, link = scripted(replace(one, operations={**one.operations, "set_voltage": setting}), {"VOLT?": "5"})
    link.errors = ["-103,Invalid separator"]
    done = it.set_voltage(1, 5.0).value()

    assert done.faultless
    assert "means nothing here, as the dialect says" in done.troubles[0].text
    link.errors = ["-222,Data out of range"]
    assert not it.set_voltage(1, 5.0).value().faultless


def test_an_output_that_this_model_has_not_is_refused_on_attaching() -> None:
    dialect = find_dialect("select-and-master", ".")
    it, link = scripted(dialect, {}, "ROHDE&SCHWARZ,HMP2020,1,1", outputs={"VIN": 3})

    with pytest.raises(BenchError, match="speaks of output 3 of the supply, which has 2"):
        it.attach().value()
    assert all("?" in text for text in link.sent)


def test_the_model_that_answers_decides_what_is_sent() -> None:
    dialect = find_dialect("select-and-master", ".")
    it, link = scripted(dialect, {"OUTP:CHAN?": "0", "OUTP:MAST?": "0"}, "ROHDE&SCHWARZ,HMC8043,1,1")

    assert it.all_off().value().on is False
    assert next(text for text in link.sent if "?" not in text) == "OUTP:MAST OFF"
    assert "OUTP:CHAN OFF" in link.sent


OWN = """
dialect: mine
role: supply
outputs: 2
acknowledge: DONE
operations:
  identify: {query: '*IDN?', reply: identity}
  set_voltage: {send: 'U{output}={value:06.3f}', query: 'U{output}=?', pattern: 'U[12]=(.*) volts'}
  set_current_limit: {send: 'J{output}={value:.3f}', query: 'J{output}=?'}
  switch: {send: 'K{output}{on}', spelt: {on: '1', off: '0'}, query: 'W?', reply: bits from 0,
           words: {bit 0 of output 1: on, bit 1 of output 2: on}, else: off}
  measure_voltage: {query: 'M{output}?', reply: numbers, field: 0}
  measure_current: {query: 'M{output}?', reply: numbers, field: 1}
  mode: none
"""


def test_a_dialect_of_ones_own_takes_one_file_and_no_code(tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text(OWN.lstrip(), encoding="utf-8")
    dialect = find_dialect("mine", tmp_path / "bench.yaml")
    style = Style(
        "mine",
        "SUPPLY-OWN",
        {1: Rating(36.0, 3.0), 2: Rating(36.0, 3.0)},
        (Told("U{n}={x}", "volts"), Told("J{n}={x}", "amps"), Told("K{n}{b}", "switch")),
        (
            Asked("U{n}=?", "volts", "U{n}={:.3f} volts"),
            Asked("J{n}=?", "amps", "{:.3f}"),
            Asked("M{n}?", "measured both", lambda value: "{:.3f},{:.3f}".format(*value)),  # type: ignore[misc]
            Asked("W?", "states", lambda value: "".join(str(int(each[0])) for each in value.values())),  # type: ignore[attr-defined]
        ),
        acknowledge="DONE",
    )
    world, clock = FakeWorld(), SimulatedClock()
    link = MemoryLink("own", StyledSupply(world, style, pace=0.0), clock, dialect=dialect)
    supply = ScpiSupply(SupplyRole(None, "mine", {"A": 1, "B": 2}), dialect, link)
    bench = Bench("own", world, clock, link, supply)

    bench.done(supply.attach())
    assert bench.done(supply.set_voltage(2, 5.0)).readback == 5.0
    assert bench.done(supply.switch(2, True)).on is True
    sample = bench.done(supply.poll(2))
    assert (sample.on, sample.mode) == (True, None)
    assert sample.volts == pytest.approx(5.0, abs=0.01)
    assert bench.done(supply.poll(1)).on is False
    assert bench.done(supply.all_off()).on is False
    assert "U2=05.000" in link.sent


ACKNOWLEDGING = replace(find_dialect("number-in-keyword", "."), acknowledge="OK", outputs=3)


@pytest.mark.parametrize("dialect", [ACKNOWLEDGING, replace(ACKNOWLEDGING, acknowledge="", echo="lines")])
def test_an_output_that_refuses_its_off_keeps_no_other_one_from_being_told(dialect: Dialect) -> None:
    answers: dict[str, Answer] = {"OUTP1 OFF": LinkFault.REFUSED, "OUTP1?": "1", "OUTP2?": "0", "OUTP3?": "0"}
    it, link = scripted(dialect, answers, outputs={"A": 1, "B": 2, "C": 3})
    done = it.all_off().value()

    assert link.batches[:2] == [["OUTP1 OFF"], ["OUTP2 OFF"]]
    assert link.batches[2][0] == "OUTP3 OFF"
    assert done.on is True


def test_a_supply_that_acknowledges_nothing_is_told_all_at_once() -> None:
    dialect = replace(ACKNOWLEDGING, acknowledge="")
    it, link = scripted(dialect, {}, outputs={"A": 1, "B": 2})
    it.all_off()

    assert link.batches[0][:2] == ["OUTP1 OFF", "OUTP2 OFF"]


def test_on_the_wire_the_second_output_goes_off_though_the_first_refuses() -> None:
    state = {1: "1", 2: "1"}

    def script(_connection: int, line: str) -> bytes:
        if line == "OUTP2 OFF":
            state[2] = "0"
        words = {"*IDN?": IDENTITY, "OUTP1 OFF": b"E07\n", "SYST:ERR?": b"0\n"}
        asked = {f"OUTP{number}?": f"{on}\n".encode() for number, on in state.items()}
        return {**words, **asked}.get(line, b"OK\n")

    wire = replace(wire_of(ACKNOWLEDGING), identify=WIRE.identify, gap=0.0)
    with ScriptedServer(script) as server, linked(server.resource, wire) as link:
        supply = ScpiSupply(SupplyRole(None, "", {"A": 1, "B": 2}), ACKNOWLEDGING, link)
        done = result(supply.all_off())
    assert state == {1: "1", 2: "0"}
    assert done.on is True
    assert "E07" in done.troubles[0].text
