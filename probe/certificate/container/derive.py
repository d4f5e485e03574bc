"""Keys out of passwords: PKCS#12's own way, and those of PKCS#5. Deprecated ones are in real files.

Here only what was encrypted or sealed by somebody else is opened.
"""

import hashlib
from collections.abc import Callable

from probe.certificate.container.work import Work, check_iterations
from probe.records import dataclass

Derive = Callable[[bytes | None, int, Work], bytes]
"""(password, octets of key, work) -> key."""

ENCRYPTION, VECTOR, INTEGRITY = 1, 2, 3
"""What the octets are for (RFC 7292, B.3)."""

_BLOCKS = {"md5": 64, "sha1": 64, "sha224": 64, "sha256": 64}
"""Octets of a hash's block; 128 for the others."""


@dataclass(frozen=True, slots=True)
class Salt:
    """What a file says of a key derivation. A count that is out of bounds is never made."""

    octets: bytes
    iterations: int

    def __post_init__(self) -> None:
        check_iterations(self.iterations)


def bmp(password: bytes | None) -> bytes:
    """Return a password as PKCS#12 hashes it (RFC 7292, B.1): UTF-16 and its end; None: no octets.

    A password that is no UTF-8 is taken as Latin-1.
    """
    if password is None:
        return b""
    try:
        text = password.decode()
    except UnicodeDecodeError:
        text = password.decode("latin-1")
    return text.encode("utf-16-be") + b"\0\0"


def pkcs12(  # the parameters of RFC 7292, B.2
    digest: str, purpose: int, password: bytes | None, salt: Salt, size: int, work: Work
) -> bytes:
    """Return octets for a purpose (RFC 7292, B.2)."""
    block = _BLOCKS.get(digest, 128)
    output = hashlib.new(digest, usedforsecurity=False).digest_size
    work.spend(salt.iterations, -(-size // output))
    state = _filled(salt.octets, block) + _filled(bmp(password), block)
    found = b""
    while len(found) < size:
        key = bytes((purpose,)) * block + state
        for _ in range(salt.iterations):
            key = hashlib.new(digest, key, usedforsecurity=False).digest()
        found += key
        added = int.from_bytes(_filled(key, block)[:block], "big") + 1
        state = b"".join(
            (int.from_bytes(state[at : at + block], "big") + added & (1 << 8 * block) - 1).to_bytes(
                block, "big"
            )
            for at in range(0, len(state), block)
        )
    return found[:size]


def _filled(octets: bytes, block: int) -> bytes:
    """Return octets repeated until they fill blocks."""
    size = -(-len(octets) // block) * block
    return (octets * (size // len(octets) + 1))[:size] if octets else b""


def pbkdf1(digest: str, salt: Salt) -> Derive:
    """Return the derivation of RFC 8018, 5.1: no more octets than the hash has."""

    def derive(password: bytes | None, size: int, work: Work) -> bytes:
        work.spend(salt.iterations)
        key = (password or b"") + salt.octets
        for _ in range(salt.iterations):
            key = hashlib.new(digest, key, usedforsecurity=False).digest()
        return key[:size]

    return derive


def pbkdf2(digest: str, salt: Salt) -> Derive:
    """Return the derivation of RFC 8018, 5.2."""

    def derive(password: bytes | None, size: int, work: Work) -> bytes:
        output = hashlib.new(digest, usedforsecurity=False).digest_size
        work.spend(salt.iterations, -(-size // output))
        return hashlib.pbkdf2_hmac(digest, password or b"", salt.octets, salt.iterations, size)

    return derive


def scrypt(salt: bytes, cost: int, block_size: int, parallel: int) -> Derive:
    """Return the derivation of RFC 7914. The parameters must be bounded by whoever read them."""

    def derive(password: bytes | None, size: int, work: Work) -> bytes:
        work.spend(parallel, cost)
        memory = 256 * (cost + parallel + 2) * block_size
        return hashlib.scrypt(
            password or b"",
            salt=salt,
            n=cost,
            r=block_size,
            p=parallel,
            maxmem=memory,
            dklen=size,
        )

    return derive
