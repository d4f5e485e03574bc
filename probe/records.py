"""Records: small classes of named fields, written as the standard library's data classes are.

To a type checker they are those. At run time each is a `msgspec.Struct`: defined in some ten
microseconds, where the library looks closely at a class and compiles six methods for it, which
for the three hundred that a run imports would be half of its start-up; made, compared, hashed and
copied with other values in C; and `object.__setattr__` is no way around being frozen. Records
inherit nothing, and always have slots. Of what the library's decorator and `field` take there is
what is named here: type checkers let more pass than runs.
"""

from collections.abc import Callable, Iterator, Mapping
from operator import attrgetter
from typing import TYPE_CHECKING, Any, ClassVar, Literal, get_origin

import msgspec
from msgspec.structs import replace as _replace

__all__ = ["dataclass", "field", "replace"]


class _Hidden:
    """A field that is not shown, or is none of what makes records equal."""

    def __init__(self, default: Any, *, shown: bool, compared: bool) -> None:
        self.default = default
        self.shown = shown
        self.compared = compared


def _field(
    *,
    default: Any = msgspec.NODEFAULT,
    default_factory: Any = msgspec.NODEFAULT,
    repr: bool = True,
    compare: bool = True,
) -> Any:
    """Return a field's default, and what else is to be known of it."""
    make: Any = msgspec.field
    given = make(default=default, default_factory=default_factory)
    return given if repr and compare else _Hidden(given, shown=repr, compared=compare)


def _record(
    *,
    slots: Literal[True],  # noqa: ARG001  # which all have: so the type checker learns of it
    frozen: bool = False,
    kw_only: bool = False,
) -> Callable[[type], type]:
    """Return the decorator with these settings."""

    def decorate(cls: type) -> type:
        if cls.__bases__ != (object,):
            raise TypeError(f"{cls.__name__}: a record inherits nothing")
        body = dict(vars(cls))
        for name in ("__dict__", "__weakref__"):
            body.pop(name, None)
        body["__annotations__"] = names = cls.__annotations__
        body["__qualname__"] = cls.__qualname__
        hidden = {name: item for name, item in body.items() if isinstance(item, _Hidden)}
        if hidden:
            body |= {name: item.default for name, item in hidden.items()}
            fields = (n for n, kind in names.items() if ClassVar not in (kind, get_origin(kind)))
            # What a class writes itself counts.
            body = _methods(tuple(fields), hidden, frozen=frozen) | body
        return msgspec.StructMeta(
            cls.__name__, (msgspec.Struct,), body, frozen=frozen, kw_only=kw_only
        )

    return decorate


def _methods(
    names: tuple[str, ...], hidden: Mapping[str, _Hidden], *, frozen: bool
) -> dict[str, Any]:
    """Return the methods of a record that does not show, or compare, all that it holds."""
    shown = [name for name in names if name not in hidden or hidden[name].shown]
    compared = [name for name in names if name not in hidden or hidden[name].compared]

    def __repr__(self: object) -> str:
        parts = ", ".join(f"{name}={getattr(self, name)!r}" for name in shown)
        return f"{type(self).__name__}({parts})"

    def __rich_repr__(self: object) -> Iterator[tuple[str, Any]]:
        # msgspec has one of its own, which rich takes before the other, and which shows all.
        for name in shown:
            yield name, getattr(self, name)

    showing = {"__repr__": __repr__, "__rich_repr__": __rich_repr__}
    if len(compared) == len(names):
        return showing
    key = attrgetter(*compared)

    def __eq__(self: object, other: object) -> Any:
        return key(self) == key(other) if type(other) is type(self) else NotImplemented

    def __hash__(self: object) -> int:
        return hash(key(self))

    comparing = {"__eq__": __eq__, "__hash__": __hash__ if frozen else None}
    return showing | comparing


# To a type checker they are the standard library's.
if TYPE_CHECKING:
    from dataclasses import dataclass, field, replace
else:
    dataclass, field, replace = _record, _field, _replace
