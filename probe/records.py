"""Data classes whose methods are made when they are first used.

The standard library's decorator looks closely at each class as it is defined, and compiles six
methods for it. For the two hundred and more that a run imports that is half of its start-up, and
most of them it never makes one of. Here a class gets its slots at once, its fields with the first
look at them (the library's own: `fields`, `replace` and the like work as ever), and each method
with its first call; what makes one is compiled when the first few were made without. They mean the
same. Classes without slots, that inherit fields, or that write one of these methods themselves are
left to the standard library.
"""

import dataclasses
import reprlib
from collections.abc import Mapping
from threading import RLock
from typing import TYPE_CHECKING, Any, ClassVar, get_origin

__all__ = ["dataclass"]

_MAKING = RLock()
"""The library writes into the class that it looks at: by one thread at a time, and once."""

_METHODS = ("__init__", "__repr__", "__eq__", "__hash__", "__setattr__", "__delattr__")


def _quick(cls: type | None = None, /, **settings: Any) -> Any:
    """Return the decorator with these settings, or a class that was decorated without any."""
    if cls is not None:
        return dataclasses.dataclass(cls)
    usual = dataclasses.dataclass(**settings)
    if not settings.get("slots") or not settings.keys() <= {"frozen", "slots", "kw_only"}:
        return usual

    def decorate(cls: type) -> type:
        inherits = any(dataclasses.is_dataclass(base) for base in cls.__mro__[1:-1])
        if inherits or not vars(cls).keys().isdisjoint(_METHODS) or _has_others(cls):
            return usual(cls)
        # Else the library would write a signature into it, which takes longer than all else.
        cls.__doc__ = cls.__doc__ or cls.__name__
        return _slotted(cls, **settings)

    return decorate


# To a type checker it is the standard library's.
if TYPE_CHECKING:
    from dataclasses import dataclass
else:
    dataclass = _quick


def _has_others(cls: type) -> bool:
    """Whether some annotations are of no fields."""
    kinds = vars(cls).get("__annotations__", {}).values()
    return any(
        kind is dataclasses.KW_ONLY
        or get_origin(kind) is ClassVar
        or (isinstance(kind, str) and "ClassVar" in kind)
        for kind in kinds
    )


class _Later:
    """An attribute of a class that is made with the first look at it."""

    def __init__(self, name: str, cls: type, settings: Mapping[str, bool]) -> None:
        self._name = name
        self._cls = cls
        self._settings = settings

    def __get__(self, instance: object, owner: type) -> Any:
        with _MAKING:
            for made in owner.__mro__:
                if vars(made).get(self._name) is self:
                    self._make(made)
        return getattr(owner, self._name)

    def _make(self, made: type) -> None:
        # Looked at is the class as it was written: there the defaults are in their places still.
        keywords = self._settings.get("kw_only", False)
        describe = dataclasses.dataclass(init=False, repr=False, eq=False, kw_only=keywords)
        described: Any = describe(self._cls)
        settings = described.__dataclass_params__
        settings.init = settings.repr = settings.eq = True
        settings.frozen = self._settings.get("frozen", False)
        for name in _LATER:
            setattr(made, name, getattr(described, name))


_LATER = ("__dataclass_fields__", "__dataclass_params__", "__match_args__")


def _slotted(cls: type, **settings: bool) -> type:
    """Return a class with slots for the fields, and stand-ins for all that is to be made."""
    names = tuple(vars(cls).get("__annotations__", ()))
    body = {name: value for name, value in vars(cls).items() if name not in names}
    for name in ("__dict__", "__weakref__"):
        body.pop(name, None)

    # The made ones are called as this class's: a class that inherits may have called them from
    # its own.
    def __init__(self: Any, *given: Any, **named: Any) -> None:
        made.__init__ = _by_hand(made, cls, keywords=settings.get("kw_only", False))
        made.__init__(self, *given, **named)

    def __repr__(self: Any) -> str:
        made.__repr__ = _representation(made)
        return made.__repr__(self)  # type: ignore[no-any-return]  # of a class that is anything

    def __eq__(self: Any, other: object) -> Any:
        made.__eq__ = _comparison(made)
        return made.__eq__(self, other)

    def __hash__(self: Any) -> int:
        made.__hash__ = _hash(made)
        return made.__hash__(self)  # type: ignore[no-any-return]  # as above

    body.update(
        {name: _Later(name, cls, settings) for name in _LATER},
        __slots__=names,
        __qualname__=cls.__qualname__,
        __init__=__init__,
        __repr__=__repr__,
        __eq__=__eq__,
        __hash__=None,
    )
    if settings.get("frozen"):
        body.update(
            __hash__=__hash__,
            __setattr__=_refuse_to_set,
            __delattr__=_refuse_to_delete,
            __getstate__=_state,
            __setstate__=_set_state,
        )
    made: Any = type(cls)(cls.__name__, cls.__bases__, body)
    return made  # type: ignore[no-any-return]  # a class, as type() is not typed to say


def _refuse_to_set(self: Any, name: str, value: object) -> None:  # noqa: ARG001  # Python's signature
    raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")


def _refuse_to_delete(self: Any, name: str) -> None:  # noqa: ARG001  # the same
    raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")


def _state(self: Any) -> list[Any]:
    return [getattr(self, field.name) for field in dataclasses.fields(self)]


def _set_state(self: Any, state: list[Any]) -> None:
    for field, value in zip(dataclasses.fields(self), state, strict=True):
        object.__setattr__(self, field.name, value)


# ---------------------------------------------------------------- the methods


_FEW = 24
"""So many are made before it pays to compile a method for it."""


def _by_hand(made: Any, cls: type, *, keywords: bool) -> Any:
    """Return what sets the fields of the first few, as the class was written. What is out of the
    ordinary it leaves to the compiled one, errors too.
    """
    written = vars(cls)
    names = tuple(written.get("__annotations__", ()))
    setters = [vars(made)[name].__set__ for name in names]
    defaults: dict[str, Any] = {}
    makers: dict[str, Any] = {}
    ordinary = True
    for name in names:
        default = written.get(name, dataclasses.MISSING)
        if isinstance(default, dataclasses.Field):
            ordinary = ordinary and default.init and default.kw_only is dataclasses.MISSING
            if default.default_factory is not dataclasses.MISSING:
                makers[name] = default.default_factory
            default = default.default
        if default is not dataclasses.MISSING:
            defaults[name] = default
            # One for all: the library refuses that.
            ordinary = ordinary and not isinstance(default, (list, dict, set))
    checks = hasattr(made, "__post_init__")
    places = 0 if keywords else len(names)
    left = _FEW if ordinary else 0

    def __init__(self: Any, *given: Any, **named: Any) -> None:
        nonlocal left
        left -= 1
        rest = names[len(given) :]
        values = {**defaults, **named}
        for name, make in makers.items():
            if name not in values and name in rest:
                values[name] = make()
        # Each once: neither too many, nor one twice, nor of a strange name.
        known = left >= 0 and len(given) <= places and named.keys() <= set(rest)
        if not known or not values.keys() >= set(rest):
            made.__init__ = _initialiser(made)
            made.__init__(self, *given, **named)
            return
        for setter, value in zip(setters, (*given, *map(values.__getitem__, rest)), strict=True):
            setter(self, value)
        if checks:
            self.__post_init__()

    return __init__


def _initialiser(cls: Any) -> Any:
    """Return what sets the fields, as the library's own does."""
    known: dict[str, Any] = {"_absent": object()}
    parameters, body = ["self"], []
    keyword_only = False
    for field in dataclasses.fields(cls):
        name = field.name
        known[f"_set_{name}"] = vars(cls)[name].__set__
        if field.kw_only and field.init and not keyword_only:
            keyword_only = True
            parameters.append("*")
        given = name
        if field.default_factory is not dataclasses.MISSING:
            known[f"_make_{name}"] = field.default_factory
            parameters += [f"{name}=_absent"] if field.init else []
            given = f"_make_{name}() if {name} is _absent else {name}"
            given = given if field.init else f"_make_{name}()"
        elif field.default is not dataclasses.MISSING:
            known[f"_default_{name}"] = field.default
            parameters += [f"{name}=_default_{name}"] if field.init else []
            given = name if field.init else f"_default_{name}"
        elif field.init:
            parameters.append(name)
        else:
            continue
        body.append(f"_set_{name}(self, {given})")
    if hasattr(cls, "__post_init__"):
        body.append("self.__post_init__()")
    return _function(cls, "__init__", ", ".join(parameters), "; ".join(body) or "pass", known)


def _representation(cls: Any) -> Any:
    shown = ", ".join(f"{f.name}={{self.{f.name}!r}}" for f in dataclasses.fields(cls) if f.repr)
    says = f'return f"{{self.__class__.__qualname__}}({shown})"'
    return reprlib.recursive_repr()(_function(cls, "__repr__", "self", says, {}))


def _comparison(cls: Any) -> Any:
    names = [field.name for field in dataclasses.fields(cls) if field.compare]
    equal = f"{_tuple('self', names)} == {_tuple('other', names)}"
    says = f"return {equal} if other.__class__ is self.__class__ else NotImplemented"
    return _function(cls, "__eq__", "self, other", says, {})


def _hash(cls: Any) -> Any:
    fields = dataclasses.fields(cls)
    names = [f.name for f in fields if (f.compare if f.hash is None else f.hash)]
    return _function(cls, "__hash__", "self", f"return hash({_tuple('self', names)})", {})


def _function(cls: Any, name: str, parameters: str, body: str, known: dict[str, Any]) -> Any:
    # Of the names of fields alone, as the library does it.
    exec(f"def {name}({parameters}): {body}", known)  # noqa: S102
    known[name].__qualname__ = f"{cls.__qualname__}.{name}"
    return known[name]


def _tuple(of: str, names: list[str]) -> str:
    return f"({''.join(f'{of}.{name}, ' for name in names)})"
