"""The decorator of every record: a frozen dataclass with slots that costs nothing until one is made.

`@frozen` gives what `@dataclass(frozen=True, slots=True)` gives. That one writes and compiles six methods for each
class, half a millisecond each time, and a start of `bringup run` meets a hundred classes. Here the methods that only
read the fields are shared, `__init__`, which has to be quick where records are many, is compiled when one more than a
FEW records of a class are made, and the fields are gathered without the search for every other way to declare one.
Of those, `init=False`, `kw_only` and `InitVar` are refused: no record needs them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, Field, FrozenInstanceError, dataclass, field, fields
from operator import attrgetter
from typing import Any, NoReturn, TypeVar, dataclass_transform

T = TypeVar("T")

FEW = 16
"""Records of a class that are filled field by field; compiling takes as long as some twenty of them."""


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def frozen(cls: type[T]) -> type[T]:
    """Make the class a frozen dataclass with slots: compared by its fields, hashable, with a constructor.

    Raises TypeError for a field with `init=False` or `kw_only`, for an `InitVar`, and for a field without a
    default behind one with; ValueError for a default that all records would share and could change.
    """
    inherited = _inherited(cls)
    own = _own(cls)
    by_name = {**inherited, **own}
    known = tuple(by_name.values())
    _refuse_what_is_not_served(cls, known)
    made: Any = _with_slots(cls, by_name, tuple(name for name in own if name not in inherited))
    compared = _reader([one.name for one in known if one.compare])

    left = FEW
    setters: tuple[Callable[[object, object], None], ...] = ()

    def first(self: object, *arguments: object, **named: object) -> None:
        nonlocal left, setters
        left -= 1
        values = _values(known, arguments, named) if left >= 0 else None
        if values is None:
            made.__init__ = _initializer(made, known)
            made.__init__(self, *arguments, **named)
            return
        if not setters:  # whole or not at all: another thread may make its first one right now
            setters = tuple(getattr(made, one.name).__set__ for one in known)
        for put, value in zip(setters, values, strict=True):
            put(self, value)
        if hasattr(made, "__post_init__"):
            made.__post_init__(self)

    def equal(self: object, other: object) -> bool:
        return compared(self) == compared(other) if other.__class__ is self.__class__ else NotImplemented

    made.__init__ = first
    made.__eq__ = equal
    made.__hash__ = lambda self: hash(compared(self))
    made.__getstate__ = _state
    made.__setstate__ = _restore
    made.__setattr__ = _refuse_to_assign
    made.__delattr__ = _refuse_to_delete
    if "__repr__" not in cls.__dict__:
        made.__repr__ = _show
    result: type[T] = made
    return result


@dataclass(init=False, repr=False, eq=False)
class _Plain:
    """What the standard library makes of one plain field: the marks by which its functions know fields and records."""

    one: int


_MARK: Any = _Plain
_PLAIN: Any = fields(_Plain)[0]


def _inherited(cls: type) -> dict[str, Field[Any]]:
    """Return the fields of the records that it extends, the first one's first."""
    found: dict[str, Field[Any]] = {}
    for base in cls.__mro__[-1:0:-1]:
        found.update(base.__dict__.get("__dataclass_fields__", {}))
    return found


def _own(cls: type) -> dict[str, Field[Any]]:
    """Return the fields declared in the class itself, in order."""
    found: dict[str, Field[Any]] = {}
    for name, kind in cls.__annotations__.items():
        said = kind if isinstance(kind, str) else repr(kind)
        if "ClassVar" in said:
            continue
        if "InitVar" in said or "KW_ONLY" in said:
            raise TypeError(f"{cls.__qualname__}.{name}: a @frozen record cannot have an InitVar, nor KW_ONLY")
        default = cls.__dict__.get(name, MISSING)
        one: Field[Any] = default if isinstance(default, Field) else field(default=default)
        one.name, one.type = name, kind
        one._field_type = _PLAIN._field_type  # type: ignore[attr-defined]  # noqa: SLF001 - fields() looks at it
        if one.kw_only is MISSING:
            one.kw_only = False
        if one.default is not MISSING and one.default.__class__.__hash__ is None:
            raise ValueError(f"{cls.__qualname__}.{name}: use a default_factory, or all records share one value")
        found[name] = one
    return found


def _with_slots(cls: type, known: dict[str, Field[Any]], slots: tuple[str, ...]) -> type:
    """Return the class anew: with slots, marked as a dataclass."""
    body = {name: value for name, value in cls.__dict__.items() if name not in known}
    body.pop("__dict__", None)
    body.pop("__weakref__", None)
    body["__slots__"] = slots
    body["__dataclass_fields__"] = known
    body["__dataclass_params__"] = _MARK.__dataclass_params__
    body["__match_args__"] = tuple(known)
    made = type(cls)(cls.__name__, cls.__bases__, body)
    made.__qualname__ = cls.__qualname__
    return made


def _refuse_what_is_not_served(cls: type, known: tuple[Field[Any], ...]) -> None:
    """Raise TypeError for a field that the constructor made here would treat as an ordinary one, or forget."""
    optional = ""
    for one in known:
        if not one.init or one.kw_only:
            how = "kw_only" if one.init else "init=False"
            raise TypeError(f"{cls.__qualname__}.{one.name}: a field of a @frozen record cannot be {how}")
        if one.default is not MISSING or one.default_factory is not MISSING:
            optional = one.name
        elif optional:
            raise TypeError(f"{cls.__qualname__}.{one.name}: has no default and stands behind {optional}, which has")


def _reader(names: list[str]) -> Callable[[object], tuple[object, ...]]:
    """Return a function from a record to the values of these fields, always as a tuple."""
    if not names:
        return lambda _: ()
    get = attrgetter(*names)
    return get if len(names) > 1 else lambda self: (get(self),)


def _values(
    known: tuple[Field[Any], ...], arguments: tuple[object, ...], named: dict[str, object]
) -> list[object] | None:
    """Return the value of every field; None for wrong arguments: the compiled constructor finds the words for them."""
    if len(arguments) > len(known):
        return None
    values, used = list(arguments), 0
    for one in known[len(arguments) :]:
        if one.name in named:
            values.append(named[one.name])
            used += 1
        elif one.default is not MISSING:
            values.append(one.default)
        elif one.default_factory is not MISSING:
            values.append(one.default_factory())
        else:
            return None
    return values if used == len(named) else None


def _initializer(made: type, known: tuple[Field[Any], ...]) -> Callable[..., None]:
    """Compile `__init__`: each field is set through its slot, which the class's own `__setattr__` does not see."""
    # Numbered, so that no field has the name of one of them: `set_volts` can be a field, and `volts` another.
    scope: dict[str, object] = {"_missing": MISSING}
    parameters, lines = ["self"], []
    for number, one in enumerate(known):
        value, default = one.name, ""
        scope[f"_set{number}"] = getattr(made, one.name).__set__
        if one.default is not MISSING:
            scope[f"_default{number}"] = one.default
            default = f"=_default{number}"
        elif one.default_factory is not MISSING:
            scope[f"_make{number}"] = one.default_factory
            value, default = f"_make{number}() if {one.name} is _missing else {one.name}", "=_missing"
        parameters.append(one.name + default)
        lines.append(f"  _set{number}(self, {value})")
    if hasattr(made, "__post_init__"):
        lines.append("  self.__post_init__()")
    exec(f"def __init__({', '.join(parameters)}):\n" + "\n".join(lines or ["  pass"]), scope)  # noqa: S102 - our own fields
    initialize: Any = scope["__init__"]
    initialize.__qualname__ = f"{made.__qualname__}.__init__"
    result: Callable[..., None] = initialize
    return result


def _state(self: Any) -> tuple[object, ...]:
    return tuple(getattr(self, one.name) for one in fields(self))


def _restore(self: Any, state: tuple[object, ...]) -> None:
    for one, value in zip(fields(self), state, strict=True):
        object.__setattr__(self, one.name, value)


def _show(self: Any) -> str:
    shown = (f"{one.name}={getattr(self, one.name)!r}" for one in fields(self) if one.repr)
    return f"{self.__class__.__qualname__}({', '.join(shown)})"


def _refuse_to_assign(self: object, name: str, value: object) -> NoReturn:
    del self, value
    raise FrozenInstanceError(f"cannot assign to field {name!r}")


def _refuse_to_delete(self: object, name: str) -> NoReturn:
    del self
    raise FrozenInstanceError(f"cannot delete field {name!r}")
