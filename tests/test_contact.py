"""What successive readings say of a probe held by hand: laws that hold for any course, and the cases by name."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.core.contact import HELD_FOR, OPEN_BELOW, Contact, Sought, Standing, Touch, Why, alike
from bringup.core.limits import Limits, parse_limits
from bringup.core.replies import Value

EVERY = 0.04
"""Seconds between two readings."""
RAILS = {name: parse_limits(text, "V") for name, text in {"5V0": "5 V ± 2 %", "12V0": "12 V ± 3 %"}.items()}


def seek(
    limits: str | None = "3.3 V ± 2 %",
    *,
    others: dict[str, Limits] | None = None,
    known: dict[str, float] | None = None,
    last: tuple[str, float] | None = ("12V0", 12.0),
) -> Sought:
    wanted = None if limits is None else parse_limits(limits, "V")
    return Sought("3V3", wanted, RAILS if others is None else others, known or {}, last)


def value(number: float | None) -> Value:
    return Value(number, repr(number), 1e-5)


def feed(sought: Sought, readings: Sequence[float | None]) -> list[Contact]:
    touch = Touch(sought)
    return [touch.feed(place * EVERY, value(number)) for place, number in enumerate(readings)]


def level(volts: float, seconds: float = 0.2) -> list[float]:
    return [volts] * round(seconds / EVERY)


def standings(sought: Sought, readings: Sequence[float | None]) -> list[Standing]:
    return [contact.standing for contact in feed(sought, readings)]


LIFT = level(12.0, 0.4) + level(0.001, 0.4)

volts = st.one_of(
    st.sampled_from([0.0, 0.002, -0.05, 3.3, 3.29, 3.36, 3.37, 5.0, 5.05, 12.0, 12.02, 24.0, -3.3, 1.8]),
    st.floats(-30.0, 30.0),
)
segments = st.lists(
    st.tuples(st.none() | volts, st.integers(1, 60), st.sampled_from([0.0, 1e-5, 1e-3, 0.2])), max_size=8
)
seeks = st.sampled_from(
    [
        seek(),
        seek(last=None),
        seek(last=("3V3", 3.3)),
        seek(last=("5V0", 3.31)),
        seek(last=("GND", 0.0)),
        seek("< 50 mV"),
        seek("> 3 V"),
        seek(None),
        seek("0 V .. 6 V"),
        seek(known={"1V8": 3.301}),
        seek(others={**RAILS, "3V3A": parse_limits("3.3 V ± 5 %", "V")}),
    ]
)


def course(parts: Sequence[tuple[float | None, int, float]]) -> list[float | None]:
    """Levels with a ripple that goes to and fro."""
    return [
        None if number is None else number + spread * (-1) ** place
        for number, count, spread in parts
        for place in range(count)
    ]


@settings(max_examples=30, deadline=None)
@given(seeks, segments)
def test_what_is_taken_by_itself_was_at_rest_within_its_limits_like_nothing_else_and_lifted(
    sought: Sought, parts: list[tuple[float | None, int, float]]
) -> None:
    readings = course(parts)
    for place, contact in enumerate(feed(sought, readings)):
        if contact.standing is not Standing.TAKEN:
            continue
        latest = readings[place - 2 : place + 1]
        assert len(latest) == 3
        assert contact.value is not None
        numbers = [number for number in latest if number is not None]
        assert len(numbers) == 3
        assert contact.value.number == numbers[-1]
        assert max(numbers) - min(numbers) <= max(0.01, 0.02 * abs(numbers[-1])) * 2
        assert sought.limits is not None
        assert sought.limits.accepts(numbers[-1])
        assert abs(numbers[-1]) > OPEN_BELOW
        assert not [name for name, limits in sought.others.items() if limits.accepts(numbers[-1])]
        assert not [name for name, read in sought.known.items() if alike(read, numbers[-1])]
        if sought.last is not None and sought.last[0] != sought.point:
            assert not alike(sought.last[1], numbers[-1])
            near_zero = abs(sought.last[1]) <= OPEN_BELOW
            assert near_zero or any(number is not None and abs(number) <= OPEN_BELOW for number in readings[:place])


@settings(max_examples=30, deadline=None)
@given(seeks, segments)
def test_what_a_key_may_take_has_a_number_and_a_reason(
    sought: Sought, parts: list[tuple[float | None, int, float]]
) -> None:
    readings = course(parts)
    for number, contact in zip(readings, feed(sought, readings), strict=True):
        if number is None:
            assert contact.standing is Standing.NO_VALUE
        if contact.by_key:
            assert contact.value is not None
            assert contact.value.number == number
            assert contact.why


@settings(max_examples=20, deadline=None)
@given(seeks, segments, st.floats(0.0, 1e5))
def test_when_it_happened_changes_nothing(
    sought: Sought, parts: list[tuple[float | None, int, float]], later: float
) -> None:
    readings = course(parts)
    at_once, shifted = Touch(sought), Touch(sought)
    for place, number in enumerate(readings):
        # Quarters of seconds: what is added to them is exact enough for no threshold to be missed.
        first = at_once.feed(place * 0.25, value(number))
        assert shifted.feed(round(later) + place * 0.25, value(number)).standing is first.standing


def test_a_point_is_taken_at_the_third_reading_after_the_probe_came_to_rest() -> None:
    assert standings(seek(), [*LIFT, 1.1, 3.3, 3.3, 3.3])[-4:] == [Standing.COMING] * 3 + [Standing.TAKEN]


def test_a_probe_that_stays_on_the_last_point_is_waited_for() -> None:
    assert standings(seek(), level(12.0, 30.0))[-1] is Standing.NOT_LIFTED


def test_a_loose_contact_on_the_right_point_is_not_taken_before_it_holds() -> None:
    loose = [3.3, 0.4, 3.3, 3.3, 1.2] * 20

    assert Standing.TAKEN not in standings(seek(), [*LIFT, *loose])


def test_another_rails_volts_are_offered_after_two_seconds_with_its_name() -> None:
    found = feed(seek(), [*LIFT, *level(5.01, HELD_FOR + 0.4)])

    assert found[-1].standing is Standing.OFFERED
    assert found[-1].like == ("5V0",)
    assert found[-1].why == (Why.OUTSIDE, Why.ALIKE)
    assert found[len(LIFT) + 20].standing is Standing.UNLIKELY


def test_two_rails_alike_take_a_key() -> None:
    twins = seek(others={"3V3A": parse_limits("3.3 V ± 5 %", "V")})

    found = feed(twins, [*LIFT, *level(3.3)])[-1]

    assert (found.standing, found.why, found.like) == (Standing.ASKED, (Why.ALIKE,), ("3V3A",))


def test_what_another_point_was_read_to_be_counts_whatever_its_limits_say() -> None:
    found = feed(seek(known={"1V8": 3.305}), [*LIFT, *level(3.3)])[-1]

    assert (found.standing, found.like) == (Standing.ASKED, ("1V8",))


def test_zero_volts_expected_take_a_key() -> None:
    assert feed(seek("< 50 mV"), [*LIFT, *level(0.0, 0.4)])[-1].standing is Standing.ASKED


def test_volts_without_limits_or_with_one_end_only_take_a_key() -> None:
    assert feed(seek(None), [*LIFT, *level(3.3)])[-1].standing is Standing.ASKED
    assert feed(seek("> 3 V"), [*LIFT, *level(3.3)])[-1].why == (Why.NO_LIMITS,)


def test_a_point_that_never_comes_to_rest_is_offered_with_its_extent() -> None:
    found = feed(seek(), [*LIFT, *[3.1, 3.5] * 80])[-1]

    assert (found.standing, found.why, found.spread) == (Standing.OFFERED, (Why.UNSTEADY,), (3.1, 3.5))


HICCUP = [0.15, *level(0.0, 0.5)] * 15


def test_a_rail_that_tries_to_start_again_and_again_is_offered_near_zero_and_at_its_peaks() -> None:
    found = feed(seek(), [*LIFT, *HICCUP])

    assert found[-1].standing is Standing.OFFERED
    assert found[-1].why == (Why.UNSTEADY, Why.NEAR_ZERO)
    assert found[-1].spread == (0.0, 0.15)
    assert {each.standing for each in found[-30:]} == {Standing.OFFERED}, "so that a key finds it offered"
    assert found[len(LIFT) + 60].standing in (Standing.OPEN, Standing.COMING), "not before five seconds"


def test_kicks_that_are_too_small_to_be_told_from_an_open_probe_are_offered_as_well() -> None:
    assert feed(seek(), [*LIFT, *[0.08, *level(0.0, 0.5)] * 15])[-1].standing is Standing.OFFERED


def test_the_way_from_an_open_probe_to_its_point_is_not_offered() -> None:
    found = standings(seek(), [*level(0.0, 10.0), *[0.03, 0.0] * 80, 1.1, 2.2, 3.3, 3.3, 3.3])

    assert found[-5:] == [*[Standing.COMING] * 4, Standing.TAKEN]


def test_a_probe_that_slides_from_a_node_with_nearly_the_same_volts_has_to_come_to_rest_anew() -> None:
    sought = Sought("VIN", parse_limits("18 V .. 30 V", "V"), RAILS, {}, ("3V3", 3.3), due=24.0)
    lifted = [*level(3.3), *level(0.001, 0.4)]

    found = standings(sought, [*lifted, *level(23.4, 1.0), 23.566, *level(24.0)])

    on_the_other = round(1.0 / EVERY)
    assert found[len(lifted) + on_the_other - 1] is Standing.ASKED
    assert found[len(lifted) + on_the_other :][:4] == [*[Standing.COMING] * 3, Standing.TAKEN]


def test_the_same_point_again_need_not_be_lifted() -> None:
    assert standings(seek(last=("3V3", 3.3)), level(3.3))[-1] is Standing.TAKEN
