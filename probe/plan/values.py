"""What may stand at a key of the plan: one small function for each kind of value.

Each takes the value as TOML gave it and its place, and returns it checked and in its one form, or
raises `Refused`. Tables and lists note the problems of their entries and go on, so that one wrong
value hides no other.
"""

import ipaddress
import math
import re
from collections.abc import Callable, Mapping
from datetime import date, datetime
from enum import Enum
from typing import Any, TypeVar

from probe.plan import names
from probe.plan.addresses import canonical_address, port_number, split_address, with_port
from probe.plan.model import SecretRef
from probe.plan.problems import At, Noted, Refused, nearest, shown

T = TypeVar("T")
E = TypeVar("E", bound=Enum)
Parser = Callable[[object, At], T]

HTTPS = 443

NAME_CHARACTERS = 100
"""Characters of a name that the plan gives to something: it stands in a line of the report."""

REFERENCES = (
    '{ environment = "NAME" }, { file = "a file that only its owner can read" } or { ask = true }'
)

_KINDS: tuple[tuple[type, str], ...] = (
    (bool, "true or false"),  # before int, of which it is one
    (int, "a whole number"),
    (float, "a number"),
    (str, "a text"),
    (list, "a list"),
    (dict, "a table"),
    (datetime, "a time"),  # before date, of which it is one
    (date, "a date"),
)


def kind(value: object) -> str:
    """Return what a TOML value is, in words."""
    return next((words for type_, words in _KINDS if isinstance(value, type_)), "a time of day")


def _wrong_type(value: object, allowed: str) -> Refused:
    return Refused(f"is {kind(value)}", allowed)


# ---------------------------------------------------------------- tables and lists


def table(value: object, at: At, keys: Mapping[str, Parser[Any]]) -> dict[str, Any]:
    """Return the keys of a table that are there and right; note a problem for every other one."""
    if not isinstance(value, dict):
        raise _wrong_type(value, "a table")
    given: dict[str, Any] = {}
    for key, inner in value.items():
        parser = keys.get(key)
        if parser is None:
            says = f"is no key that a plan has here{nearest(key, keys)}"
            at.key(_spelled(key)).add(says, _listed(keys))
            continue
        here = at.key(key)
        with here:
            given[key] = parser(inner, here)
    return given


def table_of(keys: Mapping[str, Parser[Any]]) -> Parser[dict[str, Any]]:
    """Return the parser of a table with these keys."""
    return lambda value, at: table(value, at, keys)


def _spelled(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else f'"{shown(key)}"'


def _listed(words: Mapping[str, object] | tuple[str, ...]) -> str:
    return ", ".join(words) if words else "nothing"


def require(given: Mapping[str, object], raw: object, at: At, *keys: str) -> None:
    """Note each key that is missing in a table. Raises Noted unless all are there and right."""
    for key in keys:
        if not isinstance(raw, dict) or key not in raw:
            at.key(key).add("is missing")
    if not all(key in given for key in keys):
        raise Noted


def list_of(parser: Parser[T], *, at_least: int = 0, what: str = "entry") -> Parser[tuple[T, ...]]:
    """Return the parser of a list without repetitions whose entries `parser` reads."""

    def parse(value: object, at: At) -> tuple[T, ...]:
        if not isinstance(value, list):
            raise _wrong_type(value, "a list")
        if len(value) < at_least:
            raise Refused("is empty", f"at least one {what}")
        found: list[T] = []
        for number, inner in enumerate(value, 1):
            here = at.entry(number)
            with here:
                entry = parser(inner, here)
                if entry in found:
                    raise Refused(f"repeats entry {found.index(entry) + 1}")
                found.append(entry)
        return tuple(found)

    return parse


# ---------------------------------------------------------------- simple values


def text(value: object, at: At) -> str:  # noqa: ARG001  # every parser takes its place
    """Return a text that is not empty, one line, without spaces around it."""
    if not isinstance(value, str):
        raise _wrong_type(value, "a text")
    if not value.strip():
        raise Refused("is empty", "a text")
    if value != value.strip() or not value.isprintable():
        raise Refused("holds control characters, or spaces at an end", "one line of text")
    return value


def text_up_to(octets: int) -> Parser[str]:
    """Return the parser of a text that is at most so long in UTF-8."""

    def parse(value: object, at: At) -> str:
        found = text(value, at)
        if len(found.encode()) > octets:
            raise Refused(f"is longer than {octets} octets in UTF-8")
        return found

    return parse


def name(value: object, at: At) -> str:
    """Return a name that the plan gives: it stands in ids and in reports, so it holds no slash."""
    found = text(value, at)
    if "/" in found or len(found) > NAME_CHARACTERS:
        raise Refused(
            f"{shown(found)} is no name", f"up to {NAME_CHARACTERS} characters, without a slash"
        )
    return found


def boolean(value: object, at: At) -> bool:  # noqa: ARG001
    """Return true or false."""
    if not isinstance(value, bool):
        raise _wrong_type(value, "true or false")
    return value


def whole(low: int, high: int) -> Parser[int]:
    """Return the parser of a whole number between two bounds, both allowed."""

    def parse(value: object, at: At) -> int:  # noqa: ARG001
        allowed = f"a whole number from {low} to {high}"
        if isinstance(value, bool) or not isinstance(value, int):
            raise _wrong_type(value, allowed)
        if not low <= value <= high:
            raise Refused(f"{shown(value)} is out of range", allowed)
        return value

    return parse


port = whole(1, 65535)


def positive(value: object, at: At) -> float:  # noqa: ARG001
    """Return a number above zero that is not endless."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _wrong_type(value, "a number above 0")
    try:
        number = float(value)
    except OverflowError as error:
        raise Refused("is out of range", "a number above 0") from error
    if not (math.isfinite(number) and number > 0):
        raise Refused(f"{shown(value)} is out of range", "a number above 0")
    return number


def day(value: object, at: At) -> date:  # noqa: ARG001
    """Return a date without a time."""
    if isinstance(value, datetime) or not isinstance(value, date):
        raise _wrong_type(value, "a date without quotes, such as 2027-04-01")
    return value


def word_of(words: tuple[str, ...], what: str) -> Parser[str]:
    """Return the parser of one word out of a closed list."""

    def parse(value: object, at: At) -> str:  # noqa: ARG001
        if not isinstance(value, str):
            raise _wrong_type(value, _listed(words))
        if value not in words:
            raise Refused(f"{shown(value)} is no {what}{nearest(value, words)}", _listed(words))
        return value

    return parse


def member_of(members: type[E] | tuple[E, ...], what: str) -> Parser[E]:
    """Return the parser of a word that stands for a member of an enumeration."""
    known = {str(member.value): member for member in members}
    word = word_of(tuple(known), what)

    def parse(value: object, at: At) -> E:
        return known[word(value, at)]

    return parse


# ---------------------------------------------------------------- network


def _normal(make: Callable[[str], str], allowed: str) -> Parser[str]:
    def parse(value: object, at: At) -> str:
        found = text(value, at)
        try:
            return make(found)
        except ValueError as error:
            raise Refused(f"{shown(found)} cannot be used: {error}", allowed) from error

    return parse


host = _normal(names.host_name, "a host name")


def host_and_port(value: object, at: At) -> tuple[str, int]:
    """Return a host name and the port behind it, 443 if there is none."""
    found = text(value, at)
    name, colon, port = found.partition(":")
    try:
        return names.host_name(name), port_number(port, found) if colon else HTTPS
    except ValueError as error:
        allowed = '"NAME" or "NAME:PORT"'
        raise Refused(f"{shown(found)} cannot be used: {error}", allowed) from error


expected_name = _normal(names.expected_name, 'a host name, where one whole label may be "*"')


def _address(text: str) -> str:
    if "%" in text:
        raise ValueError("a zone means something on one machine only")
    return canonical_address(text)


def _network(text: str) -> str:
    try:
        return str(ipaddress.ip_network(text))
    except ValueError as error:
        raise ValueError("it is no network, or its address has bits outside it") from error


def _resolver(text: str) -> str:
    if text == "system":
        return text
    place, port = split_address(text, 53)
    return _address(place) if port == 53 else with_port(_address(place), port)


address = _normal(_address, "an IPv4 or IPv6 address")
network = _normal(_network, "a network such as 192.0.2.0/24")
resolver_place = _normal(_resolver, '"system", "ADDRESS", "ADDRESS:PORT" or "[ADDRESS]:PORT"')


def address_list(value: object, at: At) -> tuple[str, ...]:
    """Return a list of addresses that is not empty."""
    return list_of(address, at_least=1, what="address")(value, at)


def addresses_or_dns(value: object, at: At) -> tuple[str, ...] | None:
    """Return a list of addresses, or None for "dns": taken from the resolver, and not checked."""
    if value == "dns":
        return None
    if not isinstance(value, list):
        raise _wrong_type(value, 'a list of addresses, or "dns"')
    return address_list(value, at)


def hardware_address(value: object, at: At) -> str:
    """Return a locally administered hardware address in the form of RFC 3580, 3.21.

    One that a maker assigned is refused: it may be a real device's.
    """
    found = text(value, at).upper().replace(":", "-")
    allowed = "a locally administered hardware address, such as 02-00-00-CE-47-01"
    if not re.fullmatch(r"[0-9A-F]{2}(-[0-9A-F]{2}){5}", found):
        raise Refused(f"{shown(found)} is no hardware address", allowed)
    first = int(found[:2], 16)
    if first & 1 or not first & 2:  # IEEE 802, 8.4: group bit, universal/local bit
        raise Refused(f"{found} may be a real device's", allowed)
    return found


# ---------------------------------------------------------------- files and secrets


def file_name(value: object, at: At) -> str:
    """Return the name of a file."""
    found = text(value, at)
    if "\0" in found:
        raise Refused("is no file name")
    return found


def secret(value: object, at: At) -> SecretRef:
    """Return where a secret is to be found. A secret itself is refused, and not repeated."""
    if isinstance(value, str):
        raise Refused("a secret itself does not stand in a plan", REFERENCES)
    keys: dict[str, Parser[Any]] = {"environment": _environment, "file": file_name, "ask": boolean}
    given = table(value, at, keys)
    if isinstance(value, dict) and given.keys() != value.keys():
        raise Noted
    if len(given) != 1 or given.get("ask") is False:
        raise Refused("does not say in one way where the secret is", REFERENCES)
    return SecretRef(
        environment=given.get("environment"),
        file=at.folder / given["file"] if "file" in given else None,
        ask=given.get("ask", False),
    )


def _environment(value: object, at: At) -> str:
    """Return the name of an environment variable. What is none may be a secret: not repeated."""
    found = text(value, at)
    if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", found):
        raise Refused("is no name of an environment variable", "letters, digits and underscores")
    return found
