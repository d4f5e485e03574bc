"""TLSA records (RFC 6698, 2.1) out of their presentation form, and which certificates they match.

Nothing here knows whether the records are DNSSEC-secure: others count for nothing (4.1).
"""

import hashlib
import re

from probe.records import dataclass

AUTHORITIES = frozenset({0, 2})
"""Certificate usages that are met by a CA certificate of the path (RFC 7218: PKIX-TA, DANE-TA)."""

_RECORD = re.compile(r"([0-9]{1,3}) ([0-9]{1,3}) ([0-9]{1,3}) ([0-9A-Fa-f]*)")

_LENGTHS = {1: 32, 2: 64}
"""Octets of a digest by matching type: SHA-256 and SHA-512 (2.1.3)."""


@dataclass(frozen=True, slots=True)
class Association:
    """One usable TLSA record."""

    usage: int
    """0 and 2: a CA certificate of the path; 1 and 3: the server's own (2.1.1)."""
    selector: int
    """0: the whole certificate; 1: its SubjectPublicKeyInfo (2.1.2)."""
    matching: int
    """0: as it is; 1: SHA-256; 2: SHA-512 (2.1.3)."""
    data: bytes

    def matches(self, certificate: bytes, public_key: bytes) -> bool:
        """Whether it names a certificate, given as DER with its SubjectPublicKeyInfo."""
        selected = public_key if self.selector else certificate
        match self.matching:
            case 1:
                return hashlib.sha256(selected).digest() == self.data
            case 2:
                return hashlib.sha512(selected).digest() == self.data
            case _:
                return selected == self.data


def parse(text: str) -> Association | None:
    """Return the record of `USAGE SELECTOR MATCHING HEX`; None where it is not usable (4.1): with
    an unknown usage, selector or matching type, or data that cannot be what they say."""
    found = _RECORD.fullmatch(text)
    if found is None or len(found[4]) % 2 or not found[4]:
        return None
    usage, selector, matching = (int(found[place]) for place in (1, 2, 3))
    data = bytes.fromhex(found[4])
    if usage > 3 or selector > 1 or matching > 2:
        return None
    if len(data) != _LENGTHS.get(matching, len(data)):
        return None
    return Association(usage, selector, matching, data)


def owner(name: str, port: int) -> str:
    """Return where the records of a TCP service stand (RFC 6698, 3)."""
    return f"_{port}._tcp.{name}"
