"""Arrays of tables, `[[node]]` and the like, and what may not be said twice in them."""

from collections.abc import Callable, Hashable, Iterable
from typing import Any, TypeVar

from probe.plan import values
from probe.plan.problems import At, Refused, shown
from probe.records import dataclass, replace

K = TypeVar("K", bound=Hashable)
Parsers = dict[str, values.Parser[Any]]


@dataclass(frozen=True, slots=True)
class Entry:
    """One table of an array: its place, what is there, and which of it is right."""

    at: At
    raw: dict[str, object]
    said: dict[str, Any]

    def require(self, *keys: str) -> None:
        """Note each key that is missing. Raises Noted unless all are there and right."""
        values.require(self.said, self.raw, self.at, *keys)

    @property
    def name(self) -> str | None:
        """Its name, if that is right."""
        return self.said.get("name")


Spread = Callable[[object, At], list[object]]
"""Returns the tables that one of them stands for."""


def array(
    keys: Parsers, *, named: bool = True, spread: Spread = lambda raw, _at: [raw]
) -> values.Parser[tuple[Entry, ...]]:
    """Return the parser of an array of tables; no two of `named` tables have one name. `spread`
    makes several out of one."""

    def parse(value: object, at: At) -> tuple[Entry, ...]:
        if not isinstance(value, list):
            raise Refused(f"is {values.kind(value)}", f"one or more tables [[{at.place}]]")
        found = []
        for number, one in enumerate(value, 1):
            place = _entry(at, number, one)
            with place:
                before, first = len(at.problems), True
                for raw in spread(one, place):
                    here = place if raw is one else _entry(at, number, raw)
                    if not first and len(at.problems) > before:
                        here = replace(here, problems=[])  # told once, of the first
                    first = False
                    with here:
                        found.append(Entry(here, raw, values.table(raw, here, keys)))  # type: ignore[arg-type]  # a table, or refused as none
        if named:
            once(((entry.name, entry.at) for entry in found), "names", key="name")
        return tuple(found)

    return parse


def _entry(at: At, number: int, raw: object) -> At:
    name = raw.get("name") if isinstance(raw, dict) else None
    return at.entry(number, name if isinstance(name, str) else None)


def once(placed: Iterable[tuple[K | None, At]], what: str, *, key: str | None = None) -> None:
    """Note every value that an earlier table has already, at `key` of it; None is no value."""
    first: dict[K, At] = {}
    for value, at in placed:
        if value is None:
            continue
        earlier = first.setdefault(value, at)
        if earlier is not at:
            here, there = (at, earlier) if key is None else (at.key(key), earlier.key(key))
            words = f"{shown(value)} " if isinstance(value, str) else ""
            here.add(f"{words}repeats {there.place}: no two {what} may be the same")
