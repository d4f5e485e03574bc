"""Further RADIUS attributes in the plan's EAP requests, and those that may not be among them."""

import ipaddress
from functools import lru_cache
from pathlib import Path

from probe.plan.problems import At, Refused, nearest, shown
from probe.plan.values import kind
from probe.records import dataclass, field

OWN_KEYS = {
    "NAS-Identifier": "nas_identifier",
    "NAS-IP-Address": "nas_address",
    "NAS-IPv6-Address": "nas_address",
    "Calling-Station-Id": "calling_station",
    "Called-Station-Id": "ssid",
    "NAS-Port-Type": "medium",
    "Framed-MTU": "framed_mtu",
}
"""Attributes that another key of the plan fills in."""

CONVERSATION = frozenset(
    {
        "User-Name",  # equals the EAP identity (RFC 3579, 2.1)
        "State",
        "EAP-Message",
        "Message-Authenticator",
        "Proxy-State",
        "CHAP-Challenge",
    }
)
"""Attributes that belong to the conversation itself. Passwords are refused by their names."""


@dataclass(frozen=True, slots=True)
class Known:
    """One attribute of the dictionary."""

    name: str
    type: str
    values: dict[str, int] = field(default_factory=dict)


@lru_cache(maxsize=1)
def known() -> dict[str, Known]:
    """Return the attributes that requests can carry, by name in lower case.

    The dictionary is a data file, the only list of them; the RADIUS codec writes by it.
    """
    text = (Path(__file__).parents[1] / "wire" / "radius.dictionary").read_text("ascii")
    found: dict[str, Known] = {}
    for words in (line.split() for line in text.splitlines()):
        match words:
            case ["ATTRIBUTE", name, _, type_, *_]:
                found[name.lower()] = Known(name, type_)
            case ["VALUE", name, word, number]:
                found[name.lower()].values[word] = int(number)
            case _:
                pass
    return found


def attributes(value: object, at: At) -> tuple[tuple[str, str | int], ...]:
    """Return further attributes by their names in the dictionary, in the order of the plan."""
    if not isinstance(value, dict):
        raise Refused(f"is {kind(value)}", "a table of attributes by name")
    found: dict[str, str | int] = {}
    for name, inner in value.items():
        here = at.key(shown(name))
        with here:
            attribute = _allowed(name)
            if attribute.name in found:
                raise Refused(f"{attribute.name} is there twice")
            found[attribute.name] = _value(attribute, inner)
    return tuple(found.items())


def _allowed(name: str) -> Known:
    if "password" in name.lower():
        raise Refused("a password is never sent as an attribute")
    attribute = known().get(name.lower())
    if attribute is None:
        names = tuple(entry.name for entry in known().values() if _is_free(entry.name))
        raise Refused(f"is no attribute known here{nearest(name, names)}", ", ".join(names))
    if attribute.name in CONVERSATION:
        raise Refused("belongs to the conversation and cannot be set")
    if attribute.name in OWN_KEYS:
        raise Refused(f"has a key of its own: {OWN_KEYS[attribute.name]}")
    return attribute


def _is_free(name: str) -> bool:
    return "password" not in name.lower() and name not in CONVERSATION and name not in OWN_KEYS


def _value(attribute: Known, value: object) -> str | int:
    match attribute.type, value:
        case "integer", bool():
            pass
        case "integer", int() if 0 <= value < 2**32:  # RFC 2865, 5
            return value
        case "integer", str() if value in attribute.values:
            return value
        case (("string" | "octets"), str()) if 0 < len(value.encode()) <= 253:
            return value
        case "ipaddr", str() if _is(ipaddress.IPv4Address, value):
            return value
        case "ipv6addr", str() if _is(ipaddress.IPv6Address, value):
            return value
        case _:
            pass
    raise Refused("does not fit the attribute", _words(attribute))


def _is(version: type[ipaddress.IPv4Address | ipaddress.IPv6Address], text: str) -> bool:
    try:
        version(text)
    except ValueError:
        return False
    return True


def _words(attribute: Known) -> str:
    if attribute.values:
        return f"a whole number, or one of {', '.join(attribute.values)}"
    return {
        "integer": "a whole number of 32 bits",
        "ipaddr": "an IPv4 address",
        "ipv6addr": "an IPv6 address",
    }.get(attribute.type, "a text of up to 253 octets")
