"""RADIUS replies signed by hand: for servers that put the signature elsewhere, or none at all.

RFC 2865, 3 has the Response Authenticator, RFC 3579, 3.2 the Message-Authenticator; both over raw
octets, so that packets can be signed which no codec would write.
"""

import hashlib
import hmac
from enum import StrEnum

_HEAD = 20
_MESSAGE_AUTHENTICATOR = 80
_BLANK = bytes((_MESSAGE_AUTHENTICATOR, 18)) + bytes(16)


class SignaturePlace(StrEnum):
    """Where a server puts the Message-Authenticator."""

    FIRST = "first"
    """As the mitigation of CVE-2024-3596 asks."""
    LAST = "last"
    """As most servers do."""
    MISSING = "missing"


def signed(
    reply: bytes, authenticator: bytes, secret: bytes, place: SignaturePlace = SignaturePlace.FIRST
) -> bytes:
    """Return a reply signed anew. What follows its last good attribute stays at the very end.

    `authenticator` is the request's.
    """
    kept, rest = _without_signature(reply[_HEAD:])
    before, after = (b"", kept + rest) if place is SignaturePlace.FIRST else (kept, rest)
    blank = b"" if place is SignaturePlace.MISSING else _BLANK
    attributes = before + blank + after
    head = reply[:2] + (_HEAD + len(attributes)).to_bytes(2)
    if blank:
        made = hmac.digest(secret, head + authenticator + attributes, "md5")
        attributes = before + blank[:2] + made + after
    digest = hashlib.md5(head + authenticator + attributes + secret, usedforsecurity=False).digest()
    return head + digest + attributes


def _without_signature(attributes: bytes) -> tuple[bytes, bytes]:
    """Return the attributes without Message-Authenticator, and what is no attribute any more."""
    kept = b""
    while len(attributes) >= 2 and 2 <= attributes[1] <= len(attributes):
        one, attributes = attributes[: attributes[1]], attributes[attributes[1] :]
        if one[0] != _MESSAGE_AUTHENTICATOR:
            kept += one
    return kept, attributes
