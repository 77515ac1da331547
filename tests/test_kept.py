"""What was found out about a record is kept for that very record."""

from __future__ import annotations

from collections.abc import Callable

from bringup.core.frozen import frozen
from bringup.core.kept import MOST, kept


@frozen
class Parcel:
    things: dict[str, int]


def counted(asked: list[tuple[Parcel, int]]) -> Callable[[Parcel, int], int]:
    @kept
    def find(parcel: Parcel, factor: int) -> int:
        asked.append((parcel, factor))
        return factor * sum(parcel.things.values())

    return find


def test_the_same_question_about_the_same_record_is_worked_out_once() -> None:
    asked: list[tuple[Parcel, int]] = []
    find, parcel = counted(asked), Parcel({"bolts": 3})

    assert [find(parcel, 2), find(parcel, 2), find(parcel, 3)] == [6, 6, 9]
    assert [factor for _, factor in asked] == [2, 3]


def test_an_equal_record_is_another_one() -> None:
    asked: list[tuple[Parcel, int]] = []
    find = counted(asked)

    assert [find(Parcel({"bolts": number}), 1) for number in (3, 3, 4)] == [3, 3, 4]
    assert len(asked) == 3


def test_no_more_is_kept_than_that_many() -> None:
    asked: list[tuple[Parcel, int]] = []
    find, first = counted(asked), Parcel({"bolts": 0})
    find(first, 1)
    others = [Parcel({"bolts": number}) for number in range(MOST)]

    assert [find(each, 1) for each in others] == list(range(MOST))
    assert find(first, 1) == 0
    assert len(asked) == MOST + 2
