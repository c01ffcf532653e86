"""Frozen, checked settings that cost little to define: a start on the brick builds a hundred of them.

    @settings
    class Follow:
        speed_m_s: float = number(0.2, 0.03, 1.0)
        votes: int = whole(3, 1, 20)

Rules: keyword or positional arguments in the order of the fields; every value is checked when an instance is built;
an instance never changes, `replaced` makes another. A class of the attrs library does the same and may be used as
well; at 0.4 million instructions a field on a 32-bit ARM it doubled the time from start to first tick.
"""

from collections.abc import Callable
from typing import Any, TypeVar, dataclass_transform

Kind = TypeVar("Kind")
Check = Callable[[str, Any], None]
"""(name, value): raises ValueError, which names both and the remedy."""

REQUIRED: Any = object()  #: the default of a field that has none


class Field:
    """What a field is when nothing is said, and what it may be."""

    __slots__ = ("check", "default")

    def __init__(self, default: Any, check: Check | None) -> None:
        self.default = default
        self.check = check


def checked(check: Check, default: Any = REQUIRED) -> Any:
    """Return a field with a check of its own."""
    return Field(default, check)


def number(default: float, low: float, high: float) -> Any:
    """Return a field for a number from `low` to `high`."""

    def check(name: str, value: Any) -> None:
        if not low <= value <= high:
            raise ValueError(f"{name} is {value!r}; give a number from {low:g} to {high:g}")

    return Field(default, check)


def whole(default: int, low: int, high: int) -> Any:
    """Return a field for a whole number from `low` to `high`."""

    def check(name: str, value: Any) -> None:
        if not isinstance(value, int) or not low <= value <= high:
            raise ValueError(f"{name} is {value!r}; give a whole number from {low:g} to {high:g}")

    return Field(default, check)


def word(default: str, words: tuple[str, ...]) -> Any:
    """Return a field for one of `words`."""

    def check(name: str, value: Any) -> None:
        if value not in words:
            known = ", ".join(repr(known) for known in words)
            raise ValueError(f"{name} is {value!r}; give one of {known}")

    return Field(default, check)


def part(kind: Callable[[], Kind]) -> Any:
    """Return a field for settings within settings, at their defaults if nothing is said."""
    return Field(kind(), None)


@dataclass_transform(frozen_default=True)  # to a type checker every field with a value has that as its default
def settings(kind: type[Kind]) -> type[Kind]:
    """Make a class of annotated fields into settings. Its method `validate`, if it has one, is called on each."""
    fields = {}
    for name in kind.__annotations__:
        value = kind.__dict__.get(name, REQUIRED)
        fields[name] = value if isinstance(value, Field) else Field(value, None)
        if value is not REQUIRED:
            delattr(kind, name)
    for name, value in (("settings_fields", fields), *_METHODS.items()):
        setattr(kind, name, value)
    return kind


def fields_of(kind: type) -> tuple[str, ...] | None:
    """Return the names of a settings class's fields, in order; None where it is none. Classes of attrs count too."""
    fields = getattr(kind, "settings_fields", None)
    if fields is not None:
        return tuple(fields)
    fields = getattr(kind, "__attrs_attrs__", None)
    return None if fields is None else tuple(field.name for field in fields)


def replaced(instance: Kind, **changes: Any) -> Kind:
    """Return settings like `instance`, with changes.

    Raises:
        TypeError: there is no such field.
        ValueError: a value fails its check.

    """
    names = fields_of(type(instance)) or ()
    return type(instance)(**{name: getattr(instance, name) for name in names} | changes)


def _init(self: Any, *values: Any, **named: Any) -> None:
    fields: dict[str, Field] = self.settings_fields
    given = dict(zip(fields, values, strict=False)) | named
    if len(given) != len(values) + len(named) or not given.keys() <= fields.keys():
        wrong = ", ".join(sorted(given.keys() - fields.keys())) or "one twice, or too many"
        raise TypeError(f"{type(self).__name__}: fields that do not fit: {wrong}")
    keep = object.__setattr__
    for name, field in fields.items():
        value = given.get(name, field.default)
        if value is REQUIRED:
            raise TypeError(f"{type(self).__name__}: {name} is missing")
        if field.check is not None:
            field.check(name, value)
        keep(self, name, value)
    validate = getattr(self, "validate", None)
    if validate is not None:
        validate()


def _refuse(self: Any, name: str, value: Any = None) -> None:
    raise AttributeError(f"{type(self).__name__} is frozen; make another by robotcore.settings.replaced")


def _values(self: Any) -> tuple[Any, ...]:
    return tuple(getattr(self, name) for name in self.settings_fields)


def _equal(self: Any, other: Any) -> Any:
    return _values(self) == _values(other) if type(self) is type(other) else NotImplemented


def _hash(self: Any) -> int:
    return hash(_values(self))


def _text(self: Any) -> str:
    inside = ", ".join(f"{name}={getattr(self, name)!r}" for name in self.settings_fields)
    return f"{type(self).__name__}({inside})"


_METHODS = {
    "__init__": _init,
    "__setattr__": _refuse,
    "__delattr__": _refuse,
    "__eq__": _equal,
    "__hash__": _hash,
    "__repr__": _text,
}
