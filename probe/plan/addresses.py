"""How the plan writes an address, with a port or without."""

import ipaddress
from functools import lru_cache

_MANY = 4_096
"""Texts that are remembered: each name and address of a plan is looked at some ten times."""


def split_address(text: str, default_port: int) -> tuple[str, int]:
    """Return the address, in RFC 5952 form, and the port of "ADDRESS" or "ADDRESS:PORT".

    An IPv6 address with a port stands in brackets, as in RFC 3986 (3.2.2): "[2001:db8::1]:53".
    Raises ValueError with a sentence for the plan's reader.
    """
    host, port = text, None
    if text.startswith("["):
        host, bracket, rest = text[1:].partition("]")
        if not bracket or (rest and not rest.startswith(":")):
            raise ValueError(f"{text!r} is no address: after [ comes an address, ], and :port")
        port = rest[1:] if rest else None
        if ":" not in host:
            raise ValueError(f"{text!r} is no address: only an IPv6 address stands in brackets")
    elif text.count(":") == 1:
        host, _, port = text.partition(":")
    return canonical_address(host), default_port if port is None else port_number(port, text)


@lru_cache(maxsize=_MANY)
def parsed(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """Return an IP address; None: it is none."""
    if ":" not in text and not text[-1:].isdigit():
        return None  # a name, as most are: the library would try both families first
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        return None


@lru_cache(maxsize=_MANY)
def canonical_address(text: str) -> str:
    """Return an IP address in RFC 5952 form. Raises ValueError with a sentence."""
    address = parsed(text)
    if address is None:
        raise ValueError(f"{text!r} is no IP address")
    return str(address)


def is_address(text: str) -> bool:
    """Say whether a text is an IP address rather than a name."""
    return parsed(text) is not None


def with_port(address: str, port: int) -> str:
    """Return "ADDRESS:PORT", an IPv6 address in brackets."""
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"


def port_number(text: str, whole: str) -> int:
    """Return the port in digits. Raises ValueError with a sentence that quotes the whole place."""
    # isdecimal() alone would let digits of other scripts through.
    if not (text.isascii() and text.isdecimal() and 0 < int(text[:6]) < 65536 and len(text) < 6):
        raise ValueError(f"{whole!r}: a port is a number from 1 to 65535")
    return int(text)
