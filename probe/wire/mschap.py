"""MSCHAPv2 (RFC 2759, section 8): what the peer answers, and what the server then has to prove.

Its proof is as weak as DES and MD4 are: it goes inside TLS only, to a server that was approved.
"""

import hashlib

from cryptography.hazmat.decrepit.ciphers.algorithms import TripleDES
from cryptography.hazmat.primitives.ciphers import Cipher, modes

from probe.wire.md4 import md4

CHALLENGE = 16
"""Octets of a challenge of either side."""

_MAGIC_1 = b"Magic server to client signing constant"
_MAGIC_2 = b"Pad to make it do more than one iteration"


def nt_password_hash(password: str) -> bytes:
    """Return NtPasswordHash (RFC 2759, 8.3), 16 octets."""
    return md4(password.encode("utf-16-le"))


def user_name(name: str) -> bytes:
    """Return the name that is hashed: without a domain before it (RFC 2759, 8.2)."""
    domain, backslash, user = name.partition("\\")
    return (user if backslash else domain).encode()


def challenge_hash(peer: bytes, authenticator: bytes, name: bytes) -> bytes:
    """Return ChallengeHash (RFC 2759, 8.2), 8 octets. `name` is that of `user_name`."""
    digest = hashlib.sha1(peer + authenticator + name, usedforsecurity=False).digest()
    return digest[:8]


def challenge_response(challenge: bytes, password_hash: bytes) -> bytes:
    """Return ChallengeResponse (RFC 2759, 8.5), 24 octets."""
    padded = password_hash.ljust(21, b"\0")
    return b"".join(_des(challenge, padded[place : place + 7]) for place in (0, 7, 14))


def authenticator_response(password_hash: bytes, nt_response: bytes, challenge: bytes) -> str:
    """Return what a server says that knows the password (RFC 2759, 8.7): "S=" and 40 digits.

    `challenge` is the ChallengeHash.
    """
    inner = hashlib.sha1(md4(password_hash) + nt_response + _MAGIC_1, usedforsecurity=False)
    outer = hashlib.sha1(inner.digest() + challenge + _MAGIC_2, usedforsecurity=False)
    return f"S={outer.hexdigest().upper()}"


def _des(clear: bytes, key: bytes) -> bytes:
    """Return DesEncrypt (RFC 2759, 8.6) under a key of 7 octets.

    Each seven bits of it begin an octet whose last bit is for parity, which nobody looks at. DES is
    triple DES with the same key three times.
    """
    bits = int.from_bytes(key)
    spread = bytes((bits >> (49 - 7 * place) & 0x7F) << 1 for place in range(8))
    # ECB over one block is what RFC 2759 asks for.
    encryptor = Cipher(TripleDES(spread * 3), modes.ECB()).encryptor()  # noqa: S305
    return encryptor.update(clear) + encryptor.finalize()
