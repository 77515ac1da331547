"""The meter over a dialect and a link: when it is set up, what range it takes, and what is no value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from bringup.core.bench import Expected, MeterRole
from bringup.core.dialect import Dialect, Message
from bringup.core.replies import Value
from bringup.errors import BenchError
from bringup.files.dialect_file import find_dialect
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault, Reply
from bringup.runner.roles import Function, Trouble
from bringup.runner.scpi_meter import ScpiMeter
from tests.fake_link import Answer, FakeLink

DIALECT = find_dialect("configure-and-read", ".")
SETUP = ["CONF:VOLT:DC 10", "SYST:ERR?", "VOLT:DC:NPLC 1", "SYST:ERR?"]


class Late(FakeLink):
    """Answers only when it is told to, in order."""

    def __init__(self, answers: dict[str, Answer]) -> None:
        super().__init__(answers)
        self._waiting: list[tuple[Sequence[Message], Pending[tuple[Reply, ...]]]] = []

    def submit(self, messages: Sequence[Message]) -> Pending[tuple[Reply, ...]]:
        pending: Pending[tuple[Reply, ...]] = Pending(1.0)
        self._waiting.append((messages, pending))
        return pending

    def answer(self) -> None:
        while self._waiting:
            messages, pending = self._waiting.pop(0)
            pending.settle(super().submit(messages).value())


def meter(
    answers: dict[str, Answer] | None = None, dialect: Dialect = DIALECT, **options: Any
) -> tuple[ScpiMeter, FakeLink]:
    link = FakeLink({"READ?": "+3.30600000E+00", **(answers or {})})
    return ScpiMeter(MeterRole("TCPIP0::192.0.2.11::5025::SOCKET", dialect.name), dialect, link, **options), link


def read(
    it: ScpiMeter, function: Function = Function.DC_VOLTS, around: float | None = 3.3
) -> tuple[Value, tuple[Trouble, ...]]:
    pending: Pending[tuple[Value, tuple[Trouble, ...]]] = it.read(function, around=around, point="3V3")
    assert pending.done
    return pending.value()


def test_it_is_set_up_once_and_then_only_read() -> None:
    it, link = meter()
    value, troubles = read(it)
    read(it)
    assert link.batches == [[*SETUP, "READ?"], ["READ?"]]
    assert (value.number, value.resolution, troubles) == (3.306, 1e-8, ())


def test_another_function_or_range_is_set_up_anew() -> None:
    it, link = meter()
    read(it)
    read(it, around=12.0)
    read(it, Function.OHMS, None)
    read(it)
    firsts = [batch[0] for batch in link.batches]
    assert firsts == ["CONF:VOLT:DC 10", "CONF:VOLT:DC 100", "CONF:RES DEF", "CONF:VOLT:DC 10"]


@pytest.mark.parametrize(
    ("around", "text"),
    [
        (None, "CONF:VOLT:DC DEF"),
        (0.0, "CONF:VOLT:DC DEF"),
        (0.09, "CONF:VOLT:DC 0.1"),
        (9.0, "CONF:VOLT:DC 10"),
        (9.5, "CONF:VOLT:DC 100"),
        (-12.0, "CONF:VOLT:DC 100"),
        (2000.0, "CONF:VOLT:DC DEF"),
    ],
)
def test_the_range_is_the_smallest_with_headroom_for_what_is_expected(around: float | None, text: str) -> None:
    it, link = meter()
    read(it, around=around)
    assert link.sent[0] == text


def test_the_set_up_is_forgotten_after_a_time_out() -> None:
    it, link = meter({"READ?": ["+1.0", LinkFault.TIMEOUT, "+3.306"]})
    read(it)
    value, troubles = read(it)
    assert (value.number, value.why) == (None, "as scripted")
    assert [(trouble.sent, trouble.fault) for trouble in troubles] == [("READ?", LinkFault.TIMEOUT)]
    assert read(it)[0].number == 3.306
    assert link.batches[2] == [*SETUP, "READ?"]


def test_a_link_dropped_while_idle_costs_a_second_try_with_the_set_up_and_is_told() -> None:
    it, link = meter({"READ?": ["+1.0", LinkFault.LOST, "+3.306"]})
    read(it)
    value, troubles = read(it)
    assert value.number == 3.306
    assert [trouble.fault for trouble in troubles] == [LinkFault.LOST]
    assert link.batches[1:] == [["READ?"], [*SETUP, "READ?"]]


@pytest.mark.parametrize("where", ["SYST:ERR?", "VOLT:DC:NPLC 1"])
def test_a_set_up_that_went_into_a_dropped_link_is_made_again_and_the_reading_taken(where: str) -> None:
    """What only tells looks sent on a dead link: the first question brings the loss."""
    it, link = meter({where: [LinkFault.LOST, '0,"No error"', '0,"No error"']})
    value, troubles = read(it)
    assert value.number == 3.306
    assert [trouble.fault for trouble in troubles] == [LinkFault.LOST]
    assert link.sent.count("CONF:VOLT:DC 10") == 2
    assert link.batches[-1] == [*SETUP, "READ?"], "the reading is that of the second set-up"


def test_a_reading_asked_for_behind_one_whose_link_was_lost_is_taken_anew_with_the_set_up() -> None:
    """It came over the new link, from a meter that nobody had set up: what it says is not taken."""
    link = Late({"READ?": ["+1.0", LinkFault.LOST, "+0.5", "+3.306", "+3.307"]})
    it = ScpiMeter(MeterRole("TCPIP0::192.0.2.11::5025::SOCKET", DIALECT.name), DIALECT, link)
    pending = [it.read(Function.DC_VOLTS, around=3.3) for _ in range(3)]
    link.answer()
    assert [each.value()[0].number for each in pending] == [1.0, 3.306, 3.307]
    assert link.batches == [[*SETUP, "READ?"], ["READ?"], ["READ?"], [*SETUP, "READ?"], ["READ?"]]


def test_a_link_that_stays_lost_gives_no_value_after_two_tries() -> None:
    it, link = meter({"CONF:VOLT:DC 10": LinkFault.LOST})
    value, troubles = read(it)
    assert (value.number, len(troubles), len(link.batches)) == (None, 2, 2)


def test_a_refused_set_up_makes_the_reading_no_value() -> None:
    it, link = meter()
    link.errors = ['-222,"Data out of range"', '0,"No error"']
    value, troubles = read(it)
    assert value.number is None
    assert value.why == "the meter refused CONF:VOLT:DC 10, then VOLT:DC:NPLC 1"
    assert troubles[0].errors[0].code == -222
    read(it)
    assert "CONF:VOLT:DC 10" in link.batches[-1], "what was refused is not taken for set up"


def test_a_set_up_that_is_refused_at_once_makes_the_reading_no_value_and_is_not_relied_on() -> None:
    it, link = meter({"CONF:VOLT:DC 10": LinkFault.REFUSED})
    value, troubles = read(it)
    assert (value.number, value.why) == (None, "the meter refused CONF:VOLT:DC 10")
    assert [trouble.fault for trouble in troubles] == [LinkFault.REFUSED]
    read(it)
    assert link.batches == [["CONF:VOLT:DC 10"]] * 2


@pytest.mark.parametrize(("line", "sign"), [("+9.90000000E+37", 1), ("-9.9E37", -1)])
def test_over_range_is_no_number(line: str, sign: int) -> None:
    it, _ = meter({"READ?": line})
    value, _ = read(it)
    assert (value.number, value.over_range) == (None, sign)


@pytest.mark.parametrize("line", ["9.91E37", "", "garbage", "3.306 V"])
def test_what_is_no_number_is_no_value(line: str) -> None:
    it, _ = meter({"READ?": line})
    value, _ = read(it)
    assert (value.number, value.over_range) == (None, 0)
    assert value.why


def test_a_reading_may_take_its_integration_time_longer() -> None:
    it, link = meter(nplc=10)
    read(it)
    assert link.timeouts["READ?"] == pytest.approx(DIALECT.timeout + 4 * 10 / 50)
    assert "VOLT:DC:NPLC 10" in link.sent


def test_a_function_the_dialect_has_no_word_for_is_no_value_and_nothing_is_sent() -> None:
    it, link = meter(dialect=replace(DIALECT, functions={"dc volts": "VOLT:DC"}))
    value, troubles = read(it, Function.DC_AMPS)
    assert value.why == "the dialect configure-and-read has no word for dc amps"
    assert troubles[0].text == value.why
    assert link.sent == []


def test_stray_lines_are_told_and_not_taken() -> None:
    it, link = meter()
    link.strays = {"READ?": ("*5",)}
    value, troubles = read(it)
    assert value.number == 3.306
    assert troubles[0].strays == ("*5",)


def test_attaching_compares_the_identity_and_changes_nothing() -> None:
    it, link = meter()
    link.errors = ["-410,Query INTERRUPTED"]
    assert [error.code for error in it.attach().value().old_errors] == [-410]
    assert set(link.sent) == {"*IDN?", "SYST:ERR?"}
    other = ScpiMeter(MeterRole("X", "d", expected=Expected(model="ELSE")), DIALECT, link)
    with pytest.raises(BenchError, match="expects model 'ELSE', but 'MODEL' answers"):
        other.attach().value()
