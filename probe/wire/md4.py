"""MD4 (RFC 1320): MSCHAPv2 rests on it, and no library at hand has it still. For nothing else."""

import struct
from collections.abc import Callable

_MASK = 0xFFFFFFFF
_START = (0x67452301, 0xEFCDAB89, 0x98BADCFE, 0x10325476)
"""RFC 1320, 3.3."""

_Mix = Callable[[int, int, int], int]
_ROUNDS: tuple[tuple[_Mix, int, tuple[int, ...], tuple[int, ...]], ...] = (
    (lambda x, y, z: (x & y) | (~x & z), 0, tuple(range(16)), (3, 7, 11, 19)),
    (
        lambda x, y, z: (x & y) | (x & z) | (y & z),
        0x5A827999,
        (0, 4, 8, 12, 1, 5, 9, 13, 2, 6, 10, 14, 3, 7, 11, 15),
        (3, 5, 9, 13),
    ),
    (
        lambda x, y, z: x ^ y ^ z,
        0x6ED9EBA1,
        (0, 8, 4, 12, 2, 10, 6, 14, 1, 9, 5, 13, 3, 11, 7, 15),
        (3, 9, 11, 15),
    ),
)
"""RFC 1320, 3.4: function, constant, order of words and shifts of each round."""


def md4(message: bytes) -> bytes:
    """Return the digest of a message, 16 octets."""
    padding = b"\x80" + bytes((55 - len(message)) % 64)
    padded = message + padding + struct.pack("<Q", len(message) * 8)
    state: tuple[int, ...] = _START
    for place in range(0, len(padded), 64):
        mixed = _mixed(state, struct.unpack_from("<16I", padded, place))
        state = tuple((old + new) & _MASK for old, new in zip(state, mixed, strict=True))
    return struct.pack("<4I", *state)


def _mixed(state: tuple[int, ...], words: tuple[int, ...]) -> tuple[int, ...]:
    a, b, c, d = state
    for mix, constant, order, shifts in _ROUNDS:
        for step, word in enumerate(order):
            turned = (a + (mix(b, c, d) & _MASK) + words[word] + constant) & _MASK
            shift = shifts[step % 4]
            a, b, c, d = d, ((turned << shift) | (turned >> (32 - shift))) & _MASK, b, c
    return a, b, c, d
