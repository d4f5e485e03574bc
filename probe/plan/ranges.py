"""Many nodes alike in one table: `numbers = [1, 40]`, where {n} stands for each number.

[[node]]
numbers = [1, 40]
name = "quay{n}"                      # {nn}: with two digits at least
host = "quay{n}.northpier.example"
addresses = ["192.0.2.11"]            # of the first; each further node has the next one
"""

import re
from collections.abc import Callable
from ipaddress import ip_address

from probe.limits import PLAN_RANGE
from probe.plan import values
from probe.plan.problems import At, Refused

KEY = "numbers"
_NUMBER = re.compile(r"\{(n+)\}")
_TEXTS = ("name", "host")
_ENDPOINTS = ("web", "eap", "radsec")


def spread(raw: object, at: At) -> list[object]:
    """Return the tables that one table of an array stands for: itself, or one for each number.

    Raises Refused.
    """
    if not isinstance(raw, dict) or KEY not in raw:
        return [raw]
    first, last = _bounds(raw[KEY], at.key(KEY))
    for key in _TEXTS:
        if isinstance(raw.get(key), str) and not _NUMBER.search(raw[key]):
            at.key(key).add(f"is the same for every one of {KEY}", "a text with {n} in it")
            raise Refused(f"stands for {last - first + 1} nodes of one {key}")
    if "connect" in raw:
        raise Refused(f"has {KEY} and connect", "a table of its own for each of these nodes")
    if not all(isinstance(raw.get(key), str) for key in _TEXTS):
        return [_one(raw, first, 0)]  # what it lacks is told once
    return [_one(raw, number, number - first) for number in range(first, last + 1)]


def _bounds(value: object, at: At) -> tuple[int, int]:
    number = values.whole(0, 1_000_000)
    found = values.list_of(number)(value, at)
    if len(found) != 2 or found[0] >= found[1]:
        raise Refused(f"{at.place} does not hold two numbers", "the first and the last: [1, 40]")
    if found[1] - found[0] >= PLAN_RANGE:
        raise Refused(f"{at.place} stands for more than {PLAN_RANGE} nodes")
    return found[0], found[1]


def _one(raw: dict[str, object], number: int, steps: int) -> dict[str, object]:
    """Return the table of one number, which is so many steps after the first."""

    def shifted(value: object) -> object:
        if not isinstance(value, list):
            return value
        return [_after(entry, steps) if isinstance(entry, str) else entry for entry in value]

    one = {key: value for key, value in raw.items() if key != KEY}
    for key in _TEXTS:
        text = one.get(key)
        if isinstance(text, str):
            one[key] = _NUMBER.sub(_written(number), text)
    if "addresses" in one:
        one["addresses"] = shifted(one["addresses"])
    for key in _ENDPOINTS:
        table = one.get(key)
        if isinstance(table, dict) and "addresses" in table:
            one[key] = {**table, "addresses": shifted(table["addresses"])}
    return one


def _written(number: int) -> Callable[[re.Match[str]], str]:
    return lambda found: f"{number:0{len(found[1])}}"


def _after(text: str, steps: int) -> str:
    """Return the address that comes so many steps after another one. What is none stays as it is:
    whoever reads the plan says what is wrong with it."""
    try:
        return str(ip_address(text) + steps)
    except ValueError:
        return text
