"""Keys of MSCHAPv2 (RFC 3079), and the session keys in an Access-Accept (RFC 2548, 2.4)."""

import hashlib
from collections.abc import Iterable

from probe.records import dataclass, field

_MICROSOFT = (311).to_bytes(4)
_SEND_KEY, _RECEIVE_KEY = 16, 17
"""Vendor types (RFC 2548, 2.4.2 and 2.4.3)."""

_MASTER = b"This is the MPPE Master Key"
_CLIENT_SENDS = (
    b"On the client side, this is the send key; on the server side, it is the receive key."
)
_CLIENT_RECEIVES = (
    b"On the client side, this is the receive key; on the server side, it is the send key."
)
_PAD_1, _PAD_2 = bytes(40), b"\xf2" * 40
"""SHSpad1 and SHSpad2 (RFC 3079, 3.4)."""


@dataclass(frozen=True, slots=True)
class SessionKeys:
    """MS-MPPE-Recv-Key and MS-MPPE-Send-Key of an Access-Accept, by the authenticator's view."""

    receive: bytes | None = field(repr=False)
    """None: there is none; empty: it does not decrypt."""
    send: bytes | None = field(repr=False)


def master_key(password_hash_hash: bytes, nt_response: bytes) -> bytes:
    """Return GetMasterKey (RFC 3079, 3.4), 16 octets. The first argument is the MD4 of the
    NtPasswordHash."""
    hashed = hashlib.sha1(password_hash_hash + nt_response + _MASTER, usedforsecurity=False)
    return hashed.digest()[:16]


def start_keys(master: bytes) -> tuple[bytes, bytes]:
    """Return what the peer sends with and what it receives with: GetAsymmetricStartKey (RFC 3079,
    3.4) for 128 bits, 16 octets each."""
    sends, receives = (
        hashlib.sha1(master + _PAD_1 + magic + _PAD_2, usedforsecurity=False).digest()[:16]
        for magic in (_CLIENT_SENDS, _CLIENT_RECEIVES)
    )
    return sends, receives


def session_keys(
    vendor_specific: Iterable[bytes], secret: bytes, authenticator: bytes
) -> SessionKeys | None:
    """Return the keys in the Vendor-Specific attributes of a reply; None: there are none.

    `authenticator` is that of the request which is answered. Of a key that comes twice the last
    one counts.
    """
    found: dict[int, bytes] = {}
    for value in vendor_specific:
        if value[:4] == _MICROSOFT:
            for kind, hidden in _sub_attributes(value[4:]):
                if kind in (_SEND_KEY, _RECEIVE_KEY):
                    found[kind] = _revealed(hidden, secret, authenticator)
    if not found:
        return None
    return SessionKeys(receive=found.get(_RECEIVE_KEY), send=found.get(_SEND_KEY))


def _sub_attributes(octets: bytes) -> Iterable[tuple[int, bytes]]:
    """Yield vendor types and values (RFC 2865, 5.26), as far as their lengths add up."""
    while len(octets) >= 2 and 2 <= octets[1] <= len(octets):
        yield octets[0], octets[2 : octets[1]]
        octets = octets[octets[1] :]


def _revealed(hidden: bytes, secret: bytes, authenticator: bytes) -> bytes:
    """Undo RFC 2548, 2.4.2: salt, then blocks under MD5. Return b"" for what does not add up."""
    salt, cipher = hidden[:2], hidden[2:]
    if not cipher or len(cipher) % 16:
        return b""
    clear = bytearray()
    before = authenticator + salt
    for place in range(0, len(cipher), 16):
        block = cipher[place : place + 16]
        pad = hashlib.md5(secret + before, usedforsecurity=False).digest()
        clear += bytes(one ^ other for one, other in zip(block, pad, strict=True))
        before = block
    length = clear[0]
    return bytes(clear[1 : 1 + length]) if length < len(clear) else b""
