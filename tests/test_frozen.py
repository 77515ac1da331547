"""`@frozen` against the frozen dataclass with slots of the standard library, which it stands in for."""

from __future__ import annotations

import pickle
import sys
import threading
from collections.abc import Callable, Iterable
from copy import copy, deepcopy
from dataclasses import KW_ONLY, FrozenInstanceError, InitVar, asdict, dataclass, field, fields, is_dataclass, replace
from typing import Any, ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.frozen import FEW, frozen


@frozen
class Ours:
    """A record of ours."""

    name: str
    value: float | None = None
    parts: tuple[int, ...] = ()
    notes: list[str] = field(default_factory=list, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class Theirs:
    """The same by the standard library."""

    name: str
    value: float | None = None
    parts: tuple[int, ...] = ()
    notes: list[str] = field(default_factory=list, compare=False, repr=False)


@frozen
class Checked:
    """A record that looks at itself when it is made."""

    low: float
    high: float = 10.0

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError("reversed")


@frozen
class Longer(Checked):
    """A record with the fields of another before its own."""

    unit: str = "V"


@frozen
class Nothing:
    """A record without fields."""


@frozen
class One:
    """A record of one field."""

    only: int


@frozen
class Named:
    """A record whose fields are named alike."""

    volts: float
    set_volts: float
    default_volts: float = 3.0
    make: list[float] = field(default_factory=list)
    MISSING: float = 5.0


SOME = st.tuples(
    st.sampled_from(["a", "b"]),
    st.none() | st.floats(allow_nan=False),
    st.lists(st.integers(0, 2), max_size=2).map(tuple),
    st.lists(st.sampled_from(["x", "y"]), max_size=1),
)


@given(SOME, SOME)
def test_it_compares_hashes_and_shows_itself_as_a_dataclass_does(one: Any, other: Any) -> None:
    ours = (Ours(*one), Ours(*other))
    theirs: tuple[Any, Any] = (Theirs(*one), Theirs(*other))

    assert (ours[0] == ours[1]) is (theirs[0] == theirs[1])
    assert hash(ours[0]) == hash(theirs[0])
    assert repr(ours[0]) == repr(theirs[0]).replace("Theirs", "Ours")
    assert ours[0] != theirs[0]
    assert asdict(ours[0]) == asdict(theirs[0])
    assert replace(ours[0], name="c") == Ours("c", *one[1:])


def test_every_record_has_a_default_of_its_own() -> None:
    one, other = Ours("a"), Ours("a")
    one.notes.append("seen")

    assert other.notes == []
    assert one == other
    assert (one.value, one.parts) == (None, ())


@pytest.mark.parametrize("change", [lambda: setattr(Ours("a"), "name", "b"), lambda: delattr(Ours("a"), "name")])
def test_nothing_of_it_can_be_changed(change: Any) -> None:
    with pytest.raises(FrozenInstanceError, match="'name'"):
        change()


def test_nothing_can_be_hung_on_it() -> None:
    assert not hasattr(Ours("a"), "__dict__")
    with pytest.raises(FrozenInstanceError, match="'else_'"):
        setattr(Ours("a"), "else_", 1)  # noqa: B010 - mypy would refuse the plain way


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (((), {}), "missing 1 required positional argument: 'name'"),
        ((("a", 1, (), [], 5), {}), "takes from 2 to 5 positional arguments"),
        ((("a",), {"nmae": 1}), "unexpected keyword argument 'nmae'"),
    ],
    ids=["too few", "too many", "unknown"],
)
def test_wrong_arguments_are_refused_the_first_time_and_always(
    arguments: tuple[Iterable[Any], dict[str, Any]], words: str
) -> None:
    @frozen
    class Fresh:
        """A class of which none has been made yet."""

        name: str
        value: float | None = None
        parts: tuple[int, ...] = ()
        notes: list[str] = field(default_factory=list)

    made: Any = Fresh
    for _ in range(2):
        with pytest.raises(TypeError, match=words):
            made(*arguments[0], **arguments[1])


def test_the_first_records_of_a_class_are_made_as_the_later_ones() -> None:
    @frozen
    class Fresh:
        """A class of which none has been made yet."""

        name: str
        value: float | None = None
        notes: list[str] = field(default_factory=list)

        def __post_init__(self) -> None:
            if not self.name:
                raise ValueError("nameless")

    calls: list[Callable[[], Any]] = [
        lambda: Fresh("a"),
        lambda: Fresh("a", 1.0),
        lambda: Fresh(value=1.0, name="a"),
        lambda: Fresh("a", notes=["x"]),
        lambda: Fresh("a", 1.0, ["x"]),
    ]
    rounds = []
    for _ in range(FEW):
        rounds.append([call() for call in calls])
        with pytest.raises(ValueError, match="nameless"):
            Fresh("")

    assert all(each == rounds[0] for each in rounds)
    assert len({id(record.notes) for each in rounds for record in each}) == FEW * len(calls), "a list of its own each"


@pytest.mark.parametrize("before", range(FEW + 2))
def test_wrong_arguments_are_told_in_the_same_words_however_many_were_made(before: int) -> None:
    @frozen
    class Fresh:
        """A class of which none has been made yet."""

        name: str
        value: float | None = None

    made: Any = Fresh
    for _ in range(before):
        made("a")
    with pytest.raises(TypeError, match="unexpected keyword argument 'nmae'"):
        made("a", value=1.0, nmae=1)
    with pytest.raises(TypeError, match="multiple values for argument 'name'"):
        made("a", name="b")
    assert made("a", 2.0).value == 2.0


def test_it_looks_at_itself_when_it_is_made() -> None:
    assert Checked(1.0).high == 10.0
    wrongs: tuple[Callable[[], Checked], ...] = (
        lambda: Checked(11.0),
        lambda: Longer(11.0),
        lambda: replace(Checked(1.0), high=0.0),
    )
    for wrong in wrongs:
        with pytest.raises(ValueError, match="reversed"):
            wrong()


def test_a_record_of_another_with_more_fields_is_never_equal_to_it() -> None:
    assert [one.name for one in fields(Longer)] == ["low", "high", "unit"]
    assert Longer(1.0, unit="A") == Longer(1.0, 10.0, "A")
    longer: object = Longer(1.0)
    assert Checked(1.0) != longer


def test_records_of_one_field_or_none() -> None:
    assert (One(1) == One(1), One(1) == One(2), hash(One(1)) == hash((1,))) == (True, False, True)
    assert Nothing() == Nothing()
    assert (repr(Nothing()), hash(Nothing())) == ("Nothing()", hash(()))


@pytest.mark.parametrize("record", [Ours("a", 1.5, (1,), ["x"]), Longer(1.0), One(1), Nothing()])
def test_a_copy_and_what_comes_back_from_bytes_is_equal(record: Any) -> None:
    for other in (copy(record), deepcopy(record), pickle.loads(pickle.dumps(record))):  # noqa: S301 - our own bytes
        assert other == record
        assert repr(other) == repr(record)
    assert is_dataclass(record)


def test_it_is_matched_by_its_fields() -> None:
    record: object = Ours("a", 2.0)
    match record:
        case Ours("a", value=float(value)):
            assert value == 2.0
        case _:
            pytest.fail("it did not match")


def test_no_name_of_a_field_gets_in_the_way_of_another() -> None:
    assert asdict(Named(1.0, 2.0)) == {"volts": 1.0, "set_volts": 2.0, "default_volts": 3.0, "make": [], "MISSING": 5.0}


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (
            {"__annotations__": {"a": int}, "a": field(init=False)},
            r"\.a: a field of a @frozen record cannot be init=False",
        ),
        ({"__annotations__": {"a": int}, "a": field(default=1, kw_only=True)}, r"\.a: .* cannot be kw_only"),
        ({"__annotations__": {"_": KW_ONLY, "b": int}}, r"\._: .* nor KW_ONLY"),
        ({"__annotations__": {"a": int, "c": InitVar[int]}}, r"\.c: a @frozen record cannot have an InitVar"),
    ],
    ids=["init=False", "kw_only field", "KW_ONLY", "InitVar"],
)
def test_a_way_of_declaring_that_it_does_not_serve_is_refused_when_the_class_is_made(
    body: dict[str, Any], words: str
) -> None:
    with pytest.raises(TypeError, match=words):
        frozen(type("Odd", (), body))


def test_a_field_that_must_be_given_does_not_stand_behind_one_that_need_not() -> None:
    with pytest.raises(TypeError, match=r"\.b: has no default and stands behind a, which has"):
        frozen(type("Odd", (), {"__annotations__": {"a": int, "b": int}, "a": 1}))


def test_a_default_that_all_records_would_share_is_refused() -> None:
    with pytest.raises(ValueError, match=r"\.a: use a default_factory"):
        frozen(type("Odd", (), {"__annotations__": {"a": list}, "a": []}))


def test_a_constant_of_the_class_is_no_field() -> None:
    @frozen
    class WithConstant:
        """A record with a constant."""

        LEVEL: ClassVar[int] = 3
        name: str = "a"

    assert (repr(WithConstant()).rpartition(".")[2], WithConstant.LEVEL) == ("WithConstant(name='a')", 3)


def test_threads_that_make_the_first_ones_at_once_all_make_whole_ones() -> None:
    names = [f"part_{place}" for place in range(14)]
    wrong: list[str] = []

    def make(kind: type, start: threading.Barrier) -> None:
        start.wait()
        try:
            made = kind(*range(14))
            wrong.extend(name for place, name in enumerate(names) if getattr(made, name) != place)
        except ValueError as error:
            wrong.append(str(error))

    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        for _ in range(500):
            kind: type = frozen(
                type("Record", (), {"__annotations__": dict.fromkeys(names, "int"), "__module__": __name__})
            )
            start = threading.Barrier(3)
            threads = [threading.Thread(target=make, args=(kind, start)) for _ in range(3)]
            for each in threads:
                each.start()
            for each in threads:
                each.join()
    finally:
        sys.setswitchinterval(before)

    assert wrong == []
