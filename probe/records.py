"""Data classes whose methods are made when they are first used.

The standard library's decorator compiles six methods for each class as it is defined. For the two
hundred and more that a run imports that is half of its start-up, and most of them it never makes
one of. Here a class gets its fields and slots at once (from the standard library: `fields`,
`replace` and the like work as ever), and its methods in one go with the first of them that is
called. They mean the same. Classes that are not frozen, that inherit fields, or that write one of
these methods themselves are left to the standard library.
"""

import dataclasses
import reprlib
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass"]

_METHODS = ("__init__", "__repr__", "__eq__", "__hash__", "__setattr__", "__delattr__")


def _quick(**settings: Any) -> Any:
    """Return the decorator with these settings."""
    usual = dataclasses.dataclass(**settings)
    if settings != {"frozen": True, "slots": True}:
        return usual

    def decorate(cls: type) -> type:
        inherits = any(dataclasses.is_dataclass(base) for base in cls.__mro__[1:])
        if inherits or not vars(cls).keys().isdisjoint(_METHODS):
            return usual(cls)
        # Else the library would write a signature into it, which takes longer than all else.
        cls.__doc__ = cls.__doc__ or cls.__name__
        bare = dataclasses.dataclass(init=False, repr=False, eq=False, slots=True)
        made: type = bare(cls)
        _freeze(made)
        return made

    return decorate


# To a type checker it is the standard library's.
if TYPE_CHECKING:
    from dataclasses import dataclass
else:
    dataclass = _quick


def _freeze(cls: Any) -> None:
    """Give a class what makes it frozen, and stand-ins for the methods that are to be made."""
    settings = cls.__dataclass_params__
    settings.init = settings.repr = settings.eq = settings.frozen = True
    cls.__setattr__, cls.__delattr__ = _refuse_to_set, _refuse_to_delete
    cls.__getstate__, cls.__setstate__ = _state, _set_state

    def __init__(self: Any, *given: Any, **named: Any) -> None:
        _finish(cls)
        self.__init__(*given, **named)

    def __repr__(self: Any) -> str:
        _finish(cls)
        return repr(self)

    def __eq__(self: Any, other: object) -> bool:
        _finish(cls)
        return bool(self == other)

    def __hash__(self: Any) -> int:
        _finish(cls)
        return hash(self)

    cls.__init__, cls.__repr__, cls.__eq__, cls.__hash__ = __init__, __repr__, __eq__, __hash__


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


def _finish(cls: Any) -> None:
    """Make the methods of a class."""
    fields = dataclasses.fields(cls)
    known: dict[str, Any] = {"_absent": object()}
    parameters, body = ["self"], []
    keyword_only = False
    for field in fields:
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
    compared = [field.name for field in fields if field.compare]
    hashed = [
        field.name for field in fields if (field.compare if field.hash is None else field.hash)
    ]
    shown = ", ".join(f"{f.name}={{self.{f.name}!r}}" for f in fields if f.repr)
    source = f"""
def __init__({", ".join(parameters)}):
    {"; ".join(body) or "pass"}
def __repr__(self):
    return f"{{self.__class__.__qualname__}}({shown})"
def __eq__(self, other):
    if other.__class__ is self.__class__:
        return {_tuple("self", compared)} == {_tuple("other", compared)}
    return NotImplemented
def __hash__(self):
    return hash({_tuple("self", hashed)})
"""
    exec(source, known)  # noqa: S102  # of the names of fields alone, as the library does it
    known["__repr__"] = reprlib.recursive_repr()(known["__repr__"])
    for name in _METHODS[:4]:
        known[name].__qualname__ = f"{cls.__qualname__}.{name}"
        setattr(cls, name, known[name])


def _tuple(of: str, names: list[str]) -> str:
    return f"({''.join(f'{of}.{name}, ' for name in names)})"
